"""The nonlinear terms, kind by kind in a fixed order; each equation stands with its part."""

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.types import Floats, Ints
from shaftloop_models.drag import coulomb_torque, windage_torque
from shaftloop_models.harmonics import cosine
from shaftloop_models.misalignment import error_slope
from shaftloop_models.pm_machine import dq_coupling, reluctance_torque

__all__ = ["angle_terms", "evaluate_terms"]


@helper
def evaluate_terms(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs in the z vector at `z` from the states in it.

    Indices are unsigned, because a signed one costs a test for a negative index in every access.
    """
    u, one = np.uint64(z), np.uint64(1)
    i, f = np.uint64(it[at.COULOMB_INT]), np.uint64(it[at.COULOMB_FLOAT])
    for _ in range(it[at.COULOMBS]):
        speed, out = w[u + np.uint64(it[i])], np.uint64(it[i + one])
        w[u + out] = coulomb_torque(speed, ft[f], ft[f + one])
        i, f = i + np.uint64(2), f + np.uint64(2)
    i, f = np.uint64(it[at.WINDAGE_INT]), np.uint64(it[at.WINDAGE_FLOAT])
    for _ in range(it[at.WINDAGES]):
        w[u + np.uint64(it[i + one])] = windage_torque(w[u + np.uint64(it[i])], ft[f])
        i, f = i + np.uint64(2), f + one
    i, f = np.uint64(it[at.COUPLING_INT]), np.uint64(it[at.COUPLING_FLOAT])
    for _ in range(it[at.COUPLINGS]):
        speed, current_d = w[u + np.uint64(it[i])], w[u + np.uint64(it[i + one])]
        current_q, out = w[u + np.uint64(it[i + np.uint64(2)])], np.uint64(it[i + np.uint64(3)])
        d, q = dq_coupling(speed, current_d, current_q, ft[f], ft[f + one], ft[f + np.uint64(2)])
        w[u + out] = d
        w[u + out + one] = q
        i, f = i + np.uint64(5), f + np.uint64(3)
    i, f = np.uint64(it[at.RELUCTANCE_INT]), np.uint64(it[at.RELUCTANCE_FLOAT])
    for _ in range(it[at.RELUCTANCES]):
        current_d, current_q = w[u + np.uint64(it[i])], w[u + np.uint64(it[i + one])]
        w[u + np.uint64(it[i + np.uint64(2)])] = reluctance_torque(current_d, current_q, ft[f])
        i, f = i + np.uint64(3), f + one
    if it[at.RIPPLES] + it[at.MISALIGNMENTS] > 0:
        angle_terms(it, ft, w, z)


@helper
def _sum(it: Ints, w: Floats, u: np.uint64, first: np.uint64, end: np.uint64) -> float:
    """Return the sum of the states in z that a stretch of the integer table lists."""
    total = 0.0
    for j in range(first, end):
        total += w[u + np.uint64(it[j])]
    return total


@routine
def angle_terms(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs that depend on the angle of the line; not inlined, as most benches have none."""
    u, one, four = np.uint64(z), np.uint64(1), np.uint64(4)
    two, three = one + one, four - one
    i, f = np.uint64(it[at.RIPPLE_INT]), np.uint64(it[at.RIPPLE_FLOAT])
    for _ in range(it[at.RIPPLES]):
        i, end, last = i + two, i + two + np.uint64(it[i]), f + np.uint64(it[i + one])
        q, d = w[u + np.uint64(it[i])], w[u + np.uint64(it[i + one])]
        angle = w[u + np.uint64(it[i + two])] - _sum(it, w, u, i + three, end)
        made = ft[f] * q + ft[f + one] * d * q
        torque = 0.0
        for n in range(f + two, last, four):
            torque += (ft[n + two] + ft[n + three] * made) * cosine(ft[n] * angle + ft[n + one])
        w[u + np.uint64(it[end])] = torque
        i, f = end + one, last
    i, f = np.uint64(it[at.MISALIGNMENT_INT]), np.uint64(it[at.MISALIGNMENT_FLOAT])
    for _ in range(it[at.MISALIGNMENTS]):
        i, end, last = i + two, i + two + np.uint64(it[i]), f + np.uint64(it[i + one])
        twists = i + four + np.uint64(ft[f + four])
        angle = w[u + np.uint64(it[i + one])] - _sum(it, w, u, twists, end)
        force = ft[f] * _sum(it, w, u, i + two, i + four) + _sum(it, w, u, i + four, twists)
        slope = error_slope(angle, ft[f + one], ft[f + two], ft[f + three])
        w[u + np.uint64(it[end])] = slope * w[u + np.uint64(it[i])]
        w[u + np.uint64(it[end + one])] = slope * force
        i, f = end + two, last
