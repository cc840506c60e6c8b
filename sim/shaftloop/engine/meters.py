"""Energy meters and peaks: integrated with the state, from the start, middle and end of each substep."""

import math

from shaftloop.engine import at
from shaftloop.engine.cache import helper
from shaftloop.engine.types import Floats, Ints

__all__ = ["integrate_meters", "keep_peaks"]

_PRODUCT, _AMPLITUDE, _LINK = 0, 1, 2


@helper
def _power(kind: int, value: float, a: float, b: float) -> float:
    """Return one power of `PowerKind`. [W]"""
    if kind == _PRODUCT:
        return value * (a * b)
    if kind == _AMPLITUDE:
        return value * math.sqrt(a * a + b * b)
    shaft = a * b
    link = shaft / value if shaft > 0.0 else shaft * value
    return link if kind == _LINK else abs(link - shaft)


@helper
def integrate_meters(it: Ints, ft: Floats, s: Floats, w: Floats, step: float) -> None:
    """Add one substep to every meter by Simpson's rule, and its absolute value to the throughput."""
    meters, slot, z0, zm, z1 = it[at.METERS], it[at.METER_SLOT], it[at.Z0], it[at.ZM], it[at.Z1]
    i, f, first = it[at.POWER_INT], it[at.POWER_FLOAT], it[at.METER_FIRST]
    sixth = step / 6.0
    for meter in range(meters):
        start, middle, end = 0.0, 0.0, 0.0
        for _ in range(it[first + meter + 1] - it[first + meter]):
            kind, a, b, value = it[i], it[i + 1], it[i + 2], ft[f]
            if kind == _PRODUCT:
                start += value * (w[z0 + a] * w[z0 + b])
                middle += value * (w[zm + a] * w[zm + b])
                end += value * (w[z1 + a] * w[z1 + b])
            else:
                start += _power(kind, value, w[z0 + a], w[z0 + b])
                middle += _power(kind, value, w[zm + a], w[zm + b])
                end += _power(kind, value, w[z1 + a], w[z1 + b])
            i, f = i + 3, f + 1
        s[slot + meter] += sixth * (start + 4.0 * middle + end)
        s[slot + meters + meter] += sixth * (abs(start) + 4.0 * abs(middle) + abs(end))


@helper
def keep_peaks(it: Ints, s: Floats, w: Floats) -> None:
    """Keep the extremes of the watched quantities, with the vertex of the parabola through a substep."""
    z0, zm, z1, slot = it[at.Z0], it[at.ZM], it[at.Z1], it[at.PEAK_SLOT]
    for k in range(it[at.PEAKS]):
        index = it[it[at.PEAK_READ] + k]
        a, b, c = w[z0 + index], w[zm + index], w[z1 + index]
        high, low = max(b, c), min(b, c)
        if (b > a and b > c) or (b < a and b < c):
            vertex = b - (c - a) * (c - a) / (8.0 * (a - 2.0 * b + c))
            high, low = max(high, vertex), min(low, vertex)
        s[slot + 2 * k] = max(s[slot + 2 * k], high)
        s[slot + 2 * k + 1] = min(s[slot + 2 * k + 1], low)
