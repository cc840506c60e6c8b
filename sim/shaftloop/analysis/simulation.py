"""Run a bench through its sequence and keep everything that the metrics need."""

import math
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.cost import check_run, shared
from shaftloop.analysis.duty import Duty, run_duty
from shaftloop.analysis.energy import Energies, energies
from shaftloop.analysis.heat import HeatTrace, heat_trace
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.ratings import UNDERVOLTAGE, WATCHED, Watch
from shaftloop.bench.sequence import actions, interlocks, longest_time
from shaftloop.engine import at
from shaftloop.engine.events import Event
from shaftloop.engine.run import Run
from shaftloop.engine.runaway import left_at
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.engine.supervision import Trail, advance_plainly, lay_out, run_bench
from shaftloop.errors import BenchError
from shaftloop.kernels.store import compiling
from shaftloop.scenario.description import Description, Fault

__all__ = [
    "METHODS",
    "Channels",
    "Simulation",
    "check_runs",
    "finished",
    "make_run",
    "recorded",
    "remembered",
    "simulate",
]

Array = NDArray[np.float64]

Channels = Callable[[Bench], Collection[str]]
"""Names of the channels that are wanted of a bench."""

METHODS = {"etd4": at.ETD4, "rk4": at.RK4}
"""Steppers by name: exponential of order 4 (default), classical Runge-Kutta (reference)."""
_memories: "list[list[tuple[object, Simulation]]]" = []
"""What was asked and what came of it, of every `remembered` that is under way."""


@dataclass(frozen=True)
class Simulation:
    """A finished run."""

    bench: Bench
    time: Array
    """Instants of the records, shape (records,). [s]"""
    traces: dict[str, Array]
    """Recorded channels by name, shape (records,) each; units in `units`."""
    units: dict[str, str]
    """Unit of each channel."""
    energies: Energies
    peaks: dict[str, tuple[float, float]]
    """(lowest, highest) of spring torques, true torques [N m] and the like, from inside the steps."""
    watched: dict[int, tuple[float, float, float, float]]
    """By first slot of a limit: ticks at it, first and last instant at it [s], largest size."""
    run: Run
    """At its end, without its records."""
    events: tuple[Event, ...]
    duration: float
    """Length of the run. [s]"""
    step: float
    """Longest substep that was taken. [s]"""
    method: str
    """Stepper."""
    wall_time: float
    """Time that the run took, without the compilation of kernels. [s]"""
    heat: HeatTrace | None = None
    """Temperatures over time, where something warms up; over the whole of a duty."""
    duty: Duty | None = None
    """What a duty comes to; all else is about the cycles that were run."""


@contextmanager
def remembered() -> Iterator[None]:
    """Make no run twice within this context; runs of lanes and of faults are no part of it."""
    _memories.append([])
    try:
        yield
    finally:
        _memories.pop()


def simulate(
    description: Description,
    *,
    method: str = "etd4",
    factor: int = 1,
    plain: bool = False,
    progress: Callable[[float], None] | None = None,
    channels: Channels | None = None,
    trail: Trail | None = None,
    prone: tuple[Fault, ...] = (),
) -> Simulation:
    """Run a bench through its sequence.

    Parameters
    ----------
    method : str
        ``etd4`` or ``rk4``.
    factor : int
        Divide every step this many times finer.
    plain : bool
        Run the kernel in one stretch, without the supervision; only for sequences without conditional
        events and without limits. Gives the same bits.
    progress : callable, optional
        Called now and then with the share of the run that is done.
    channels : callable, optional
        The channels that are recorded; all where left out.
    trail : Trail, optional
        See `run_bench`; the channels of what is followed are lost.
    prone : tuple of Fault
        See `build_bench`.

    Raises
    ------
    SimulationError
        Where the bench diverges, or the run would be too long or too large.
    """
    asked = (description, method, factor, plain)
    alone = channels is None and trail is None and not prone
    memory = _memories[-1] if _memories and alone else []
    for known, before in memory:
        if known == asked:
            return before
    bench = recorded(build_bench(description, prone=prone), channels)
    run, end = make_run(bench, method=method, factor=factor)
    started, duty = time.perf_counter() - compiling(), None
    if plain:
        lay_out(run, actions(bench))
        advance_plainly(run, end)
        events: list[Event] = []
    elif description.duty is not None:
        events, duty = run_duty(bench, run, end, progress)
    else:
        events = run_bench(run, actions(bench), interlocks(bench), end, progress, trail)
    found = finished(bench, run, events, method, time.perf_counter() - compiling() - started)
    found = found if duty is None else _of_duty(found, duty)
    memory.append((asked, found))
    return found


def _of_duty(found: Simulation, duty: Duty) -> Simulation:
    """Return a run of some cycles with what the whole duty comes to.

    A brake resistor that is cold in these cycles may be on its way up: the mean over the duty is where it
    ends.
    """
    means = found.bench.link.steady(duty.meters, duty.cycle * duty.cycles)
    peaks = {name: (0.0, max(mean, found.peaks[name][1])) for name, mean in means.items()}
    return replace(found, heat=duty.trace, duty=duty, peaks=found.peaks | peaks)


def recorded(bench: Bench, channels: Channels | None) -> Bench:
    """Return a bench that was built just now, with the wanted channels only.

    Parameters
    ----------
    bench : Bench
        From `build_bench`.
    channels : callable or None
        The channels that are recorded; all where None.
    """
    if channels is not None:
        wanted = channels(bench)
        bench.model.channels = [channel for channel in bench.model.channels if channel.name in wanted]
    return bench


