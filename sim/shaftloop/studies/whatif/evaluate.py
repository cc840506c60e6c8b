"""Candidates -> rows of figures. Where, in which order and how many at a time is decided elsewhere."""

import time
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Literal

from shaftloop.analysis.lanes import Outcome, simulate_many
from shaftloop.analysis.metrics import needed_channels
from shaftloop.errors import ScenarioError, ShaftloopError, SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import Variants, read_scenario
from shaftloop.studies.responses import evaluate, simulates
from shaftloop.studies.whatif.form import Tune
from shaftloop.studies.whatif.tuned import tuned

__all__ = ["Batch", "Row", "Status", "Work", "evaluate_batch", "lost"]

Status = Literal["done", "failed", "refused", "lost"]

_MOST_TEXT = 300
_SPAN = 1.0
"""Time after which the rows of a batch that are there are handed over. [s]"""
_WORTH = 2.0
"""Least time for figures over that for runs, which are made again for what is left of a batch. [1]"""
_FAULTS = (ArithmeticError, AssertionError, LookupError, MemoryError, TypeError, ValueError)


@dataclass(frozen=True)
class Work:
    """What is asked of every candidate of a study; small, for it goes along with every batch."""

    scenario: Path
    scenario_hash: str
    """Of the scenario with `settings`, as the study was begun."""
    settings: tuple[str, ...]
    beside: tuple[Path, ...]
    tune: Tune | None
    figures: tuple[str, ...]


@dataclass(frozen=True)
class Batch:
    """Candidates that are evaluated together."""

    candidates: tuple[tuple[int, tuple[str, ...]], ...]
    """Number of each, and what is set in the scenario to make it."""
    there: frozenset[int] = frozenset()
    """Numbers of those that have a row already; they run beside the others, so that lanes stay the same."""

    @property
    def left(self) -> tuple[int, ...]:
        """Numbers of the candidates that have no row yet."""
        return tuple(number for number, _ in self.candidates if number not in self.there)

    def without(self, rows: "Iterable[Row]") -> "Batch":
        """Return the batch once more rows are there."""
        return replace(self, there=self.there | {row.number for row in rows})


@dataclass(frozen=True)
class Row:
    """What was found of a candidate."""

    number: int
    status: Status
    """``done``; ``failed``: the simulation or an analysis did; ``refused``: no such bench can be described;
    ``lost``: its process ended twice while it was on it alone."""
    reason: str = ""
    """Why it is not done."""
    figures: tuple[float | None, ...] = ()
    """One per figure of the work, infinite where it lies beyond every bound; empty unless done or failed."""
    missing: dict[str, str] = field(default_factory=dict)
    """Why a figure is not there."""
    in_lanes: bool = False
    """Whether it was simulated in lanes of one kernel, next to others of its batch."""


def evaluate_batch(work: Work, batch: Batch) -> list[Row]:
    """Return rows of the candidates that are left of a batch, each the same whatever else the batch holds.

    Where figures take long these are the first ones, at least one; what is left then is asked for again.
    Raises SimulationError where the scenario is not that with which the study was begun.
    """
    begun = time.monotonic()
    before = _variants.cache_info().misses
    variants, rows, spent = _variants(work), [], 0.0
    first = _variants.cache_info().misses > before
    left = set(batch.left)
    # What is there already is made again only where it shares lanes with the rest.
    wanted = (entry for entry in batch.candidates if entry[0] in left or simulates(work.figures))
    for entry, outcome in _run(work, (_made(work, *candidate, variants) for candidate in wanted)):
        if entry.number in left:
            since = time.monotonic()
            rows.append(_evaluate(work, entry, outcome) if isinstance(entry, _EvaluatedBench) else entry)
            spent += time.monotonic() - since
        other = time.monotonic() - begun - spent
        # The first batch of a process also loads kernels, once; nobody should wait longer for its rows.
        if rows and spent + other > _SPAN and (first or spent > _WORTH * other):
            break
    return rows


def lost(number: int) -> Row:
    """Return the row of a candidate that ends its process."""
    return Row(number, "lost", "its process ended without an answer, twice; out of memory?")


@lru_cache(maxsize=1)
def _variants(work: Work) -> Variants:
    """Return the scenario of a study, whose files each process reads once."""
    scenario = read_scenario(work.scenario, work.settings, beside=work.beside)
    if scenario.hash != work.scenario_hash:
        raise SimulationError(
            f"{work.scenario}: not the scenario with which the study was begun",
            "leave the files alone while a study runs; on a cluster every worker needs the same files",
        )
    return Variants(scenario)


@dataclass(frozen=True)
class _EvaluatedBench:
    """A candidate as it is to be evaluated."""

    number: int
    description: Description
    found: dict[str, Figure] = field(default_factory=dict)
    """What tuning it has given."""


def _made(work: Work, number: int, settings: tuple[str, ...], variants: Variants) -> _EvaluatedBench | Row:
    """Return a candidate, tuned if asked for, or its row where that fails or there can be no such bench."""
    try:
        description = variants.read(settings)
    except ScenarioError as error:
        return Row(number, "refused", _short("; ".join(error.messages)))
    if work.tune is None:
        return _EvaluatedBench(number, description)
    try:
        return _EvaluatedBench(number, *tuned(work.tune, description))
    except SimulationError as error:
        return Row(number, "failed", _short(f"tuning: {error}"))
    except _FAULTS as error:
        return Row(number, "failed", _fault(error))


def _run(
    work: Work, found: "Iterable[_EvaluatedBench | Row]"
) -> "Iterator[tuple[_EvaluatedBench | Row, Outcome | None]]":
    """Yield every bench with its run, as it is needed; nothing where there is none or it failed."""
    waiting: deque[_EvaluatedBench | Row] = deque()

    def descriptions() -> Iterator[Description]:
        for entry in found:
            waiting.append(entry)
            if isinstance(entry, _EvaluatedBench):
                yield entry.description

    benches = descriptions()
    if simulates(work.figures):
        with suppress(*_FAULTS):
            for outcome in simulate_many(benches, channels=needed_channels):
                while isinstance(waiting[0], Row):
                    yield waiting.popleft(), None
                yield waiting.popleft(), outcome
    for entry in chain(waiting, found):
        yield entry, None


def _evaluate(work: Work, bench: _EvaluatedBench, outcome: Outcome | None) -> Row:
    try:
        row = _row(bench, work.figures, outcome)
    except ShaftloopError as error:
        row = Row(bench.number, "failed", _short(str(error)))
    except _FAULTS as error:
        row = Row(bench.number, "failed", _fault(error))
    return replace(row, in_lanes=outcome is not None and outcome.in_lanes)


def _row(bench: _EvaluatedBench, names: tuple[str, ...], outcome: Outcome | None) -> Row:
    wanted = [name for name in names if name not in bench.found]
    found = bench.found | evaluate(bench.description, wanted, outcome)
    failed = next((response.reason for response in found.values() if response.failed), None)
    return Row(
        bench.number,
        "done" if failed is None else "failed",
        "" if failed is None else _short(failed),
        tuple(_number(found[name]) for name in names),
        {name: _short(found[name].reason) for name in names if found[name].value is None},
    )


def _number(response: Figure) -> float | None:
    beyond = {"above": float("inf"), "below": float("-inf")}
    return beyond.get(response.beyond) if response.value is None else response.value


def _fault(error: Exception) -> str:
    return _short(f"internal error: {type(error).__name__}: {error}")


def _short(text: str) -> str:
    line = " ".join(text.replace("\n", "; ").split())
    return line if len(line) <= _MOST_TEXT else line[: _MOST_TEXT - 3] + "..."
