"""What a run or an analysis takes, estimated before it is paid, so that no command runs without end.

The estimate counts substeps, task runs, delay lines, matrices and records, with the time that each takes on
an ordinary processor; it is meant to be right within a factor of about two. What would take longer than the
patience that is left, or more memory than `MOST_BYTES`, is refused with the figure and with what drives it.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from shaftloop.engine.build import make_calendar, make_clock
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Model
from shaftloop.engine.steprule import Stepping, tightest
from shaftloop.errors import CostError
from shaftloop.scenario.description import Description
from shaftloop_models.network import OwnKind, TermKind

__all__ = [
    "MOST_BYTES",
    "PATIENCE",
    "MapWork",
    "check_map",
    "check_run",
    "check_seconds",
    "driver",
    "have_patience",
    "loop_rates",
    "map_seconds",
    "patience",
    "run_seconds",
    "shared",
    "told",
]

PATIENCE = 20.0
"""Longest time that a computation may take by its estimate unless asked otherwise. [s]"""
MOST_BYTES = 1_500_000_000
"""Largest memory of a run. [byte]"""

_SUBSTEP, _PRODUCT = 0.5e-6, 0.25e-9
"""Of a substep: whatever the bench, and per square of its states. [s]"""
_TASK, _SHIFT = 0.05e-6, 0.3e-9
"""Of the run of a task, and of the shift of one value in a delay line. [s]"""
_EXPONENTIAL = 2e-8
"""Of the matrices of one gap length, per cube of their size. [s]"""
_STRETCH = 3e-6
"""Of the way from one tick of an opened loop to the next. [s]"""
_POINTS = 500.0, 12.0, 5.0
"""Of the grid of a loop: whatever the bench, per slot of the map, and per slot and further tick."""
_POINT = 5e-6, 3.9e-9, 2.5e-7
"""Of a point of the grid: whatever the bench, per square of the slots, and per tick. [s]"""
_EIGENVALUES, _LIFTED = 3e-8, 1e-9
"""Of the gain margins, per cube of the slots; of the worst amplification, per point, tick and square. [s]"""
_COPIES = 2.5
"""Times that a recording is in memory at once."""
_REMEDIES = {
    TermKind.COULOMB: "raise the smoothing of that drag or the inertia of its body",
    TermKind.WINDAGE: "lower that drag or max_speed, or raise the inertia of its body",
    TermKind.DQ_COUPLING: "lower max_speed or pole_pairs of that machine",
    TermKind.RIPPLE: "lower its highest order, or max_speed of the machines",
    TermKind.MISALIGNMENT: "lower max_speed of the machines",
    TermKind.LINK: "raise supply.capacitance",
    TermKind.BRIDGE: "raise supply.source_inductance or supply.capacitance",
    TermKind.CHOPPER: "raise the resistance of that brake resistor or supply.capacitance",
}

_left = [PATIENCE]


def have_patience(seconds: float) -> None:
    """Set how long a computation may take by its estimate.

    Parameters
    ----------
    seconds : float
        [s]
    """
    _left[:] = [seconds]


def patience() -> float:
    """Return how long a computation may take by its estimate [s]."""
    return _left[-1]


@contextmanager
def shared(computations: float) -> Iterator[None]:
    """Share the patience among several computations of about the same size.

    Parameters
    ----------
    computations : float
        How many.
    """
    _left.append(_left[-1] / max(computations, 1.0))
    try:
        yield
    finally:
        _left.pop()


@dataclass(frozen=True)
class _Pattern:
    """What one hyperperiod of a bench takes."""

    period: float
    """[s]"""
    substeps: int
    instants: int
    seconds: float
    """Of a computer. [s]"""
    setup: float
    """Of a computer, once, for the matrices. [s]"""

    def run(self, seconds: float) -> float:
        """Return what a run of some length [s] takes [s]."""
        return self.setup + seconds / self.period * self.seconds


def run_seconds(model: Model, stepping: Stepping, seconds: float) -> float:
    """Return what a run takes [s].

    Parameters
    ----------
    seconds : float
        Length of the run. [s]
    """
    return _pattern(model, stepping).run(seconds)


def check_run(model: Model, stepping: Stepping, seconds: float, records: int) -> None:
    """Refuse a run that would take too long or too much memory.

    Parameters
    ----------
    seconds : float
        Length of the run. [s]
    records : int
        Rows that it records.

    Raises
    ------
    CostError
        With the estimate and what to change.
    """
    pattern = _pattern(model, stepping)
    share = seconds / pattern.period
    total = pattern.run(seconds)
    check_seconds(
        total,
        f"a run of {seconds:.6g} s with {share * pattern.substeps:.3g} substeps",
        _driver(model, stepping, pattern)
        or f"it is long for rates up to {_fastest(model)}: {seconds * _left[-1] / total:.2g} s would do",
    )
    size = _COPIES * 8.0 * records * len(model.channels)
    if size > MOST_BYTES:
        rate = records / seconds
        raise CostError(
            f"{records} records of {len(model.channels)} channels take {size / 1e9:.3g} GB of memory; "
            f"allowed: {MOST_BYTES / 1e9:g} GB",
            f"record.rate drives it: {rate * MOST_BYTES / size:.3g} Hz would do, or a shorter duration",
        )


@dataclass(frozen=True)
class MapWork:
    """What is to be found of a bench whose map over a hyperperiod is taken."""

    rates: Mapping[str, float]
    """Of the loops whose frequency response is taken, by name. [Hz]"""
    derivatives: float = 100.0
    """Derivatives of the map that are taken, about."""
    whole: bool = True
    """Whether all figures of the loops are found, or crossover, Ms and phase margin alone."""


def loop_rates(description: Description) -> dict[str, float]:
    """Return the rate of every loop that can be opened, by its name [Hz]."""
    return {loop.name: float(loop.rate) for loop in description.loop if loop.limiter_of is None}


def check_map(model: Model, stepping: Stepping, slots: int, work: MapWork) -> None:
    """Refuse a bench whose map over a hyperperiod takes too long to be analysed.

    Parameters
    ----------
    slots : int
        Of the map.

    Raises
    ------
    CostError
        With the estimate and what to change.
    """
    delays = sum(slot.kind is SlotKind.DELAY for slot in model.layout.slots)
    delayed = f"{delays} values wait in delay lines: shorten latencies, or lower the rates that feed them"
    bodies = "the line is long: join stiff parts into one, or leave bodies out that are light"
    many = delayed if 2 * delays > slots else bodies
    once = sum(_response(slots, 1, work.whole) for _ in work.rates)
    check_seconds(once, f"an analysis of {slots} states and delays", many)
    pattern = _pattern(model, stepping)
    columns = work.derivatives * 2.0 * slots * pattern.seconds
    ticks, responses = _loops(pattern, slots, work)
    total, dearest = sum(responses.values()), max(responses, key=lambda name: responses[name], default="")
    if total > 2.0 * once:
        many = (
            f"loop {dearest} ticks {ticks[dearest]} times in a common period of {_short(pattern.period)}: "
            "choose rates, phases and latencies with a shorter one"
        )
    rates = (
        f"rates, phases and latencies make {pattern.instants} instants: choose ones with a shorter common "
        "period, such as 4, 8 and 12 kHz"
    )
    check_seconds(
        pattern.setup + columns + total,
        f"an analysis of {slots} states and delays over {pattern.substeps} substeps of a common period",
        _driver(model, stepping, pattern)
        or (many if max(total / columns, slots / pattern.instants) > 1.0 else rates),
    )


def map_seconds(model: Model, stepping: Stepping, slots: int, work: MapWork) -> float:
    """Return what the map of a bench and what is found of it take [s].

    Parameters
    ----------
    slots : int
        Of the map.
    """
    pattern = _pattern(model, stepping)
    _, responses = _loops(pattern, slots, work)
    return pattern.setup + work.derivatives * 2.0 * slots * pattern.seconds + sum(responses.values())


def _loops(pattern: _Pattern, slots: int, work: MapWork) -> tuple[dict[str, int], dict[str, float]]:
    """Return how often each loop ticks in a hyperperiod, and what its response takes [s]."""
    ticks = {name: max(round(rate * pattern.period), 1) for name, rate in work.rates.items()}
    return ticks, {name: _response(slots, count, work.whole) for name, count in ticks.items()}


def _response(slots: int, ticks: int, whole: bool) -> float:
    """Return what the response of a loop takes that ticks so often in a hyperperiod [s]."""
    points = _POINTS[0] + slots * (_POINTS[1] + _POINTS[2] * (ticks - 1))
    opening = _STRETCH * ticks * (2.0 * slots + ticks)
    on_grid = points * (_POINT[0] + _POINT[1] * float(slots) ** 2 + _POINT[2] * ticks)
    lifted = ticks * float(slots) ** 2 + 0.5 * float(ticks) ** 3 if ticks > 1 else 0.0
    more = _EIGENVALUES * float(slots) ** 3 + _LIFTED * (_POINTS[0] + _POINTS[1] * slots) * lifted
    return opening + on_grid + (more if whole else 0.0)


def check_seconds(seconds: float, what: str, advice: str) -> None:
    """Refuse what takes longer than the patience that is left.

    Parameters
    ----------
    seconds : float
        Estimated. [s]
    what : str
        Takes so long, in words.
    advice : str
        What drives it, and what to change.

    Raises
    ------
    CostError
        With the estimate.
    """
    many = _left[0] / _left[-1]
    if not seconds <= _left[-1]:
        raise CostError(
            f"{what} takes about {told(seconds)}; allowed: {told(_left[-1])}"
            + (f", since about {many:.0f} such are needed" if many > 1.0 else ""),
            f"{advice}; or allow more with `patience`",
        )


def _pattern(model: Model, stepping: Stepping) -> _Pattern:
    clock = make_clock(model)
    calendar = make_calendar(model, clock)
    gaps = calendar.gaps()
    substeps = sum(stepping.substeps(clock.seconds(gap)) for gap in gaps)
    states, inputs, outputs = len(model.plant.a), model.plant.b.shape[1], model.plant.g.shape[1]
    period = clock.seconds(calendar.hyperperiod)
    waiting = sum(slot.kind is SlotKind.DELAY for slot in model.layout.slots)
    fastest = float(1 / min(task.period for task in model.tasks))
    seconds = (
        substeps * (_SUBSTEP + _PRODUCT * float(states) ** 2)
        + sum(map(len, calendar.due)) * _TASK
        + waiting * fastest * period * _SHIFT
    )
    size = states + 3.0 * (inputs + outputs)
    return _Pattern(period, substeps, len(gaps), seconds, len(set(gaps)) * _EXPONENTIAL * size**3)


def driver(model: Model, stepping: Stepping) -> str:
    """Return what makes the steps of a run short, nothing where the instants of the tasks do."""
    return _driver(model, stepping, _pattern(model, stepping))


def _driver(model: Model, stepping: Stepping, pattern: _Pattern) -> str:
    if pattern.substeps <= 4 * stepping.factor * pattern.instants:
        return ""
    _, term = tightest(model.plant, stepping.method)
    if term is None:
        return "the fastest mode of the line makes rk4 take short steps: take the default method"
    name = model.plant.network.outputs[term.outputs[0].index]
    remedy = term.kind.remedy if isinstance(term.kind, OwnKind) else _REMEDIES[term.kind]
    return f"{name} makes steps of {stepping.longest:.2g} s: {remedy}"


def _fastest(model: Model) -> str:
    task = min(model.tasks, key=lambda task: task.period)
    return f"{float(1 / task.period):.6g} Hz ({task.name})"


def _short(seconds: float) -> str:
    return f"{1e3 * seconds:.4g} ms"


def told(seconds: float) -> str:
    """Return a time that something takes in words.

    Parameters
    ----------
    seconds : float
        [s]
    """
    for unit, size in (("years", 3.156e7), ("days", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.2g} s" if seconds < 100.0 else f"{seconds:.0f} s"