def finished(bench: Bench, run: Run, events: Sequence[Event], method: str, wall_time: float) -> Simulation:
    """Return what a run has left behind at its end.

    Parameters
    ----------
    events : sequence of Event
        What happened.
    method : str
        Stepper.
    wall_time : float
        Time that the run took. [s]
    """
    records = run.records
    columns = np.ascontiguousarray(run.recording[:records].T)
    traces = {c.name: columns[i] for i, c in enumerate(bench.model.channels)}
    watched = {watch.slot: _watched(run, watch) for watch in bench.watches}
    happened = [*events, *_blocked(bench, run, watched, traces), *_slipped(run), *_beyond(run)]
    return Simulation(
        bench=bench,
        time=_instants(records, float(1 / bench.record_period)),
        traces=traces,
        units={c.name: c.unit for c in bench.model.channels},
        energies=energies(bench, run),
        peaks=_peaks(bench, run),
        watched=watched,
        run=run.without_records(),
        events=tuple(sorted(happened, key=lambda event: event.tick)),
        duration=run.clock.seconds(run.position.tick),
        step=run.step,
        method=method,
        wall_time=wall_time,
        heat=None if run.heating is None else heat_trace(run.heating),
    )


def make_run(bench: Bench, *, method: str = "etd4", factor: int = 1) -> tuple[Run, int]:
    """Return a run of a bench at rest and its last tick.

    Parameters
    ----------
    bench : Bench
        From `build_bench`.
    method : str
        ``etd4`` or ``rk4``.
    factor : int
        Divide every step this many times finer.

    Raises
    ------
    BenchError
        Where the scenario does not say how long the run lasts.
    SimulationError
        Where the run would be too long or its recording too large.
    """
    stepping, seconds, records = _planned(bench, method, factor)
    run = Run(bench.model, stepping, records)
    return run, run.clock.ticks_up(Fraction(seconds).limit_denominator(10**12))


def check_runs(description: Description, count: int) -> None:
    """Refuse a bench whose run takes too long to be repeated.

    Parameters
    ----------
    count : int
        Number of runs.

    Raises
    ------
    SimulationError
        With the estimate and what to change.
    """
    with shared(count):
        _planned(build_bench(description), "etd4", 1)


def _planned(bench: Bench, method: str, factor: int) -> tuple[Stepping, float, int]:
    """Return stepping, length [s] and number of records of a run that can be paid for."""
    seconds = longest_time(bench.description)
    if seconds <= 0.0:
        raise BenchError(("duration",), 'missing: the sequence takes no time; give duration, e.g. "2 s"')
    if not math.isfinite(seconds):
        raise BenchError(
            ("duration",), 'missing: the last step of the sequence has no end; write e.g. duration = "2 s"'
        )
    records = math.ceil(seconds / float(bench.record_period)) + 2
    number = METHODS[method]
    stepping = Stepping(number, longest_step(bench.model.plant, number), factor)
    check_run(bench.model, stepping, seconds, records)
    return stepping, seconds, records


@lru_cache(maxsize=4)
def _instants(records: int, rate: float) -> Array:
    """Return the instants of records [s], one array for all runs that have the same."""
    time = np.arange(records) / rate
    time.flags.writeable = False
    return time


def _watched(run: Run, watch: Watch) -> tuple[float, float, float, float]:
    ticks, first, last, size = (float(value) for value in run.state[watch.slot : watch.slot + WATCHED])
    # Currents and voltages are looked after by their squares.
    size = math.sqrt(size) if watch.unit in ("A", "V") else size
    return ticks, run.clock.seconds(int(first)), run.clock.seconds(int(last)), size


def _slipped(run: Run) -> Iterator[Event]:
    """Yield which bodies broke loose and came to rest, first when, and how often."""
    slips = run.friction.slips
    counts = Counter((slip.body, slip.way != 0) for slip in slips)
    first = {(slip.body, slip.way != 0): slip.tick for slip in reversed(slips)}
    for (body, moves), tick in first.items():
        kind = "broke_loose" if moves else "came_to_rest"
        yield Event(tick, run.clock.seconds(tick), kind, body, counts[body, moves])


def _beyond(run: Run) -> Iterator[Event]:
    """Yield which bodies have left the range of speeds that the step rule goes by."""
    for each, tick in zip(run.model.ranges, left_at(run.model, run.state), strict=True):
        if tick >= 0:
            yield Event(tick, run.clock.seconds(tick), "beyond_max_speed", each.name)


def _blocked(
    bench: Bench,
    run: Run,
    watched: dict[int, tuple[float, float, float, float]],
    traces: dict[str, Array],
) -> Iterator[Event]:
    """Yield that inverters were blocked by undervoltage, and how often as far as records show it."""
    low = [watch for watch in bench.watches if watch.limit == UNDERVOLTAGE and watched[watch.slot][0] > 0.0]
    if not low:
        return
    tick = min(int(run.state[watch.slot + 1]) for watch in low)
    below = np.concatenate([[False], traces.get("link_voltage", np.zeros(0)) < low[0].allowed])
    falls = int(np.count_nonzero(below[1:] & ~below[:-1]))
    yield Event(tick, run.clock.seconds(tick), "blocked_by_undervoltage", "inverters", max(falls, 1))


def _peaks(bench: Bench, run: Run) -> dict[str, tuple[float, float]]:
    slot = bench.model.peak_slot
    peaks = {
        name: (float(run.state[slot + 2 * i + 1]), float(run.state[slot + 2 * i]))
        for i, (name, _) in enumerate(bench.model.peaks)
    }
    return peaks | {name: (0.0, value) for name, value in bench.link.highest(run.state).items()}
