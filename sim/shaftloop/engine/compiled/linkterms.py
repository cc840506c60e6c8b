"""The terms of a DC link whose voltage is a state: machines, diode bridge, its switches, brake resistors.

They read held inputs and the outputs of other terms as well as states, so they come after all others, and
once more where tasks have changed the inputs.
"""

from shaftloop.engine import at
from shaftloop.engine.compiled.meters import PRODUCT, power
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import flat, for_lanes, lane_of, width
from shaftloop_models.brake_resistor import resistor_flow
from shaftloop_models.inverter import inverter_loss
from shaftloop_models.network import TermKind
from shaftloop_models.supply import FADING, bridge_voltages, two_way_flow

__all__ = ["LINK_KINDS", "LINK_KINDS_READ", "evaluate_link", "settle_middle"]

LINK_KINDS = frozenset(
    {TermKind.INVERTER, TermKind.LINK, TermKind.BRIDGE, TermKind.CHOPPER, TermKind.SWITCHES}
)
LINK_KINDS_READ = frozenset({"state", "held", "output", "aside", "one"})
"""Kinds of quantities that these terms may read."""


@routine
def evaluate_link(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs of the link's terms in the z vector at `z`."""
    i, f = it[at.INVERTER_INT], it[at.INVERTER_FLOAT]
    for _ in range(it[at.INVERTERS]):
        for_lanes(_inverter, (it, ft, w, z, i, f))
        i, f = i + 4, f + 5
    i, f = it[at.LINK_INT], it[at.LINK_FLOAT]
    for _ in range(it[at.LINKS]):
        powers = it[i]
        reads = i + 1 + powers
        if width(w) == 1:
            _drawn_alone(it, flat(ft), flat(w), z, i, f)
            i, f = reads + 2 + 2 * powers, f + 1 + powers
            continue
        voltage, out = z + it[reads], z + it[reads + 1 + 2 * powers]
        for_lanes(_clear, (w, out))
        for k in range(powers):
            a, b = z + it[reads + 1 + 2 * k], z + it[reads + 2 + 2 * k]
            if it[i + 1 + k] == PRODUCT:
                for_lanes(_add_product, (ft, w, f + 1 + k, a, b, out))
            else:
                for_lanes(_add_power, (ft, w, it[i + 1 + k], f + 1 + k, a, b, out))
        for_lanes(_per_volt, (ft, w, voltage, out, f))
        i, f = reads + 2 + 2 * powers, f + 1 + powers
    _supply(it, ft, w, z)


@helper
def _supply(it: Ints, ft: Floats, w: Floats, z: int) -> None:
    """Fill the outputs of bridges, choppers and switches in the z vector at `z`."""
    i, f = it[at.BRIDGE_INT], it[at.BRIDGE_FLOAT]
    for _ in range(it[at.BRIDGES]):
        for_lanes(_bridge, (it, ft, w, z, i, f))
        i, f = i + 7, f + 4
    i, f = it[at.CHOPPER_INT], it[at.CHOPPER_FLOAT]
    for _ in range(it[at.CHOPPERS]):
        for_lanes(_chopper, (it, ft, w, z, i, f))
        i, f = i + 4, f + 1
    i, f = it[at.SWITCHES_INT], it[at.SWITCHES_FLOAT]
    for _ in range(it[at.SWITCHES]):
        for_lanes(_switches, (it, ft, w, z, i, f))
        i, f = i + 8, f + 6


@helper
def _drawn_alone(it: Ints, p: Floats, v: Floats, z: int, i: int, f: int) -> None:
    """Fill the current of a machine of a bench that runs alone: the same sum, kept at hand."""
    powers, reads = it[i], i + 1 + it[i]
    voltage, total, k = v[z + it[reads]], 0.0, reads + 1
    for j in range(powers):
        a, b = v[z + it[k]], v[z + it[k + 1]]
        if it[i + 1 + j] == PRODUCT:
            total += p[f + 1 + j] * (a * b)
        else:
            total += power(it[i + 1 + j], p[f + 1 + j], a, b)
        k += 2
    least = 0.5 * p[f]
    v[z + it[k]] = total * (voltage / max(voltage * voltage, least * least))


@helper
def _inverter(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 3]] = inverter_loss(
        v[z + it[i]], v[z + it[i + 1]], v[z + it[i + 2]], p[f], p[f + 1], p[f + 2], p[f + 3], p[f + 4]
    )


