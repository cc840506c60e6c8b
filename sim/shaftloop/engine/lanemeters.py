"""Energy meters and peaks in all lanes; see `engine.meters`."""

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.laneviews import for_lanes, lane_of
from shaftloop.engine.meters import PRODUCT, mean_power, power, widened
from shaftloop.engine.types import Floats, Ints

__all__ = ["add_meters", "widen_peaks"]


@routine
def add_meters(
    it: Ints, fl: Floats, s: Floats, w: Floats, z: tuple[int, int], step: float, sums: int
) -> None:
    """Add one substep to every meter of every lane.

    Parameters
    ----------
    it, fl, s, w : ndarray
        As in `lanekernel.advance_lanes`.
    z : tuple of int
        Places of z at the start and at the end of the substep.
    step : float
        [s]
    sums : int
        Three slots in w to calculate in.
    """
    (z0, z1), zm = z, it[at.ZM]
    meters, slot, sixth = it[at.METERS], it[at.METER_SLOT], step / 6.0
    i, f, first = it[at.POWER_INT], it[at.POWER_FLOAT], it[at.METER_FIRST]
    for meter in range(meters):
        powers = it[first + meter + 1] - it[first + meter]
        energy = (slot + meter, slot + meters + meter)
        a, b = it[i + 1], it[i + 2]
        if powers == 1 and it[i] == PRODUCT:
            for_lanes(
                _one_product, (fl, s, w, f, (z0 + a, zm + a, z1 + a), (z0 + b, zm + b, z1 + b), energy, sixth)
            )
        elif powers == 2 and it[i] == PRODUCT and it[i + 3] == PRODUCT:
            c, d = it[i + 4], it[i + 5]
            at_a, at_b = (z0 + a, zm + a, z1 + a), (z0 + b, zm + b, z1 + b)
            at_c, at_d = (z0 + c, zm + c, z1 + c), (z0 + d, zm + d, z1 + d)
            for_lanes(_two_products, (fl, s, w, f, at_a, at_b, at_c, at_d, energy, sixth))
        else:
            for_lanes(_clear, (w, sums))
            for k in range(powers):
                kind, a, b = it[i + 3 * k], it[i + 3 * k + 1], it[i + 3 * k + 2]
                at_a, at_b = (z0 + a, zm + a, z1 + a), (z0 + b, zm + b, z1 + b)
                if kind == PRODUCT:
                    for_lanes(_add_product, (fl, w, f + k, at_a, at_b, sums))
                else:
                    for_lanes(_add_power, (fl, w, kind, f + k, at_a, at_b, sums))
            for_lanes(_add_energy, (s, w, sums, energy, sixth))
        i, f = i + 3 * powers, f + powers


_Places = tuple[int, int, int]


@helper
def _one_product(
    lane: int,
    fl: Floats,
    s: Floats,
    w: Floats,
    f: int,
    a: _Places,
    b: _Places,
    slots: tuple[int, int],
    sixth: float,
) -> None:
    """Do the whole of a meter that has one product only."""
    value, v, u = lane_of(fl, lane)[f], lane_of(w, lane), lane_of(s, lane)
    start = value * (v[a[0]] * v[b[0]])  # a zero of either sign adds nothing, so no sum from 0 is needed
    middle = value * (v[a[1]] * v[b[1]])
    end = value * (v[a[2]] * v[b[2]])
    u[slots[0]] += sixth * mean_power(start, middle, end)
    u[slots[1]] += sixth * mean_power(abs(start), abs(middle), abs(end))


@helper
def _two_products(
    lane: int,
    fl: Floats,
    s: Floats,
    w: Floats,
    f: int,
    a: _Places,
    b: _Places,
    c: _Places,
    d: _Places,
    slots: tuple[int, int],
    sixth: float,
) -> None:
    """Do the whole of a meter that has two products."""
    p, v, u = lane_of(fl, lane), lane_of(w, lane), lane_of(s, lane)
    one, two = p[f], p[f + 1]
    start = one * (v[a[0]] * v[b[0]]) + two * (v[c[0]] * v[d[0]])
    middle = one * (v[a[1]] * v[b[1]]) + two * (v[c[1]] * v[d[1]])
    end = one * (v[a[2]] * v[b[2]]) + two * (v[c[2]] * v[d[2]])
    u[slots[0]] += sixth * mean_power(start, middle, end)
    u[slots[1]] += sixth * mean_power(abs(start), abs(middle), abs(end))


@helper
def _clear(lane: int, w: Floats, sums: int) -> None:
    v = lane_of(w, lane)
    v[sums] = 0.0
    v[sums + 1] = 0.0
    v[sums + 2] = 0.0


@helper
def _add_product(lane: int, fl: Floats, w: Floats, f: int, a: _Places, b: _Places, sums: int) -> None:
    value, v = lane_of(fl, lane)[f], lane_of(w, lane)
    v[sums] += value * (v[a[0]] * v[b[0]])
    v[sums + 1] += value * (v[a[1]] * v[b[1]])
    v[sums + 2] += value * (v[a[2]] * v[b[2]])


@helper
def _add_power(
    lane: int, fl: Floats, w: Floats, kind: int, f: int, a: _Places, b: _Places, sums: int
) -> None:
    value, v = lane_of(fl, lane)[f], lane_of(w, lane)
    v[sums] += power(kind, value, v[a[0]], v[b[0]])
    v[sums + 1] += power(kind, value, v[a[1]], v[b[1]])
    v[sums + 2] += power(kind, value, v[a[2]], v[b[2]])


@helper
def _add_energy(lane: int, s: Floats, w: Floats, sums: int, slots: tuple[int, int], sixth: float) -> None:
    v, u = lane_of(w, lane), lane_of(s, lane)
    start, middle, end = v[sums], v[sums + 1], v[sums + 2]
    u[slots[0]] += sixth * mean_power(start, middle, end)
    u[slots[1]] += sixth * mean_power(abs(start), abs(middle), abs(end))


@helper
def widen_peaks(it: Ints, s: Floats, w: Floats, z0: int, z1: int) -> None:
    """Keep the extremes of the watched quantities of every lane."""
    zm, slot = it[at.ZM], it[at.PEAK_SLOT]
    for k in range(it[at.PEAKS]):
        index = it[it[at.PEAK_READ] + k]
        for_lanes(_widen, (s, w, (z0 + index, zm + index, z1 + index), slot + 2 * k))


@helper
def _widen(lane: int, s: Floats, w: Floats, z: _Places, slot: int) -> None:
    v, u = lane_of(w, lane), lane_of(s, lane)
    u[slot], u[slot + 1] = widened(u[slot], u[slot + 1], v[z[0]], v[z[1]], v[z[2]])
