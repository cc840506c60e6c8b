"""Experiments on a bench: what its loops are asked to do so that a log tells the free parameters.

Every experiment runs up to an operating point, excites all loops that follow a set-point at once, each in its
own way so that their effects can be told apart, and comes back to rest; a coast-down lets go of the line.
The set-points stay between nothing and the operating point.

References
----------
.. [1] R. Pintelon, J. Schoukens, System Identification: A Frequency Domain Approach, chapter 5
   (multisines, sweeps, random binary signals). From memory.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.injection import chirp, multisine
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.bench.handles import Bench
from shaftloop.errors import BenchError
from shaftloop.scenario.description import Hold
from shaftloop_models.parameters import Gain

__all__ = ["KINDS", "Experiment", "Stage", "make_stage"]

Array = NDArray[np.float64]
Steps = list[dict[str, Any]]

_TONES = 24
"""Of every loop."""
_PERIOD = 2.0
"""Longest period of an excitation that repeats. [s]"""
_BEYOND = 1.5
"""Highest tone over the second natural frequency."""
_OF_RATE = 0.1
"""Highest tone over the rate of the slowest loop."""
_POINTS = 20.0
"""Of a trace per period of its highest tone."""
_PULLED = 0.3
"""Share of the clamp that runs the line up."""
_CALM = 0.3
"""Time in which the torque is raised, and that is waited. [s]"""
_KICK = 0.5
"""Torque that a step of a speed set-point may ask for at once, over the amplitude of the torque."""
_WANDERS = 0.1
"""Most that a speed may move, over what it is."""
_SHORT = 0.15
"""Shortest step, or a fortieth of a short excitation; the longest is three of them. [s]"""


@dataclass(frozen=True)
class _Excited:
    """A loop that is excited."""

    loop: str
    unit: str
    mean: float
    """[unit]"""
    amplitude: float
    """[unit]"""

    def text(self, value: float) -> str:
        """Return a set-point as a scenario states it.

        Parameters
        ----------
        value : float
            [unit]
        """
        return f"{value:.6g} {self.unit}"


@dataclass(frozen=True)
class Experiment:
    """What is done at an operating point."""

    kind: str
    """One of `KINDS`."""
    share: float
    """Of the amplitudes that the operating point leaves room for. [1]"""
    length: float
    """Of the excitation. [s]"""


@dataclass(frozen=True)
class Stage:
    """An experiment as a sequence of a scenario."""

    steps: Steps
    """As the file states them."""
    table: dict[str, Array]
    """Columns of the trace beside it, by header; empty where there is none."""
    start: float
    """Where the excitation begins. [s]"""
    length: float
    """Of the whole. [s]"""


def make_stage(bench: Bench, point: OperatingPoint, experiment: Experiment, file: str) -> Stage:
    """Return an experiment as a sequence.

    Parameters
    ----------
    bench : Bench
        Smooth.
    point : OperatingPoint
        Highest set-points of the experiment.
    file : str
        Name of the trace, where there is one.

    Raises
    ------
    BenchError
        Where no loop follows a set-point, or none a speed that a coast-down needs.
    """
    excited = _excited(bench, point, experiment.share)
    over = _run_up_time(bench, point)
    speeds = [entry for entry in excited if entry.unit == "rad/s" and entry.mean]
    if experiment.kind == "coast_down":
        return _coast_down(speeds, experiment, over)
    torques = [entry for entry in excited if entry.unit != "rad/s" and entry.mean]
    wait = _CALM if speeds else max(_CALM, _waited(bench))
    before = [*_ramps(speeds, over), _hold(wait), *_ramps(torques, _CALM), _hold(_CALM)]
    after = [*_ramps(torques, _CALM, down=True), *_ramps(speeds, over, down=True), _hold(_CALM)]
    start = (over if speeds else 0.0) + wait + (2.0 * _CALM if torques else _CALM)
    steps, table, length = _WAYS[experiment.kind](bench, excited, experiment.length, file)
    ends = (_CALM if torques else 0.0) + (over if speeds else 0.0) + _CALM
    return Stage([*before, *steps, *after], table, start, start + length + ends)


def _excited(bench: Bench, point: OperatingPoint, share: float) -> list[_Excited]:
    """Return the loops with what moves them: the torque between 0 and its highest, the speed a little."""
    loops = [loop for loop in bench.loops.values() if loop.setpoint_slot >= 0 and loop.quantity in _UNITS]
    if not loops:
        raise BenchError(
            ("loop",), "no loop follows a set-point of torque or speed, so nothing can be excited"
        )
    found, push = [], 0.0
    for loop in (loop for loop in loops if loop.quantity == "torque"):
        top = point.setpoints.get(loop.parameters.name, 0.0)
        size = 0.5 * abs(top) or 0.25 * loop.parameters.clamp
        push = max(push, size)
        found.append(_Excited(loop.parameters.name, "N m", 0.5 * share * top, share * size))
    for loop in (loop for loop in loops if loop.quantity == "speed"):
        mean = point.setpoints.get(loop.parameters.name, 0.0)
        size = _KICK * (push or 0.25 * loop.parameters.clamp) / _torque_per_speed(loop.parameters.kp)
        size = min(size, _WANDERS * abs(mean) or size)
        found.append(_Excited(loop.parameters.name, "rad/s", mean, share * size))
    return found


_UNITS = ("torque", "speed")


def _torque_per_speed(kp: Gain) -> float:
    """Return the torque per speed of a loop, never 0 [N m s/rad]."""
    return max(abs(float(kp.value)), 1e-3)


def _run_up_time(bench: Bench, point: OperatingPoint) -> float:
    """Return a time in which a share of the clamp runs the line up [s]."""
    loop = bench.speed_loop()
    if loop is None:
        return 0.0
    inertia = (
        sum(node.inertia * node.pace**2 for node in bench.line.nodes) / bench.line.pace(loop.source) ** 2
    )
    needed = inertia * abs(point.setpoints.get(loop.parameters.name, 0.0)) / (_PULLED * loop.parameters.clamp)
    return round(max(needed, 0.5), 1)


def _waited(bench: Bench) -> float:
    """Return how long the sequence waits first, for machines that run up by themselves [s]."""
    waits = takewhile(lambda step: isinstance(step, Hold), bench.description.sequence)
    return sum(float(step.time) for step in waits if isinstance(step, Hold))


def _coast_down(speeds: Sequence[_Excited], experiment: Experiment, over: float) -> Stage:
    """Return a run-up and a coast-down, by turns fast and slow so that inertia and drag part."""
    if not speeds:
        raise BenchError(("loop",), "no loop holds a speed, so the line cannot be run up to coast down")
    length = experiment.length
    slow = round(max(over, 0.15 * length), 1)
    steps: Steps = []
    for factor, time in ((1.0, over), (0.5, slow), (1.0, slow)):
        scaled = [
            _Excited(entry.loop, entry.unit, factor * experiment.share * entry.mean, 0.0) for entry in speeds
        ]
        steps += [*_ramps(scaled, time), _hold(_CALM)]
    coast = round(max(length - 2.0 * slow, 0.3 * length), 1)
    steps += [{"do": "trip"}, _hold(coast)]
    return Stage(steps, {}, 0.0, over + 2.0 * slow + 3.0 * _CALM + coast)


def _ramps(entries: Sequence[_Excited], over: float, *, down: bool = False) -> Steps:
    """Return ramps of several loops at once, waited for."""
    steps: Steps = [
        {
            "do": "ramp",
            "loop": entry.loop,
            "to": entry.text(0.0 if down else entry.mean),
            "over": f"{over:g} s",
            "wait": False,
        }
        for entry in entries
    ]
    if steps:
        del steps[-1]["wait"]
    return steps


def _hold(time: float) -> dict[str, Any]:
    return {"do": "hold", "time": f"{time:g} s"}


_Made = tuple[Steps, dict[str, Array], float]


def _played(signal: Callable[..., Array]) -> Callable[..., _Made]:
    """Return what makes an experiment that plays a signal from a trace, period after period."""

    def make(bench: Bench, excited: Sequence[_Excited], length: float, file: str) -> _Made:
        slowest = min(float(bench.loops[entry.loop].parameters.rate) for entry in excited)
        modes = [mode.frequency for mode in find_modes(mechanics(bench)) if mode.frequency > 0.0]
        top = min(_BEYOND * modes[min(1, len(modes) - 1)] if modes else np.inf, _OF_RATE * slowest)
        period = min(_PERIOD, length)
        periods = max(round(length / period), 1)
        rate = min(slowest, _POINTS * top)
        count = round(period * rate)
        bins = np.unique(np.geomspace(1.0, max(top * period, 8.0), _TONES * len(excited)).astype(np.int64))
        table = {"time [s]": np.arange(periods * count + 1) / rate}
        steps: Steps = []
        for number, entry in enumerate(excited):
            one = signal(count, bins[number :: len(excited)], entry.amplitude)
            one = one[::-1] if number % 2 else one
            column = f"{entry.loop} [{entry.unit}]"
            table[column] = entry.mean + np.concatenate([*([one] * periods), one[:1]])
            steps.append({"do": "trace", "loop": entry.loop, "file": file, "column": column, "wait": False})
        del steps[-1]["wait"]
        return steps, table, periods * count / rate

    return make


def _stepped(bench: Bench, excited: Sequence[_Excited], length: float, file: str) -> _Made:
    """Return steps of random length to either side, of every loop by its own."""
    short = round(max(min(_SHORT, length / 40.0), 0.02), 3)
    rng = np.random.default_rng(0)
    moves: list[tuple[float, _Excited, float]] = []
    for entry in excited:
        time, side = 0.0, 1.0
        while time < length:
            moves.append((round(time, 3), entry, entry.mean + side * entry.amplitude))
            side, time = -side, time + short * int(rng.integers(1, 4))
        moves.append((length, entry, entry.mean))
    moves.sort(key=lambda move: move[0])
    steps: Steps = []
    now = 0.0
    for time, entry, level in moves:
        if time > now:
            steps.append(_hold(round(time - now, 3)))
            now = time
        steps.append({"do": "step", "loop": entry.loop, "to": entry.text(level)})
    return steps, {}, length


_WAYS: dict[str, Callable[..., _Made]] = {
    "multisine": _played(multisine),
    "chirp": _played(chirp),
    "steps": _stepped,
}

KINDS = (*_WAYS, "coast_down")
"""All tones at once, a sweep, random steps, or a run-up with a coast-down."""
