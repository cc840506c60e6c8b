"""What a column shows, brought into the form in which a run is compared with it or driven by it."""

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.evenly import mean_around

__all__ = ["held", "logged_unit", "mean_of", "rate_of"]

Array = NDArray[np.float64]

_EDGE = 1e-3
"""Of a sample: how long what is held takes to its next value."""


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


def logged_unit(unit: str, over: Fraction | None) -> str:
    """Return the unit that a column must have: that of the channel, or of what its rate is.

    Parameters
    ----------
    unit : str
        Of the channel.
    over : Fraction, optional
        Time over which a rate is taken. [s]
    """
    return unit if over is None else {"rad/s": "rad"}.get(unit, f"{unit} s")


def rate_of(time: Array, angle: Array, over: float) -> Array:
    """Return the mean rate of an angle over a time around each instant; NaN where it is not known.

    Parameters
    ----------
    time, angle : ndarray, shape (rows,)
        [s], any unit; NaN where there is none.
    over : float
        [s]
    """
    there = np.isfinite(angle)
    half = 0.5 * over
    ahead = np.interp(time + half, time[there], angle[there], right=np.nan)
    behind = np.interp(time - half, time[there], angle[there], left=np.nan)
    return np.asarray((ahead - behind) / (2.0 * half))


def mean_of(time: Array, values: Array, over: float) -> Array:
    """Return the mean over a time around each instant; NaN where it is not known.

    Parameters
    ----------
    time, values : ndarray, shape (rows,)
        [s], any unit; NaN where there is none.
    over : float
        [s]
    """
    there = np.isfinite(values)
    return mean_around(time, time[there], values[there], over)
