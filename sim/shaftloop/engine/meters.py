"""Energy meters and peaks: integrated with the state, from the start, middle and end of each substep."""

import math

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.types import Floats, Ints
from shaftloop.engine.views import for_lanes, lane_of

__all__ = ["PRODUCT", "integrate_meters", "keep_peaks", "power"]

PRODUCT, _AMPLITUDE, _LINK = 0, 1, 2

_Three = tuple[int, int, int]
"""Places in w of a quantity at the start, in the middle and at the end of a substep."""


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
def _mean(start: float, middle: float, end: float) -> float:
    """Return six times the mean power of a substep by Simpson's rule [W]."""
    return start + 4.0 * middle + end


@routine
def integrate_meters(it: Ints, ft: Floats, s: Floats, w: Floats, z0: int, z1: int, step: float) -> None:
    """Add one substep to every meter by Simpson's rule, and its absolute value to the throughput.

    The three z vectors lie at `z0`, `at.ZM` and `z1`. Most meters have one product or two, which are done at
    once; the others add up in the work vector.
    """
    zm, meters, slot, sums, sixth = it[at.ZM], it[at.METERS], it[at.METER_SLOT], it[at.SUMS], step / 6.0
    i, f, first = it[at.POWER_INT], it[at.POWER_FLOAT], it[at.METER_FIRST]
    for meter in range(meters):
        powers = it[first + meter + 1] - it[first + meter]
        energy = (slot + meter, slot + meters + meter)
        a, b = it[i + 1], it[i + 2]
        one, two = (z0 + a, zm + a, z1 + a), (z0 + b, zm + b, z1 + b)
        if powers == 1 and it[i] == PRODUCT:
            for_lanes(_one_product, (ft, s, w, f, one, two, energy, sixth))
        elif powers == 2 and it[i] == PRODUCT and it[i + 3] == PRODUCT:
            c, d = it[i + 4], it[i + 5]
            three, four = (z0 + c, zm + c, z1 + c), (z0 + d, zm + d, z1 + d)
            for_lanes(_two_products, (ft, s, w, f, one, two, three, four, energy, sixth))
        else:
            for_lanes(_clear, (w, sums))
            for k in range(powers):
                kind, a, b = it[i + 3 * k], it[i + 3 * k + 1], it[i + 3 * k + 2]
                one, two = (z0 + a, zm + a, z1 + a), (z0 + b, zm + b, z1 + b)
                if kind == PRODUCT:
                    for_lanes(_add_product, (ft, w, f + k, one, two, sums))
                else:
                    for_lanes(_add_power, (ft, w, kind, f + k, one, two, sums))
            for_lanes(_add_energy, (s, w, sums, energy, sixth))
        i, f = i + 3 * powers, f + powers


@helper
def _add(s: Floats, slots: tuple[int, int], start: float, middle: float, end: float, sixth: float) -> None:
    s[slots[0]] += sixth * _mean(start, middle, end)
    s[slots[1]] += sixth * _mean(abs(start), abs(middle), abs(end))


@helper
def _one_product(
    lane: int,
    ft: Floats,
    s: Floats,
    w: Floats,
    f: int,
    a: _Three,
    b: _Three,
    slots: tuple[int, int],
    h: float,
) -> None:
    value, v = lane_of(ft, lane)[f], lane_of(w, lane)
    start = value * (v[a[0]] * v[b[0]])  # a zero of either sign adds nothing, so no sum from 0 is needed
    middle = value * (v[a[1]] * v[b[1]])
    _add(lane_of(s, lane), slots, start, middle, value * (v[a[2]] * v[b[2]]), h)


@helper
def _two_products(
    lane: int,
    ft: Floats,
    s: Floats,
    w: Floats,
    f: int,
    a: _Three,
    b: _Three,
    c: _Three,
    d: _Three,
    slots: tuple[int, int],
    h: float,
) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    one, two = p[f], p[f + 1]
    start = one * (v[a[0]] * v[b[0]]) + two * (v[c[0]] * v[d[0]])
    middle = one * (v[a[1]] * v[b[1]]) + two * (v[c[1]] * v[d[1]])
    end = one * (v[a[2]] * v[b[2]]) + two * (v[c[2]] * v[d[2]])
    _add(lane_of(s, lane), slots, start, middle, end, h)


@helper
def _clear(lane: int, w: Floats, sums: int) -> None:
    v = lane_of(w, lane)
    v[sums] = 0.0
    v[sums + 1] = 0.0
    v[sums + 2] = 0.0


@helper
def _add_product(lane: int, ft: Floats, w: Floats, f: int, a: _Three, b: _Three, sums: int) -> None:
    value, v = lane_of(ft, lane)[f], lane_of(w, lane)
    v[sums] += value * (v[a[0]] * v[b[0]])
    v[sums + 1] += value * (v[a[1]] * v[b[1]])
    v[sums + 2] += value * (v[a[2]] * v[b[2]])


@helper
def _add_power(lane: int, ft: Floats, w: Floats, kind: int, f: int, a: _Three, b: _Three, sums: int) -> None:
    value, v = lane_of(ft, lane)[f], lane_of(w, lane)
    v[sums] += power(kind, value, v[a[0]], v[b[0]])
    v[sums + 1] += power(kind, value, v[a[1]], v[b[1]])
    v[sums + 2] += power(kind, value, v[a[2]], v[b[2]])


@helper
def _add_energy(lane: int, s: Floats, w: Floats, sums: int, slots: tuple[int, int], h: float) -> None:
    v = lane_of(w, lane)
    _add(lane_of(s, lane), slots, v[sums], v[sums + 1], v[sums + 2], h)


@helper
def keep_peaks(it: Ints, s: Floats, w: Floats, z0: int, z1: int) -> None:
    """Keep the extremes of the watched quantities, with the vertex of the parabola through a substep."""
    zm, slot = it[at.ZM], it[at.PEAK_SLOT]
    for k in range(it[at.PEAKS]):
        index = it[it[at.PEAK_READ] + k]
        for_lanes(_widen, (s, w, (z0 + index, zm + index, z1 + index), slot + 2 * k))


@helper
def _widen(lane: int, s: Floats, w: Floats, z: _Three, slot: int) -> None:
    u, v = lane_of(s, lane), lane_of(w, lane)
    a, b, c = v[z[0]], v[z[1]], v[z[2]]
    top, bottom = max(b, c), min(b, c)
    bend = a - 2.0 * b + c
    if abs(c - a) < 2.0 * abs(bend):
        vertex = b - (c - a) * (c - a) / (8.0 * bend)
        top, bottom = max(top, vertex), min(bottom, vertex)
    u[slot] = max(u[slot], top)
    u[slot + 1] = min(u[slot + 1], bottom)
