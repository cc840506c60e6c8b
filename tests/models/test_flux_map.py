"""Flux maps: the energy that fits a table, what it leaves of it, and what is refused."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from evaluate import balance_residuals, evaluate
from scipy.interpolate import BSpline

from fluxes import MAGNETS, PUBLISHED
from shaftloop_models.flux_map import FluxMap, FluxPoint
from shaftloop_models.heat import Heat
from shaftloop_models.inverter import Inverter
from shaftloop_models.network import Network, Node
from shaftloop_models.parameters import ParameterError
from shaftloop_models.pm_machine import (
    CurrentControl,
    IronLoss,
    PmMachine,
    declare_iron_loss,
    declare_pm_machine,
)

ALONG, ACROSS = np.linspace(-200.0, 0.0, 11), np.linspace(-200.0, 200.0, 21)
ROWS = MAGNETS.rows(ALONG, ACROSS)
LINEAR = tuple((d, q, 0.12 + 4e-4 * d, 6e-4 * q) for d in ALONG for q in ACROSS)


TABLE = CurrentControl(Fraction(10000), 500.0, torque_table=True)


def of(rows: Any) -> FluxMap:
    return FluxMap(table=tuple(tuple(float(v) for v in row) for row in rows), file="map.csv")


def machine(rows: Any = ROWS, **changes: Any) -> PmMachine:
    control = CurrentControl(Fraction(10000), 500.0)
    plain = PmMachine(
        *("machine", "pm_synchronous", "m", 0.03, 4, 0.05, 4e-4, 6e-4, 0.11, 200.0, 400.0, control),
        flux_map=of(rows),
    )
    return replace(plain, **changes)


def network(pm: PmMachine) -> Network:
    net = Network()
    node = Node("m", pm.inertia, net.state("m.speed", "rad/s"))
    declare_iron_loss(net, pm, node, declare_pm_machine(net, pm, node))
    return net


def test_a_table_of_constant_inductances_is_a_paraboloid_everywhere() -> None:
    energy = of(LINEAR).energy()
    assert energy.bare == pytest.approx(0.12, rel=1e-12)
    for d, q in ((0.12, 0.0), (0.05, -0.1), (-0.1, 0.05), (0.5, 0.6)):
        found = energy.at(d, q)
        assert found[:2] == pytest.approx(((d - 0.12) / 4e-4, q / 6e-4), rel=1e-9, abs=1e-9)
        assert found[2] == pytest.approx((d - 0.12) ** 2 / 8e-4 + q * q / 12e-4, rel=1e-9, abs=1e-12)
        assert energy.inverse_inductances(d, q) == pytest.approx((2500.0, 0.0, 5e3 / 3.0), rel=1e-6, abs=1e-4)
    assert of(LINEAR).misfit() == pytest.approx((0.0, 0.0, 0.0, 0.0, 0.0), abs=1e-10)


def test_the_published_machine_comes_back_from_its_table() -> None:
    """A table of 31 by 31 currents; fluxes between its points within 0.1 % of the largest."""
    axis = np.linspace(-30.0, 30.0, 31)
    found = of(PUBLISHED.rows(axis, axis))
    assert found.misfit().current < 3e-4 * 30.0 and found.misfit().flux < 1e-4
    for currents in ((9.0, 5.0), (-13.0, 21.0), (25.0, -3.0), (0.7, 0.3)):
        wanted = PUBLISHED.fluxes(*currents)
        assert found.energy().flux(*currents) == pytest.approx(wanted, abs=1e-3 * 0.61)


def test_cross_saturation_is_that_of_the_closed_form() -> None:
    energy, at, h = of(ROWS).energy(), (0.08, 0.07), 1e-6
    a = np.subtract(MAGNETS.currents(at[0] + h, at[1]), MAGNETS.currents(at[0] - h, at[1])) / (2.0 * h)
    b = np.subtract(MAGNETS.currents(at[0], at[1] + h), MAGNETS.currents(at[0], at[1] - h)) / (2.0 * h)
    assert a[1] == pytest.approx(b[0], rel=1e-6)
    assert energy.inverse_inductances(*at) == pytest.approx((a[0], a[1], b[1]), rel=5e-3)


def test_it_is_a_tensor_spline_of_scipy_and_has_no_kinks() -> None:
    energy = of(ROWS).energy()
    rows, columns = (n - 3 for n in energy.table.shape)
    knots = [
        energy.first + w * np.arange(-3, n + 4) for w, n in zip(energy.wide, (rows, columns), strict=True)
    ]
    rng = np.random.default_rng(3)
    for d, q in rng.uniform(energy.first, -energy.first, (40, 2)):
        inner = BSpline(knots[1], energy.table.T, 3)(q), BSpline(knots[1], energy.table.T, 3)(q, 1)
        wanted = [
            BSpline(knots[0], inner[0], 3)(d, 1),
            BSpline(knots[0], inner[1], 3)(d),
            BSpline(knots[0], inner[0], 3)(d),
        ]
        assert energy.at(d, q) == pytest.approx([float(value) for value in wanted], rel=1e-10, abs=1e-10)
    edge = -energy.first
    inside, outside = (
        energy.inverse_inductances(edge - 1e-5, 0.01),
        energy.inverse_inductances(edge + 1e-5, 0.01),
    )
    assert inside == pytest.approx(outside, rel=1e-2)


def test_each_current_belongs_to_one_flux_far_beyond_the_table() -> None:
    energy = of(ROWS).energy()
    for currents in ((-150.0, 120.0), (0.0, 0.0), (150.0, -180.0), (-450.0, 100.0), (-500.0, -300.0)):
        flux = energy.flux(*currents)
        assert energy.at(*flux)[:2] == pytest.approx(currents, abs=1e-6)
        a, b, c = energy.inverse_inductances(*flux)
        assert a > 0.0 and a * c > b * b


def test_measured_scatter_does_not_make_it_wrinkled() -> None:
    rng, rows = np.random.default_rng(5), np.array(ROWS)
    rows[:, 2:] += rng.normal(0.0, 0.5e-3, (len(rows), 2))
    found = of(rows)
    assert 0.2e-3 < found.misfit().flux < 0.5e-3
    smooth = of(ROWS).energy()
    for currents in ((-60.0, 100.0), (-150.0, 50.0)):
        assert found.energy().flux(*currents) == pytest.approx(smooth.flux(*currents), abs=0.5e-3)


def test_what_no_energy_can_hold_is_stated_as_curl() -> None:
    """A turning field, ``ψd − c·iq`` and ``ψq + c·id``, is all curl: -2c, and no energy takes any of it."""
    rows, c = np.array(LINEAR), 5e-6
    rows[:, 2] -= c * rows[:, 1]
    rows[:, 3] += c * rows[:, 0]
    found = of(rows)
    assert found.misfit().curl == pytest.approx(2.0 * c, rel=1e-9)
    assert of(LINEAR).misfit().curl < 1e-15
    assert 0.1 * c * 200.0 < found.misfit().flux < c * 200.0


def test_half_a_table_is_mirrored() -> None:
    half, whole = of([row for row in ROWS if row[1] >= 0.0]), of(ROWS)
    for flux in ((0.1, 0.05), (0.1, -0.05), (0.02, -0.11)):
        assert half.energy().at(*flux) == pytest.approx(whole.energy().at(*flux), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    "state", [[120.0, 0.09, -0.05], [-200.0, 0.02, 0.11], [10.0, 0.1126, 0.0], [0.0, -0.05, 0.2]]
)
def test_balances_close(state: list[float]) -> None:
    heat = Heat(500.0, 0.05, 5e3, 0.2, start=120.0, resistance_coefficient=0.0039, flux_coefficient=-1e-3)
    loss = IronLoss(0.3, 1e-3, under_load=True)
    for pm in (machine(), machine(heat=heat, iron_loss=loss, inverter=Inverter(30.0, 1.0, 3e-3))):
        residuals = balance_residuals(network(pm), state, [50.0, -30.0])
        # The energy of the field is differentiated along the motion by a difference.
        assert max(residual.relative() for residual in residuals) < 1e-6


def test_without_copper_loss_the_energy_does_not_close() -> None:
    net = network(machine())
    net.powers = [power for power in net.powers if power.meter != net.meter_number("m.copper")]
    assert max(r.relative() for r in balance_residuals(net, [120.0, 0.09, -0.05], [50.0, -30.0])) > 1e-3


def test_rates_and_torque_are_those_of_the_equations() -> None:
    pm, (speed, d, q), (vd, vq) = machine(), (150.0, 0.09, 0.06), (40.0, -20.0)
    net = network(pm)
    at, currents = evaluate(net, [speed, d, q], [vd, vq]), pm.flux_map.energy().at(d, q)[:2]  # type: ignore[union-attr]
    turning = 4 * speed
    rates = [vd - 0.05 * currents[0] + turning * q, vq - 0.05 * currents[1] - turning * d]
    assert at.derivative[1:] == pytest.approx(rates, rel=1e-10)
    torque = 1.5 * 4 * (d * currents[1] - q * currents[0])
    assert at.derivative[0] == pytest.approx(torque / 0.03, rel=1e-12)


def test_loss_under_load_goes_with_the_flux_of_the_map() -> None:
    """Drag at a flux over that without current, squared; the map says both."""
    pm = machine(iron_loss=IronLoss(0.0, 1e-3, under_load=True))
    net, bare = network(pm), of(ROWS).energy().bare
    for flux in ((bare, 0.0), (0.05, 0.09)):
        power = evaluate(net, [100.0, *flux], [0.0, 0.0]).powers[net.meter_number("m.iron.drag")]
        assert power == pytest.approx(1e-3 * 100.0**2 * (math.hypot(*flux) / bare) ** 2, rel=1e-12)


def without(rows: Any, d: float, q: float) -> list[Any]:
    return [row for row in rows if (row[0], row[1]) != (d, q)]


def changed(d: float, q: float, column: int, value: float) -> list[Any]:
    return [
        (*row[:column], value, *row[column + 1 :]) if (row[0], row[1]) == (d, q) else row for row in LINEAR
    ]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (
            without(LINEAR, -100.0, 40.0),
            "no point at current_d -100 A, current_q 40 A; a table has one for each",
        ),
        ([*LINEAR, LINEAR[7]], "more than one point at current_d -200 A, current_q -60 A"),
        (LINEAR[:63], "3 values of current_d; allowed: 4 to 101, on a grid"),
        ([r for r in LINEAR if r[1] > 0], "current_q goes from 20 to 200 A; it must reach to 0 A or beyond"),
        ([r for r in LINEAR if r[1] <= 0], "current_q is never positive; allowed: either sign, or 0 A and"),
        (
            changed(-100.0, 40.0, 2, 0.06),
            "flux_d does not rise from current_d -120 to -100 A at current_q 40 A:",
        ),
        (
            changed(-100.0, 40.0, 3, 0.01),
            "flux_q does not rise from current_q 20 to 40 A at current_d -100 A:",
        ),
        ([(d, q, f + 0.1 * q / 200.0, g) for d, q, f, g in LINEAR], "miss the table by"),
        ([(d, q, f, g + 5e-3) for d, q, f, g in LINEAR if q >= 0.0], "flux_q is 0.005 Wb at current_q 0 A"),
        (
            [(d, q, 0.12 + 4e-4 * d + 1.2e-3 * q, 6e-4 * q + 1.2e-3 * d) for d, q, _, _ in LINEAR],
            "no energy with one flux for each current comes near the table",
        ),
    ],
)
def test_nonsense_is_refused(rows: Any, says: str) -> None:
    with pytest.raises(ParameterError) as error:
        of(rows).check()
    assert says in str(error.value) and error.value.key == "file"


def test_a_table_is_a_file_or_points() -> None:
    point = FluxPoint(0.0, 0.0, 0.1, 0.0)
    for wrong, says in (
        (FluxMap(), "neither a file nor points"),
        (FluxMap("a", (point,)), "both a file and"),
    ):
        with pytest.raises(ParameterError, match=says):
            wrong.check()
    with pytest.raises(ParameterError, match=r"points: 1 values of current_d"):
        FluxMap(points=(point,)).check()


def test_the_table_must_hold_the_limit_of_the_current() -> None:
    machine().check()
    for changes, says in (
        (
            {"current_limit": 250.0},
            "reaches from -200 to 0 A in d and to 200 A in q; current_limit 250 A needs",
        ),
        ({"inductance_d": 7e-4}, "current_limit 200 A needs -200 to 200 A in d"),
        ({"flux_map": None, "current_control": TABLE}, "torque_table needs a flux_map beside it"),
    ):
        with pytest.raises(ParameterError, match=says):
            machine(**changes).check()


def test_what_the_control_believes_wrongly_and_a_coarse_fit_are_warned_of() -> None:
    assert machine().warnings() == [] and machine(flux_map=FluxMap("x.csv")).warnings() == []
    ((keys, words),) = machine(flux_linkage=0.14).warnings()
    assert (
        keys == ("flux_linkage",) and "reckons with 0.14 Wb; the map has 0.1126 Wb without current" in words
    )
    rng, rows = np.random.default_rng(5), np.array(ROWS)
    rows[:, 2:] += rng.normal(0.0, 1.5e-3, (len(rows), 2))
    ((keys, words),) = machine(rows).warnings()
    assert keys == ("flux_map",) and "its energy misses the table by" in words
