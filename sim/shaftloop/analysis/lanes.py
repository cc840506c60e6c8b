"""Many benches at once: those that differ in numbers only run in lanes of one kernel, the others singly."""

import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice

from shaftloop.analysis.simulation import Simulation, finished, make_run, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.sequence import actions
from shaftloop.engine.lanes import LANES, advance_together, lane_key
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import Settle, Stop, lay_out
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["LANES", "Outcome", "simulate_many"]

_METHOD = "etd4"


@dataclass(frozen=True)
class Outcome:
    """What became of one bench."""

    simulation: Simulation | None
    """The finished run, as `simulate` returns it; None where it failed."""
    error: SimulationError | None
    """Why it failed, as `simulate` raises it."""
    in_lanes: bool
    """Whether it ran in lanes, next to others or alone."""


@dataclass(frozen=True)
class _Candidate:
    number: int
    bench: Bench
    run: Run
    end: int


def simulate_many(
    descriptions: Iterable[Description], *, width: int = LANES, threads: int = 1
) -> Iterator[Outcome]:
    """Run benches and return their outcomes in the order given, bit for bit those of single runs.

    Benches share a kernel where they have the same parts, tasks, rates, sequence times and matrices: where
    they differ in gains, levels, errors of sensors, seeds and the like. Inertias, stiffnesses and what else
    is in the matrices must be equal. A bench runs singly where its sequence waits until something has
    settled or ends in a stop, or where one of its limits is exceeded.

    Benches are taken a few groups at a time, so that an endless stream of them needs no more memory.

    Parameters
    ----------
    descriptions : iterable of Description
        The benches.
    width : int
        Most lanes in use, 1 to `LANES`.
    threads : int
        Kernels that run at the same time.

    Yields
    ------
    Outcome
        One for each description.

    Raises
    ------
    ValueError
        Where the width or the number of threads is out of range.
    """
    if not 1 <= width <= LANES:
        raise ValueError(f"width = {width} lanes is outside 1 to {LANES}")
    if threads < 1:
        raise ValueError(f"threads = {threads} is below 1")
    return _outcomes(iter(descriptions), width, threads)


def _outcomes(descriptions: Iterator[Description], width: int, threads: int) -> Iterator[Outcome]:
    with ThreadPoolExecutor(threads) as pool:
        while batch := list(islice(descriptions, 4 * threads * width)):
            groups, outcomes = _sorted(batch)
            chunks = [group[i : i + width] for group in groups for i in range(0, len(group), width)]
            for found in pool.map(_run_chunk, chunks):
                outcomes.update(found)
            singles = [number for number in range(len(batch)) if number not in outcomes]
            for number, outcome in zip(
                singles, pool.map(_run_singly, (batch[n] for n in singles)), strict=True
            ):
                outcomes[number] = outcome
            yield from (outcomes[number] for number in range(len(batch)))


def _sorted(batch: Sequence[Description]) -> tuple[list[list[_Candidate]], dict[int, Outcome]]:
    """Return the groups that can share lanes, and the benches that fail before they start."""
    groups: dict[object, list[_Candidate]] = defaultdict(list)
    outcomes = {}
    for number, description in enumerate(batch):
        try:
            bench = build_bench(description)
            steps = actions(bench)
            run, end = make_run(bench, method=_METHOD)
        except SimulationError as error:
            outcomes[number] = Outcome(None, error, False)
            continue
        if any(isinstance(step, Settle | Stop) for step in steps):
            continue
        lay_out(run, steps)
        key = lane_key(run, end)
        if key is not None:
            groups[key].append(_Candidate(number, bench, run, end))
    return list(groups.values()), outcomes


def _run_chunk(candidates: Sequence[_Candidate]) -> dict[int, Outcome]:
    """Run some candidates in lanes and return those that need not run singly."""
    started = time.perf_counter()
    results = advance_together([candidate.run for candidate in candidates], candidates[0].end)
    share = (time.perf_counter() - started) / len(candidates)
    outcomes = {}
    for candidate, result in zip(candidates, results, strict=True):
        if isinstance(result, SimulationError):
            outcomes[candidate.number] = Outcome(None, result, True)
        elif result:
            simulation = finished(candidate.bench, candidate.run, [], _METHOD, share)
            outcomes[candidate.number] = Outcome(simulation, None, True)
    return outcomes


def _run_singly(description: Description) -> Outcome:
    try:
        return Outcome(simulate(description, method=_METHOD), None, False)
    except SimulationError as error:
        return Outcome(None, error, False)
