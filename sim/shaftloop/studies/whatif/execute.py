"""Run what is missing of a study, and keep every batch as it comes."""

from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.lanes import LANES
from shaftloop.bench.sequence import longest_time
from shaftloop.studies.responses import simulates
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.store import ResultStore

__all__ = ["Runner", "execute", "run_here", "work_of"]

Runner = Callable[[Work, Iterable[Batch]], Generator[list[Row], None, None]]
"""Takes batches as it needs them and yields their rows in whatever order they come."""

_LARGEST = 4 * LANES
"""Most candidates of a batch, or a few more."""
_BATCHES = 8
"""How many batches a study should at least have, so that its work spreads over processes."""
_WORTH = LANES // 2
"""Lanes in use from which on a batch is not cut further for that."""
_SIMULATED = 16.0
"""What a batch may simulate in all where its candidates run singly, about half a second of work. [s]"""


def work_of(study: Study) -> Work:
    """Return what is asked of every candidate of a study."""
    scenario = study.scenario
    beside = tuple(folder.resolve() for folder in study.beside)
    return Work(
        scenario.path.resolve(), scenario.hash, study.settings, beside, study.tune, tuple(study.figures)
    )


def execute(store: ResultStore, run: Runner, progress: Callable[[float], None] | None = None) -> None:
    """Evaluate every candidate that has no row yet; `progress` gets the share of all that is done."""
    missing = store.missing()
    total = store.plan.total
    done = total - len(missing)
    if not len(missing):
        return
    batches = _batches(store.study, store.plan, missing)
    # Closed at once, not some day, where an interrupt or a full disk ends the loop.
    with closing(run(work_of(store.study), batches)) as found:
        for rows in found:
            store.add(rows)
            done += len(rows)
            if progress is not None:
                progress(done / total)


def run_here(work: Work, batches: Iterable[Batch]) -> Generator[list[Row], None, None]:
    """Evaluate batches one after the other in this process."""
    for batch in batches:
        while batch.left:
            yield (rows := evaluate_batch(work, batch))
            batch = batch.without(rows)


def _batches(study: Study, plan: CandidatePlan, missing: NDArray[np.int64]) -> Iterator[Batch]:
    """Yield the batches of a study of which something is left; they are the same each time it is begun."""
    left = np.zeros(plan.total, dtype=np.bool_)
    left[missing] = True
    shared = simulates(study.figures) and study.tune is None and plan.alike >= _WORTH
    alike, least = (plan.alike, _WORTH) if shared else (plan.total, 1)
    size = min(_most(study, shared), max(least, plan.total // _BATCHES))
    for first in range(0, plan.total, alike):
        block = plan.together[first : first + alike]
        for numbers in np.array_split(block, max(1, round(len(block) / size))):
            if left[numbers].any():
                candidates = plan.candidates(numbers.tolist())
                yield Batch(
                    tuple((c.number, c.settings(plan.axes)) for c in candidates),
                    frozenset(numbers[~left[numbers]].tolist()),
                )


def _most(study: Study, shared: bool) -> int:
    """Return how many candidates a batch may have so that its first row comes soon.

    What is not simulated is handed over as it comes. Runs come before figures, in lanes several at a time.
    """
    if not simulates(study.figures):
        return _LARGEST
    if study.tune is not None:
        return 1
    if not shared:
        duration = longest_time(study.scenario.description)
        return LANES if LANES * duration <= _SIMULATED else max(1, int(_SIMULATED / duration))
    others = [name for name in study.figures if not simulates([name])]
    return LANES if others else _LARGEST
