"""Many benches at once: those that differ in numbers only run in lanes of one kernel, the others singly."""

import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

from shaftloop.analysis.simulation import Channels, Simulation, finished, make_run, recorded, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.sequence import actions, longest_time
from shaftloop.engine.events import Move, Wait
from shaftloop.engine.lanes import LANES, Common, Memory, advance_together, common_tables, lane_key
from shaftloop.engine.model import alike
from shaftloop.engine.plant import sticking
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import lay_out
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["LANES", "Outcome", "can_share", "simulate_many"]

_METHOD = "etd4"
_MOST_KNOWN = 32
_MOST_AHEAD = 400_000_000
"""Recordings of the benches that are taken ahead of the outcomes. [byte]"""


@dataclass(frozen=True)
class Outcome:
    """What became of one bench."""

    simulation: Simulation | None
    """The finished run, as `simulate` returns it; None where it failed."""
    error: SimulationError | None
    """Why it failed, as `simulate` raises it."""
    in_lanes: bool
    """Whether it ran in lanes, next to others."""


@dataclass(frozen=True)
class _Candidate:
    number: int
    description: Description
    bench: Bench
    run: Run


@dataclass
class _Group:
    """Benches that can share lanes."""

    end: int
    """[tick]"""
    waiting: dict[bytes, list[_Candidate]] = field(default_factory=dict)
    """By their matrices."""
    known: dict[bytes, Common] = field(default_factory=dict)
    """Tables of benches with the same matrices that have run together."""


def can_share(bench: Bench) -> bool:
    """Return whether a bench can run in lanes: nothing fails, sticks or repeats, and steps take stated times.

    Parameters
    ----------
    bench : Bench
        From `build_bench`.
    """
    model = bench.model
    alone = bool(model.faults or bench.description.duty or sticking(model.plant.network))
    return not alone and all(isinstance(step, Move | Wait) for step in actions(bench))


