"""What a column shows, brought into the form in which a run is compared with it or driven by it."""

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.evenly import mean_around
from shaftloop.scenario.logs.reading import Column, Log, factor_to

__all__ = ["drawn", "held", "measured"]

Array = NDArray[np.float64]

_EDGE = 1e-3
"""Of a sample: how long what is held takes to its next value."""
_SAME = 1e-6
"""Of a period: instants so near are one."""


def drawn(
    time: Array, trace: Array, clock: tuple[Fraction, Fraction] | None, smooth: bool = False
) -> tuple[Array, Array]:
    """Return corners of a recorded channel, between which it is a straight line.

    What is held keeps its value from behind one of its instants up to the next, whatever the records are
    taken at. A derivative by the time is that of its mean over all logs that are taken off its instants: of
    straight lines between the middles of what it holds.

    Parameters
    ----------
    time, trace : ndarray, shape (records,)
        [s], any unit.
    clock : tuple of Fraction, optional
        Period and phase of the instants at which it changes, from `Model.held`. [s]
    smooth : bool
        Whether a derivative by the time is wanted.
    """
    if clock is None:
        return time, trace
    period, phase = map(float, clock)
    since = np.ceil((time - phase) / period - _SAME) - 1.0
    last = np.flatnonzero(np.diff(since, append=np.inf))
    begin, values = phase + period * since[last], trace[last]
    if smooth:
        return begin + 0.5 * period, values
    ends = begin[:, None] + period * np.array([_EDGE, 1.0 + _SAME])
    return ends.ravel(), np.repeat(values, 2)


def held(time: Array, values: Array) -> tuple[Array, Array]:
    """Return corners of what keeps its value until the next sample.

    Parameters
    ----------
    time, values : ndarray, shape (rows,)
        [s], any unit.
    """
    new = np.flatnonzero(np.diff(values)) + 1
    before = time[new] - _EDGE * np.diff(time)[new - 1]
    place = np.argsort(times := np.concatenate((time, before)), kind="stable")
    return times[place], np.concatenate((values, values[new - 1]))[place]


def measured(log: Log, column: Column, unit: str, time: Array, values: Array) -> Array:
    """Return what a column shows [unit], its rate or mean where that is stated; NaN where it is not known.

    Parameters
    ----------
    unit : str
        Of the channel.
    time, values : ndarray, shape (rows,)
        On the clock of the run [s]; in the unit of the column, NaN where there is none.
    """
    rate, mean = column.stated.rate_over, column.stated.mean_over
    logged = unit if rate is None else {"rad/s": "rad"}.get(unit, f"{unit} s")
    shown = factor_to(log, column, logged) * values
    if rate is not None:
        there, half = np.isfinite(shown), 0.5 * float(rate)
        ahead = np.interp(time + half, time[there], shown[there], right=np.nan)
        behind = np.interp(time - half, time[there], shown[there], left=np.nan)
        shown = (ahead - behind) / (2.0 * half)
    if mean is not None:
        there = np.isfinite(shown)
        shown = mean_around(time, time[there], shown[there], float(mean))
    return shown
