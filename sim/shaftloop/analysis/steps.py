"""Steps of a set-point and how a recorded quantity answers them.

Everything works on records: instants where a level is crossed are interpolated between two records, the
highest value of an overshoot by a parabola through three.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SetpointHold",
    "SetpointStep",
    "crossing",
    "find_holds",
    "find_steps",
    "overshoot",
    "rise_time",
    "settling_time",
]

Array = NDArray[np.float64]

_ISOLATED = 2
"""A jump is a step where the set-point rests for so many records on either side; a ramp never rests."""


@dataclass(frozen=True)
class SetpointHold:
    """A stretch of records with one set-point."""

    first: int
    """First record."""
    end: int
    """One after the last record."""
    value: float
    """Set-point."""

    def last_quarter(self) -> slice:
        """Return the records of the last quarter."""
        return slice(self.end - (self.end - self.first) // 4, self.end)


@dataclass(frozen=True)
class SetpointStep:
    """A set-point that jumps between two holds."""

    hold: SetpointHold
    """What it jumps to, until the next change."""
    before: float
    """What it jumps from."""

    @property
    def height(self) -> float:
        """Height, signed."""
        return self.hold.value - self.before


def find_holds(setpoint: Array, shortest: int = 1) -> list[SetpointHold]:
    """Return the stretches of equal set-point, in order.

    Parameters
    ----------
    setpoint : ndarray, shape (records,)
        Recorded set-point.
    shortest : int
        Records of the shortest stretch wanted; a ramp is made of very many that are shorter.
    """
    if len(setpoint) == 0:
        return []
    ends = np.concatenate(([0], np.flatnonzero(np.diff(setpoint)) + 1, [len(setpoint)]))
    long = np.flatnonzero(np.diff(ends) >= shortest)
    pairs = zip(ends[long].tolist(), ends[long + 1].tolist(), strict=True)
    return [SetpointHold(first, end, float(setpoint[first])) for first, end in pairs]


def find_steps(holds: Sequence[SetpointHold]) -> list[SetpointStep]:
    """Return the steps among the changes of a set-point; before the first record it is 0.

    Parameters
    ----------
    holds : sequence of Hold
        From `find_holds`.
    """
    steps = []
    before, rested = 0.0, True
    for hold in holds:
        rests = hold.end - hold.first >= _ISOLATED
        if rested and rests and hold.value != before:
            steps.append(SetpointStep(hold, before))
        before, rested = hold.value, rests
    return steps


def crossing(time: Array, values: Array, index: int, level: float) -> float:
    """Return the instant at which a quantity crosses a level between a record and the next [s].

    Parameters
    ----------
    time : ndarray, shape (records,)
        [s]
    values : ndarray, shape (records,)
        The quantity.
    index : int
        Record before the crossing.
    level : float
        In the unit of the quantity.
    """
    a, b = float(values[index]), float(values[index + 1])
    share = (level - a) / (b - a)
    return float(time[index] + share * (time[index + 1] - time[index]))


def rise_time(step: SetpointStep, time: Array, values: Array) -> float | None:
    """Return the time from 10 % to 90 % of a step, nothing where 90 % is not reached [s].

    Parameters
    ----------
    time : ndarray, shape (records,)
        [s]
    values : ndarray, shape (records,)
        What answers the step, in the unit of the set-point.
    """
    share = _share(step, values)
    first = step.hold.first
    low = _first_above(share, 0.1)
    high = _first_above(share, 0.9)
    if low is None or high is None:
        return None
    times = time[first : step.hold.end]
    start = float(times[0]) if low == 0 else crossing(times, share, low - 1, 0.1)
    finish = float(times[0]) if high == 0 else crossing(times, share, high - 1, 0.9)
    return finish - start


def overshoot(step: SetpointStep, values: Array) -> float:
    """Return how far a step is passed, relative to its height, at least 0 [1].

    Parameters
    ----------
    values : ndarray, shape (records,)
        What answers the step, in the unit of the set-point.
    """
    share = _share(step, values)
    top = int(np.argmax(share))
    highest = float(share[top])
    if 0 < top < len(share) - 1:
        left, right = float(share[top - 1]), float(share[top + 1])
        bend = left - 2.0 * highest + right
        highest -= (right - left) ** 2 / (8.0 * bend) if bend < 0.0 else 0.0
    return max(highest - 1.0, 0.0)


def settling_time(step: SetpointStep, time: Array, values: Array, band: float) -> float | None:
    """Return the time from a step to the last exit from a band, nothing where it ends outside [s].

    Parameters
    ----------
    time : ndarray, shape (records,)
        [s]
    values : ndarray, shape (records,)
        What answers the step, in the unit of the set-point.
    band : float
        Half width of the band, relative to the height. [1]
    """
    distance = np.abs(_share(step, values) - 1.0)
    outside = np.flatnonzero(distance > band)
    if len(outside) == 0:
        return 0.0
    last = int(outside[-1])
    if last == len(distance) - 1:
        return None
    first = step.hold.first
    return crossing(time[first : step.hold.end], distance, last, band) - float(time[first])


def _share(step: SetpointStep, values: Array) -> Array:
    """Return the values until the next change as shares of the step: 0 before it, 1 at its end."""
    return (values[step.hold.first : step.hold.end] - step.before) / step.height


def _first_above(values: Array, level: float) -> int | None:
    above = values >= level
    return int(np.argmax(above)) if above.any() else None