@helper
def _clear(lane: int, w: Floats, out: int) -> None:
    lane_of(w, lane)[out] = 0.0


@helper
def _add_product(lane: int, ft: Floats, w: Floats, f: int, a: int, b: int, out: int) -> None:
    v = lane_of(w, lane)
    v[out] += lane_of(ft, lane)[f] * (v[a] * v[b])


@helper
def _add_power(lane: int, ft: Floats, w: Floats, kind: int, f: int, a: int, b: int, out: int) -> None:
    v = lane_of(w, lane)
    v[out] += power(kind, lane_of(ft, lane)[f], v[a], v[b])


@helper
def _per_volt(lane: int, ft: Floats, w: Floats, voltage: int, out: int, f: int) -> None:
    v, least = lane_of(w, lane), 0.5 * lane_of(ft, lane)[f]
    v[out] *= v[voltage] / max(v[voltage] * v[voltage], least * least)


@helper
def _bridge(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    v[z + it[i + 4]], v[z + it[i + 5]], v[z + it[i + 6]] = bridge_voltages(
        v[z + it[i]], v[z + it[i + 1]], v[z + it[i + 2]], v[z + it[i + 3]], p[f], p[f + 1], p[f + 2], p[f + 3]
    )


@helper
def _chopper(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    v = lane_of(w, lane)
    v[z + it[i + 2]], v[z + it[i + 3]] = resistor_flow(v[z + it[i]], v[z + it[i + 1]], lane_of(ft, lane)[f])


@helper
def _switches(lane: int, it: Ints, ft: Floats, w: Floats, z: int, i: int, f: int) -> None:
    p, v = lane_of(ft, lane), lane_of(w, lane)
    power, line = v[z + it[i]], p[f] * v[z + it[i + 1]]
    current, lost = two_way_flow(power, line, v[z + it[i + 2]], p[f + 1], p[f + 2], p[f + 3], p[f + 4])
    v[z + it[i + 4]], v[z + it[i + 5]] = current, current + v[z + it[i + 3]]
    v[z + it[i + 6]], v[z + it[i + 7]] = lost, line * (power + p[f + 5])


@helper
def settle_middle(it: Ints, ft: Floats, w: Floats, z0: int, zm: int, z1: int, step: float) -> None:
    """Let the current in the middle of a step follow from its ends and stages, and what it makes."""
    i, f = it[at.BRIDGE_INT], it[at.BRIDGE_FLOAT]
    for _ in range(it[at.BRIDGES]):
        for_lanes(_between, (it, ft, w, (z0, zm, z1), i, f, step))
        i, f = i + 7, f + 4
    _supply(it, ft, w, zm)


@helper
def _between(
    lane: int, it: Ints, ft: Floats, w: Floats, z: tuple[int, int, int], i: int, f: int, step: float
) -> None:
    v, (z0, zm, z1), current, left = lane_of(w, lane), z, it[i + 1], it[i + 4]
    inductance = FADING * lane_of(ft, lane)[f + 1]
    # With I' at the start and in the last stage Simpson's rule gives the charge that the step put on the
    # link, h·I + h²/6·(I' at the start and in both stages of the middle), however fast the current fades.
    # Where the diodes begin or cease to conduct the parabola may dip below zero; the current never does.
    bend = step / (8.0 * inductance) * (v[z0 + left] - v[it[at.ZC] + left])
    v[zm + current] = 0.5 * (v[z0 + current] + v[z1 + current]) + bend
