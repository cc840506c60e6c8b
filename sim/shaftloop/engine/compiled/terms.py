"""The nonlinear terms, kind by kind in a fixed order; each equation stands with its part.

A term reads states, and outputs of what parts bring along: that comes first, in the order in which it was
declared. Its row in the integer table holds the indices in z of what it reads, then of what it writes; rows
of kinds whose terms differ in length begin with the numbers of their reads and floats. The terms of a DC link
(`engine.compiled.linkterms`) come last, for they read outputs of others and held inputs as well.
"""

import math

from shaftloop.engine import at
from shaftloop.engine.compiled.linkterms import evaluate_link
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.own import ROOM, call_at, room
from shaftloop.kernels.views import flat, for_lanes, lane_of, one_by_one, width
from shaftloop_models.drag import SATURATED, coulomb_torque, windage_torque
from shaftloop_models.harmonics import cosine
from shaftloop_models.misalignment import error_slope
from shaftloop_models.network import TermKind
from shaftloop_models.pm_machine import dq_coupling, reluctance_torque

__all__ = ["OF_ANY_LENGTH", "TERMS", "evaluate_terms", "own_terms"]

TERMS = {
    TermKind.COULOMB: at.COULOMBS,
    TermKind.WINDAGE: at.WINDAGES,
    TermKind.DQ_COUPLING: at.COUPLINGS,
    TermKind.RELUCTANCE_TORQUE: at.RELUCTANCES,
    TermKind.RIPPLE: at.RIPPLES,
    TermKind.MISALIGNMENT: at.MISALIGNMENTS,
    TermKind.INVERTER: at.INVERTERS,
    TermKind.LINK: at.LINKS,
    TermKind.BRIDGE: at.BRIDGES,
    TermKind.CHOPPER: at.CHOPPERS,
    TermKind.SWITCHES: at.SWITCHES,
}
"""The kinds that `evaluate_terms` knows: word of their number; rows and floats are in the two behind it."""

_CERTAIN = SATURATED * (1.0 + 1e-12)
"""Speed over smoothing whose quotient, however rounded, is at least `SATURATED`."""

OF_ANY_LENGTH = frozenset({TermKind.RIPPLE, TermKind.MISALIGNMENT})
"""Kinds whose rows begin with the numbers of their reads and floats."""


@routine
def evaluate_terms(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs in the z vector at `z` from the states in it."""
    if it[at.OWNS] > 0:
        one_by_one(own_terms, (it, ft, w, z))
    i, f = it[at.COULOMB_INT], it[at.COULOMB_FLOAT]
    full = True
    for _ in range(it[at.COULOMBS]):
        full &= _saturated(ft, w, z + it[i], f)
        for_lanes(_full_drag, (it, ft, w, z, i, f))
        i, f = i + 2, f + 2
    if not full:
        _drags(it, ft, w, z)
    i, f = it[at.WINDAGE_INT], it[at.WINDAGE_FLOAT]
    for _ in range(it[at.WINDAGES]):
        for_lanes(_windage, (it, ft, w, z, i, f))
        i, f = i + 2, f + 1
    i, f = it[at.COUPLING_INT], it[at.COUPLING_FLOAT]
    for _ in range(it[at.COUPLINGS]):
        for_lanes(_coupling, (it, ft, w, z, i, f))
        i, f = i + 5, f + 2
    i, f = it[at.RELUCTANCE_INT], it[at.RELUCTANCE_FLOAT]
    for _ in range(it[at.RELUCTANCES]):
        for_lanes(_reluctance, (it, ft, w, z, i, f))
        i, f = i + 3, f + 1
    if it[at.RIPPLES] + it[at.MISALIGNMENTS] > 0:
        one_by_one(_angle_terms, (it, ft, w, z))
    if it[at.LINKS] > 0:
        evaluate_link(it, ft, w, z)


@helper
def _saturated(ft: Floats, w: Floats, slot: int, f: int) -> bool:
    """Return whether the drag has its full size in all lanes for certain, which needs no division."""
    full, v, p, n = True, flat(w), flat(ft), width(w)
    for i in range(n):
        full &= abs(v[slot * n + i]) >= _CERTAIN * p[(f + 1) * n + i]
    return full


@helper
def _full_drag(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 1]] = p[f] * math.copysign(1.0, v[z + it[i]])


@routine
def _drags(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill in the drags where a body turns slowly."""
    i, f = it[at.COULOMB_INT], it[at.COULOMB_FLOAT]
    for _ in range(it[at.COULOMBS]):
        for_lanes(_drag, (it, ft, w, z, i, f))
        i, f = i + 2, f + 2


@helper
def _drag(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 1]] = coulomb_torque(v[z + it[i]], p[f], p[f + 1])


