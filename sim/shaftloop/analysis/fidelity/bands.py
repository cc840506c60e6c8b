"""The frequency bands in which a response stays within ±1 %, ±5 % and ±3 dB of its reference."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.response import refined

__all__ = ["LEVELS", "Band", "find_bands"]

Array = NDArray[np.float64]

LEVELS = {"1 %": (0.99, 1.01), "5 %": (0.95, 1.05), "3 dB": (math.sqrt(0.5), math.sqrt(2.0))}
"""Least and largest size of the response; 3 dB stands for half and twice the power, as in a cutoff."""


@dataclass(frozen=True)
class Band:
    """A band of frequencies without a gap."""

    level: str
    """One of `LEVELS`."""
    low: float | None
    """Lower end; None where it reaches down to the lowest frequency that was looked at. [Hz]"""
    high: float | None
    """Upper end; None where it reaches up to the highest one, or where there is no band. [Hz]"""
    exists: bool
    """False where the response is outside already at the reference."""

    def holds(self, frequency: float) -> bool:
        """Return whether a frequency lies inside [Hz]."""
        return self.exists and (self.low or 0.0) <= frequency <= (self.high or math.inf)


def find_bands(
    frequency: Array, size: Array, reference: int, exact: Callable[[float], float]
) -> tuple[Band, ...]:
    """Return the bands around a reference frequency, by its number, one per level.

    Frequencies [Hz] rise, dense enough to show every excursion; `size` is the response relative to its
    reference value, both of shape (n,), and `exact` the same at one frequency, to find the ends.
    """
    return tuple(_band(frequency, size, reference, exact, level) for level in LEVELS)


def _band(frequency: Array, size: Array, reference: int, exact: Callable[[float], float], level: str) -> Band:
    low, high = LEVELS[level]
    inside = (size >= low) & (size <= high)
    if not inside[reference]:
        return Band(level, None, None, False)
    above = np.flatnonzero(~inside[reference:])
    below = np.flatnonzero(~inside[:reference])

    def end(i: int, j: int) -> float:
        """Return where the response leaves between a frequency inside and one outside."""
        limit = high if size[j] > high else low
        ends = np.sort(frequency[[i, j]])
        return float(refined(lambda f: np.array([exact(at) - limit for at in f]), ends[:1], ends[1:])[0])

    first = int(reference + above[0]) if len(above) else None
    last = int(below[-1]) if len(below) else None
    return Band(
        level,
        None if last is None else end(last + 1, last),
        None if first is None else end(first - 1, first),
        True,
    )
