"""Energy meters and peaks: integrated with the state, from the start, middle and end of each substep."""

import math

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.types import Floats, Ints

__all__ = ["PRODUCT", "integrate_meters", "keep_peaks", "mean_power", "power", "widened"]

PRODUCT, _AMPLITUDE, _LINK = 0, 1, 2


@helper
def power(kind: int, value: float, a: float, b: float) -> float:
    """Return one power of `PowerKind` [W]."""
    if kind == PRODUCT:
        return value * (a * b)
    if kind == _AMPLITUDE:
        return value * math.sqrt(a * a + b * b)
    shaft = a * b
    link = shaft / value if shaft > 0.0 else shaft * value
    return link if kind == _LINK else abs(link - shaft)


@helper
def mean_power(start: float, middle: float, end: float) -> float:
    """Return six times the mean power of a substep by Simpson's rule [W]."""
    return start + 4.0 * middle + end


@helper
def widened(high: float, low: float, a: float, b: float, c: float) -> tuple[float, float]:
    """Return the extremes with those of a substep, whose start, middle and end are a, b and c."""
    top, bottom = max(b, c), min(b, c)
    if (b - a) * (c - b) < 0.0:
        vertex = b - (c - a) * (c - a) / (8.0 * (a - 2.0 * b + c))
        top, bottom = max(top, vertex), min(bottom, vertex)
    return max(high, top), min(low, bottom)


@routine
def integrate_meters(it: Ints, ft: Floats, s: Floats, w: Floats, z0: int, z1: int, step: float) -> None:
    """Add one substep to every meter by Simpson's rule, and its absolute value to the throughput.

    The three z vectors lie at `z0`, `at.ZM` and `z1`. Indices are unsigned where a signed one would cost
    a test for a negative index in every access.
    """
    meters, slot, zm = it[at.METERS], it[at.METER_SLOT], it[at.ZM]
    i, f = np.uint64(it[at.POWER_INT]), np.uint64(it[at.POWER_FLOAT])
    u0, um, u1, three = np.uint64(z0), np.uint64(zm), np.uint64(z1), np.uint64(3)
    first, one = np.uint64(it[at.METER_FIRST]), np.uint64(1)
    sixth = step / 6.0
    for meter in range(meters):
        start, middle, end = 0.0, 0.0, 0.0
        for _ in range(it[first + one] - it[first]):
            a, b, value = np.uint64(it[i + one]), np.uint64(it[i + one + one]), ft[f]
            if it[i] == PRODUCT:
                start += value * (w[u0 + a] * w[u0 + b])
                middle += value * (w[um + a] * w[um + b])
                end += value * (w[u1 + a] * w[u1 + b])
            else:
                start += power(it[i], value, w[u0 + a], w[u0 + b])
                middle += power(it[i], value, w[um + a], w[um + b])
                end += power(it[i], value, w[u1 + a], w[u1 + b])
            i, f = i + three, f + one
        first += one
        s[slot + meter] += sixth * mean_power(start, middle, end)
        s[slot + meters + meter] += sixth * mean_power(abs(start), abs(middle), abs(end))


@helper
def keep_peaks(it: Ints, s: Floats, w: Floats, z0: int, z1: int) -> None:
    """Keep the extremes of the watched quantities, with the vertex of the parabola through a substep."""
    zm, slot = it[at.ZM], it[at.PEAK_SLOT]
    for k in range(it[at.PEAKS]):
        index = it[it[at.PEAK_READ] + k]
        high, low = s[slot + 2 * k], s[slot + 2 * k + 1]
        s[slot + 2 * k], s[slot + 2 * k + 1] = widened(high, low, w[z0 + index], w[zm + index], w[z1 + index])