@helper
def _windage(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 1]] = windage_torque(v[z + it[i]], p[f])


@helper
def _coupling(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v, out = lane_of(ft, lane), lane_of(w, lane), z + it[i + 3]
    speed, d, q = v[z + it[i]], v[z + it[i + 1]], v[z + it[i + 2]]
    v[out], v[out + 1] = dq_coupling(speed, d, q, p[f], p[f + 1])


@helper
def _reluctance(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 2]] = reluctance_torque(v[z + it[i]], v[z + it[i + 1]], p[f])


@helper
def _sum(it: Ints, v: Floats, z: int, first: int, end: int) -> float:
    """Return the sum of the states in z that a stretch of the integer table lists."""
    total = 0.0
    for j in range(first, end):
        total += v[z + it[j]]
    return total


@routine
def _angle_terms(lane: int, it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs of one lane that depend on the angle of the line; most benches have none."""
    p, v = lane_of(ft, lane), lane_of(w, lane)
    i, f = it[at.RIPPLE_INT], it[at.RIPPLE_FLOAT]
    for _ in range(it[at.RIPPLES]):
        i, end, last = i + 2, i + 2 + it[i], f + it[i + 1]
        q, d = v[z + it[i]], v[z + it[i + 1]]
        angle = v[z + it[i + 2]] - _sum(it, v, z, i + 3, end)
        made = p[f] * q + p[f + 1] * d * q
        torque = 0.0
        for n in range(f + 2, last, 4):
            torque += (p[n + 2] + p[n + 3] * made) * cosine(p[n] * angle + p[n + 1])
        v[z + it[end]] = torque
        i, f = end + 1, last
    i, f = it[at.MISALIGNMENT_INT], it[at.MISALIGNMENT_FLOAT]
    for _ in range(it[at.MISALIGNMENTS]):
        i, end, last = i + 2, i + 2 + it[i], f + it[i + 1]
        twists = i + 4 + int(p[f + 4])
        angle = v[z + it[i + 1]] - _sum(it, v, z, twists, end)
        force = p[f] * _sum(it, v, z, i + 2, i + 4) + _sum(it, v, z, i + 4, twists)
        slope = error_slope(p[f + 5] * angle, p[f + 1], p[f + 2], p[f + 3])
        v[z + it[end]] = slope * v[z + it[i]]
        v[z + it[end + 1]] = slope * force
        i, f = end + 2, last


@routine
def own_terms(lane: int, it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs of one lane whose equations parts bring along."""
    p, v, x = lane_of(ft, lane), lane_of(w, lane), room()
    i, f = it[at.OWN_INT], it[at.OWN_FLOAT]
    for _ in range(it[at.OWNS]):
        reads, writes = i + 4, i + 4 + it[i + 1]
        for j in range(it[i + 1]):
            x[j] = v[z + it[reads + j]]
        for j in range(it[i + 2]):
            x[ROOM + j] = p[f + j]
        call_at(it[i], x)
        for j in range(it[i + 3]):
            v[z + it[writes + j]] = x[2 * ROOM + j]
        i, f = writes + it[i + 3], f + it[i + 2]