def simulate_many(
    descriptions: Iterable[Description],
    *,
    width: int = LANES,
    threads: int = 1,
    channels: Channels | None = None,
) -> Iterator[Outcome]:
    """Run benches and return their outcomes in the order given, bit for bit those of single runs.

    Benches share a kernel where they have the same parts, tasks, rates and sequence times, and as many
    substeps: they may differ in gains, levels, errors of sensors and seeds, in inertias, stiffnesses,
    cutoffs and data of machines. Those with equal matrices share a kernel first, for it takes less time. A
    bench runs singly where its sequence waits until something has settled or ends in a stop, where
    something fails or may stick, where one of its limits is exceeded, or where no other can share its kernel.

    Benches are taken a few groups ahead of the outcomes, fewer where recordings are long, so that an endless
    stream of them needs no more memory. The traces of a group are one piece of memory, which is free once
    none of them is in use.

    Parameters
    ----------
    width : int
        Most lanes in use, 1 to `LANES`.
    threads : int
        Kernels that run at the same time.
    channels : callable, optional
        The channels that are recorded, e.g. `metrics.needed_channels`; all where left out. Recording takes
        a good part of the time of a run in lanes.

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
    return _outcomes(iter(descriptions), width, threads, channels)


def _outcomes(
    descriptions: Iterator[Description], width: int, threads: int, channels: Channels | None
) -> Iterator[Outcome]:
    with ThreadPoolExecutor(threads) as pool:
        crew = _LaneCrew(pool, width, channels)
        for description in descriptions:
            crew.add(description)
            while crew.left >= 3 * threads * width or crew.held > _MOST_AHEAD:
                yield crew.next_outcome()
        while crew.left:
            yield crew.next_outcome()


class _LaneCrew:
    """Sorts benches into groups, has every full one run, and hands out the outcomes in order."""

    def __init__(self, pool: ThreadPoolExecutor, width: int, channels: Channels | None) -> None:
        self._pool, self._width, self._channels = pool, width, channels
        self._memory = Memory()
        self._groups: dict[object, _Group] = {}
        self._known: list[tuple[Run, int, float]] = []
        self._group_of: dict[int, tuple[_Group, bytes]] = {}
        self._found: dict[int, Future[dict[int, Outcome]]] = {}
        self._sizes: dict[int, int] = {}
        self._added, self._taken = 0, 0

    @property
    def left(self) -> int:
        """Return the number of benches whose outcomes have not been handed out."""
        return self._added - self._taken

    @property
    def held(self) -> int:
        """Return the size of their recordings [byte]."""
        return sum(self._sizes.values())

    def add(self, description: Description) -> None:
        """Take a bench, and start its group where that is full."""
        number, self._added = self._added, self._added + 1
        try:
            candidate, group = self._sorted(number, description)
        except SimulationError as error:
            self._found[number] = _done({number: Outcome(None, error, False)})
            return
        self._sizes[number] = candidate.run.recording.nbytes
        if group is None:
            self._found[number] = self._pool.submit(_run_singly, number, description, self._channels)
            return
        alike = candidate.run.tables.gap_matrices.identity
        group.waiting.setdefault(alike, []).append(candidate)
        self._group_of[number] = group, alike
        if len(group.waiting[alike]) >= self._width:
            self._start(group, alike)

    def next_outcome(self) -> Outcome:
        """Return the next outcome; what it waits for is started, full or not."""
        number, self._taken = self._taken, self._taken + 1
        self._sizes.pop(number, None)
        if number in self._group_of:
            self._start(*self._group_of[number])
        return self._found.pop(number).result().pop(number)

    def _start(self, group: _Group, alike: bytes) -> None:
        """Start the benches of a group that have the same matrices, with others in lanes left over."""
        candidates = group.waiting.pop(alike)
        shared = len(candidates) > 1
        for other in list(group.waiting):
            more = group.waiting.pop(other)
            room = self._width - len(candidates)
            candidates += more[:room]
            if more[room:]:
                group.waiting[other] = more[room:]
            shared &= room == 0
        if len(candidates) == 1:  # lanes take the time of 16 benches, in use or not
            first = candidates[0]
            future = self._pool.submit(_run_singly, first.number, first.description, self._channels)
        else:
            future = self._pool.submit(self._run_group, candidates, group, alike if shared else None)
        for candidate in candidates:
            self._group_of.pop(candidate.number)
            self._found[candidate.number] = future

    def _run_group(
        self, candidates: Sequence[_Candidate], group: _Group, alike: bytes | None
    ) -> dict[int, Outcome]:
        """Run some candidates in lanes, and singly those in which a limit is exceeded."""
        started = time.perf_counter()
        runs = [candidate.run for candidate in candidates]
        common = group.known.get(alike) if alike else None
        common = common or common_tables(runs)
        if alike:
            group.known = {alike: common} | dict(list(group.known.items())[: _MOST_KNOWN - 1])
        results = advance_together(runs, group.end, common, self._memory)
        share = (time.perf_counter() - started) / len(candidates)
        outcomes = {}
        for candidate, result in zip(candidates, results, strict=True):
            if isinstance(result, SimulationError):
                outcomes[candidate.number] = Outcome(None, result, True)
            elif result:
                simulation = finished(candidate.bench, candidate.run, [], _METHOD, share)
                outcomes[candidate.number] = Outcome(simulation, None, True)
            else:
                outcomes |= _run_singly(candidate.number, candidate.description, self._channels)
        return outcomes

    def _sorted(self, number: int, description: Description) -> tuple[_Candidate, _Group | None]:
        """Return a bench with its run at the start, and its group; no group where it must run singly."""
        bench = recorded(build_bench(description), self._channels)
        run, end = self._run(bench)
        candidate = _Candidate(number, description, bench, run)
        if not can_share(bench):
            return candidate, None
        lay_out(run, actions(bench))
        key = lane_key(run, end)
        if key not in self._groups:
            _trim(self._groups)
            self._groups[key] = _Group(end)
        return candidate, self._groups[key]

    def _run(self, bench: Bench) -> tuple[Run, int]:
        """Return a run of a bench and its last tick; most are variants of one made before."""
        seconds = longest_time(bench.description)
        for run, end, length in self._known:
            if length == seconds and alike(run.model, bench.model):
                return run.variant(bench.model), end
        run, end = make_run(bench, method=_METHOD)
        run.prepare(end)
        self._known = [(run, end, seconds), *self._known[: _MOST_KNOWN - 1]]
        return run.variant(bench.model), end


def _trim(groups: dict[object, _Group]) -> None:
    """Forget groups in which no bench waits, the oldest first, where there are many."""
    idle = [key for key, group in groups.items() if not group.waiting]
    for key in idle[: max(0, len(groups) - _MOST_KNOWN + 1)]:
        del groups[key]


def _done(outcomes: dict[int, Outcome]) -> Future[dict[int, Outcome]]:
    future: Future[dict[int, Outcome]] = Future()
    future.set_result(outcomes)
    return future


def _run_singly(number: int, description: Description, channels: Channels | None) -> dict[int, Outcome]:
    try:
        found = simulate(description, method=_METHOD, channels=channels)
        return {number: Outcome(found, None, False)}
    except SimulationError as error:
        return {number: Outcome(None, error, False)}
