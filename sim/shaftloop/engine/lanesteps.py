"""One substep of the plant in all lanes by the exponential stepper.

Same stages, same places in state and work vector, same scalar equations as in `engine.steppers` and
`engine.terms`; the products are those of `engine.laneproducts`.
"""

import math

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.laneproducts import add_blocks
from shaftloop.engine.lanetables import BASE, END, GAP_ENTRIES, LAST, MIDDLE, PRODUCT_WORDS, SIGNAL, ZEROS
from shaftloop.engine.laneviews import LANES, for_lanes, lane_of
from shaftloop.engine.terms import angle_terms
from shaftloop.engine.types import Floats, Ints
from shaftloop_models.drag import SATURATED, smooth_sign, windage_torque
from shaftloop_models.network import TermKind
from shaftloop_models.pm_machine import dq_coupling, reluctance_torque

__all__ = ["TERMS", "copy_slots", "etd4_lanes", "set_z_lanes"]

TERMS = frozenset(
    {
        TermKind.COULOMB,
        TermKind.WINDAGE,
        TermKind.DQ_COUPLING,
        TermKind.RELUCTANCE_TORQUE,
        TermKind.RIPPLE,
        TermKind.MISALIGNMENT,
    }
)
"""The kinds of terms that lanes know; a bench with another one runs singly."""


_OWN = -1
"""Mask of a product whose rows begin with values of their own; 0 where all begin with the same."""


@helper
def copy_slots(source: Floats, first: int, target: Floats, place: int, count: int) -> None:
    """Copy slots of all lanes."""
    a, b = np.uint64(first * LANES), np.uint64(place * LANES)
    for i in range(np.uint64(count * LANES)):
        target[b + i] = source[a + i]


@helper
def _subtract(w: Floats, target: int, outputs: int, before: int, count: int) -> None:
    a, b, c = np.uint64(outputs * LANES), np.uint64(before * LANES), np.uint64(target * LANES)
    for i in range(np.uint64(count * LANES)):
        w[c + i] = w[a + i] - w[b + i]


@helper
def _product(
    lt: Ints,
    et: Floats,
    product: int,
    gap: int,
    vector: tuple[Floats, int],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    word = PRODUCT_WORDS * product
    entry = gap * lt[GAP_ENTRIES] + lt[word + 2]
    add_blocks(lt, lt[word], lt[word + 1], et, entry, vector, before, out)


@routine
def set_z_lanes(it: Ints, lt: Ints, et: Floats, fl: Floats, s: Floats, w: Floats, z: int) -> None:
    """Fill the z vector at `z` from the state."""
    copy_slots(s, 0, w, z + it[at.R], it[at.N] + it[at.M])
    _product(lt, et, SIGNAL, 0, (w, z + it[at.R]), (w, lt[ZEROS], 0), (w, z))
    _terms(it, fl, w, z)


@routine
def etd4_lanes(
    it: Ints, lt: Ints, et: Floats, fl: Floats, s: Floats, w: Floats, gap: int, ends: tuple[int, int]
) -> None:
    """Advance the plant states by one substep of a gap; see `steppers.etd4_step`."""
    z0, z1 = ends
    n, m, q, r, zm, zc = it[at.N], it[at.M], it[at.Q], it[at.R], it[at.ZM], it[at.ZC]
    base, change, zeros = it[at.BASE], it[at.CHANGE], lt[ZEROS]
    out = r + n + m
    _product(lt, et, BASE, gap, (w, z0 + r), (w, zeros, 0), (w, base))
    _terms(it, fl, w, zm)

    _subtract(w, change, zm + out, z0 + out, q)
    _product(lt, et, MIDDLE, gap, (w, change), (w, zm + r, _OWN), (w, zm + r))
    copy_slots(s, n, w, zm + r + n, m)
    _product(lt, et, SIGNAL, 0, (w, zm + r), (w, zeros, 0), (w, zm))
    _terms(it, fl, w, zm)

    _subtract(w, change + q, zm + out, z0 + out, q)
    copy_slots(w, base, w, zc + r, n)
    _product(lt, et, LAST, gap, (w, change + q), (w, base, _OWN), (w, zc + r))
    _terms(it, fl, w, zc)

    a, b = np.uint64(change * LANES), np.uint64((change + q) * LANES)
    for i in range(np.uint64(q * LANES)):
        w[a + i] += w[b + i]
    _subtract(w, change + q, zc + out, z0 + out, q)
    copy_slots(w, base, s, 0, n)
    _product(lt, et, END, gap, (w, change), (w, base, _OWN), (s, 0))
    set_z_lanes(it, lt, et, fl, s, w, z1)


@helper
def _terms(it: Ints, fl: Floats, w: Floats, z: int) -> None:
    """Fill the outputs in the z vector at `z` from the states in it."""
    i, f = it[at.COULOMB_INT], it[at.COULOMB_FLOAT]
    for _ in range(it[at.COULOMBS]):
        for_lanes(_ratio, (fl, w, f, z + it[i], z + it[i + 1]))
        if _saturated(w, z + it[i + 1]):
            for_lanes(_full_drag, (fl, w, f, z + it[i + 1]))
        else:
            for_lanes(_drag, (fl, w, f, z + it[i + 1]))
        i, f = i + 2, f + 2
    i, f = it[at.WINDAGE_INT], it[at.WINDAGE_FLOAT]
    for _ in range(it[at.WINDAGES]):
        for_lanes(_windage, (fl, w, f, z + it[i], z + it[i + 1]))
        i, f = i + 2, f + 1
    i, f = it[at.COUPLING_INT], it[at.COUPLING_FLOAT]
    for _ in range(it[at.COUPLINGS]):
        for_lanes(_coupling, (fl, w, f, z + it[i], z + it[i + 1], z + it[i + 2], z + it[i + 3]))
        i, f = i + 5, f + 3
    i, f = it[at.RELUCTANCE_INT], it[at.RELUCTANCE_FLOAT]
    for _ in range(it[at.RELUCTANCES]):
        for_lanes(_reluctance, (fl, w, f, z + it[i], z + it[i + 1], z + it[i + 2]))
        i, f = i + 3, f + 1
    if it[at.RIPPLES] + it[at.MISALIGNMENTS] > 0:
        for lane in range(LANES):
            angle_terms(it, lane_of(fl, lane), lane_of(w, lane), z)


@helper
def _ratio(lane: int, fl: Floats, w: Floats, f: int, speed: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out] = z[speed] / p[f + 1]


@helper
def _saturated(w: Floats, slot: int) -> bool:
    """Return whether the drag has its full size in all lanes."""
    full = True
    for i in range(slot * LANES, (slot + 1) * LANES):
        full &= abs(w[i]) >= SATURATED
    return full


@helper
def _full_drag(lane: int, fl: Floats, w: Floats, f: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out] = p[f] * math.copysign(1.0, z[out])


@helper
def _drag(lane: int, fl: Floats, w: Floats, f: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out] = p[f] * smooth_sign(z[out])


@helper
def _windage(lane: int, fl: Floats, w: Floats, f: int, speed: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out] = windage_torque(z[speed], p[f])


@helper
def _coupling(lane: int, fl: Floats, w: Floats, f: int, speed: int, d: int, q: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out], z[out + 1] = dq_coupling(z[speed], z[d], z[q], p[f], p[f + 1], p[f + 2])


@helper
def _reluctance(lane: int, fl: Floats, w: Floats, f: int, d: int, q: int, out: int) -> None:
    p, z = lane_of(fl, lane), lane_of(w, lane)
    z[out] = reluctance_torque(z[d], z[q], p[f])
