"""The nonlinear terms, kind by kind in a fixed order; each equation stands with its part."""

from shaftloop.engine import at
from shaftloop.engine.cache import helper
from shaftloop.engine.types import Floats, Ints
from shaftloop_models.drag import coulomb_torque, windage_torque
from shaftloop_models.pm_machine import dq_coupling, reluctance_torque

__all__ = ["evaluate_terms"]


@helper
def evaluate_terms(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs in the z vector at `z` from the signals in it."""
    i, f = it[at.COULOMB_INT], it[at.COULOMB_FLOAT]
    for _ in range(it[at.COULOMBS]):
        w[z + it[i + 1]] = coulomb_torque(w[z + it[i]], ft[f], ft[f + 1])
        i, f = i + 2, f + 2
    i, f = it[at.WINDAGE_INT], it[at.WINDAGE_FLOAT]
    for _ in range(it[at.WINDAGES]):
        w[z + it[i + 1]] = windage_torque(w[z + it[i]], ft[f])
        i, f = i + 2, f + 1
    i, f = it[at.COUPLING_INT], it[at.COUPLING_FLOAT]
    for _ in range(it[at.COUPLINGS]):
        d, q = dq_coupling(w[z + it[i]], w[z + it[i + 1]], w[z + it[i + 2]], ft[f], ft[f + 1], ft[f + 2])
        w[z + it[i + 3]] = d
        w[z + it[i + 4]] = q
        i, f = i + 5, f + 3
    i, f = it[at.RELUCTANCE_INT], it[at.RELUCTANCE_FLOAT]
    for _ in range(it[at.RELUCTANCES]):
        w[z + it[i + 2]] = reluctance_torque(w[z + it[i]], w[z + it[i + 1]], ft[f])
        i, f = i + 3, f + 1
