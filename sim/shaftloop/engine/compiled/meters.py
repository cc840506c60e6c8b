"""Energy meters and peaks: integrated with the state, from the start, middle and end of each substep."""

import math

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import for_all, for_lanes, lane_of

__all__ = ["PRODUCT", "integrate_meters", "keep_peaks", "power"]

PRODUCT, _AMPLITUDE, _LINK = 0, 1, 2

_Three = tuple[int, int, int]
"""Places in w of a z vector, or of a quantity, at the start, in the middle and at the end of a substep."""


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

    The three z vectors lie at `z0`, `at.ZM` and `z1`. Meters of one product or two, which most are, go in
    runs of several; the others add up in the work vector.
    """
    z, meters, sums, sixth = (z0, it[at.ZM], z1), it[at.METERS], it[at.SUMS], step / 6.0
    i, f, slot = it[at.POWER_INT], it[at.POWER_FLOAT], it[at.METER_SLOT]
    for run in range(it[at.METER_RUN], it[at.METER_RUN] + 2 * it[at.METER_RUNS], 2):
        count, powers = it[run], it[run + 1]
        if powers == 1:
            for_all(_one_product, count, (it, ft, s, w, i, f, z, (slot, slot + meters), sixth))
        elif powers == 2:
            for_all(_two_products, count, (it, ft, s, w, i, f, z, (slot, slot + meters), sixth))
        else:
            for meter in range(count):
                for_lanes(_clear, (w, sums))
                for k in range(abs(powers) * meter, abs(powers) * (meter + 1)):
                    kind, a, b = it[i + 3 * k], it[i + 3 * k + 1], it[i + 3 * k + 2]
                    one, two = (z[0] + a, z[1] + a, z[2] + a), (z[0] + b, z[1] + b, z[2] + b)
                    if kind == PRODUCT:
                        for_lanes(_add_product, (ft, w, f + k, one, two, sums))
                    else:
                        for_lanes(_add_power, (ft, w, kind, f + k, one, two, sums))
                for_lanes(_add_energy, (s, w, sums, (slot + meter, slot + meters + meter), sixth))
        i, f, slot = i + 3 * abs(powers) * count, f + abs(powers) * count, slot + count


@helper
def _add(s: Floats, slots: tuple[int, int], start: float, middle: float, end: float, sixth: float) -> None:
    s[slots[0]] += sixth * _mean(start, middle, end)
    s[slots[1]] += sixth * _mean(abs(start), abs(middle), abs(end))


@helper
def _one_product(
    lane: int,
    k: int,
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    i: int,
    f: int,
    z: _Three,
    slots: tuple[int, int],
    h: float,
) -> None:
    value, v = lane_of(ft, lane)[f + k], lane_of(w, lane)
    a, b = it[i + 3 * k + 1], it[i + 3 * k + 2]
    start = value * (v[z[0] + a] * v[z[0] + b])  # a zero of either sign adds nothing: no sum from 0 is needed
    middle = value * (v[z[1] + a] * v[z[1] + b])
    end = value * (v[z[2] + a] * v[z[2] + b])
    _add(lane_of(s, lane), (slots[0] + k, slots[1] + k), start, middle, end, h)


@helper
def _two_products(
    lane: int,
    k: int,
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    i: int,
    f: int,
    z: _Three,
    slots: tuple[int, int],
    h: float,
) -> None:
    one, two, v = lane_of(ft, lane)[f + 2 * k], lane_of(ft, lane)[f + 2 * k + 1], lane_of(w, lane)
    a, b, c, d = it[i + 6 * k + 1], it[i + 6 * k + 2], it[i + 6 * k + 4], it[i + 6 * k + 5]
    start = one * (v[z[0] + a] * v[z[0] + b]) + two * (v[z[0] + c] * v[z[0] + d])
    middle = one * (v[z[1] + a] * v[z[1] + b]) + two * (v[z[1] + c] * v[z[1] + d])
    end = one * (v[z[2] + a] * v[z[2] + b]) + two * (v[z[2] + c] * v[z[2] + d])
    _add(lane_of(s, lane), (slots[0] + k, slots[1] + k), start, middle, end, h)


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
    for_all(_widen, it[at.PEAKS], (it, s, w, (z0, it[at.ZM], z1), it[at.PEAK_READ], it[at.PEAK_SLOT]))


@helper
def _widen(lane: int, k: int, it: Ints, s: Floats, w: Floats, z: _Three, read: int, slot: int) -> None:
    u, v, index, slot = lane_of(s, lane), lane_of(w, lane), it[read + k], slot + 2 * k
    a, b, c = v[z[0] + index], v[z[1] + index], v[z[2] + index]
    top, bottom = max(b, c), min(b, c)
    bend = a - 2.0 * b + c
    if abs(c - a) < 2.0 * abs(bend):
        vertex = b - (c - a) * (c - a) / (8.0 * bend)
        top, bottom = max(top, vertex), min(bottom, vertex)
    u[slot] = max(u[slot], top)
    u[slot + 1] = min(u[slot + 1], bottom)
