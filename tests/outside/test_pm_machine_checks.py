"""Checks E4.1, E4.3 and E4.4: currents and power of PM machines."""

import math
from fractions import Fraction

import pytest
from evaluate import balance_residuals, evaluate

from shaftloop_models.network import Network, Node
from shaftloop_models.pm_currents import current_reference, mtpa_currents, mtpa_limit, weakening_current
from shaftloop_models.pm_machine import CurrentControl, PmMachine, declare_pm_machine


def test_e4_1_torque_current_and_field_weakening() -> None:
    """Fitzgerald, Kingsley, Umans, Electric Machinery, example 11.10, p. 593; read in a transcription."""
    voltage = math.sqrt(2.0) * 220.0 / math.sqrt(3.0)  # peak phase
    psi = voltage / (2.0 * math.pi * 3200.0 / 60.0)
    assert psi == pytest.approx(0.536, rel=3e-3)
    inductance, speed = 1.75e-3, 2.0 * math.pi * 4000.0 / 60.0
    rated = 25e3 / speed
    assert rated == pytest.approx(59.7, rel=3e-3)

    def reference(limit: float) -> tuple[float, float]:
        return current_reference(
            0.65 * rated, speed, 1.0, psi, inductance, inductance, 1000.0, limit, mtpa=False
        )

    d, q = reference(math.inf)
    assert (d, q) == (0.0, pytest.approx(48.2, rel=3e-3))
    assert math.hypot(psi, inductance * q) / (voltage / speed) == pytest.approx(1.27, abs=0.005)
    assert weakening_current(q, speed, voltage, psi, inductance, inductance) == pytest.approx(-66.1, rel=3e-3)
    d, q = reference(voltage)
    assert d == pytest.approx(-66.1, rel=3e-3)
    amount = math.hypot(d, q) / math.sqrt(2.0)
    assert amount == pytest.approx(57.8, rel=3e-3)
    assert amount / (25e3 / (math.sqrt(3.0) * 220.0)) == pytest.approx(0.88, rel=3e-3)


def test_e4_3_maximum_torque_per_ampere() -> None:
    """Standard condition of most torque per ampere; derived from first principles."""
    p, psi, ld, lq, amplitude = 4.0, 0.1, 1e-3, 2e-3, 100.0
    d, q = mtpa_limit(amplitude, psi, lq - ld)
    assert (d, q) == (pytest.approx(-50.0, rel=1e-6), pytest.approx(86.6025404, rel=1e-6))
    assert math.degrees(math.atan2(-d, q)) == pytest.approx(30.0, rel=1e-6)
    magnet, reluctance = 1.5 * p * psi * q, 1.5 * p * (ld - lq) * d * q
    assert magnet == pytest.approx(51.9615242, rel=1e-6)
    assert reluctance == pytest.approx(25.9807621, rel=1e-6)
    assert magnet + reluctance == pytest.approx(77.9422863, rel=1e-6)
    assert mtpa_currents(77.9422863, psi, lq - ld, p) == (
        pytest.approx(-50.0, rel=1e-6),
        pytest.approx(86.6025404, rel=1e-6),
    )


def test_e4_4_steady_power_balance_of_a_surface_machine() -> None:
    """The dq equations at constant speed and current; derived from first principles."""
    machine = PmMachine(
        part="machine",
        model="pm_synchronous",
        name="m",
        inertia=0.01,
        pole_pairs=3,
        resistance=0.5,
        inductance_d=5e-3,
        inductance_q=5e-3,
        flux_linkage=0.2,
        current_limit=50.0,
        max_speed=300.0,
        current_control=CurrentControl(rate=Fraction(8000), bandwidth=400.0),
    )
    net = Network()
    node = Node("m", machine.inertia, net.state("speed", "rad/s"))
    declare_pm_machine(net, machine, node)
    speed = 2.0 * math.pi * 1500.0 / 60.0
    d, q = mtpa_currents(9.0, 0.2, 0.0, 3.0)
    assert (d, q) == (0.0, pytest.approx(10.0, rel=1e-6))
    assert 3.0 * speed == pytest.approx(471.239, rel=1e-6)
    rates = evaluate(net, [speed, d, q], [0.0, 0.0]).derivative
    voltage = [-5e-3 * rates[1], -5e-3 * rates[2]]
    assert voltage == [pytest.approx(-23.5619449, rel=1e-6), pytest.approx(99.2477796, rel=1e-6)]
    assert math.hypot(*voltage) == pytest.approx(102.006378, rel=1e-6)
    at = evaluate(net, [speed, d, q], voltage)
    power = dict(zip([meter.name for meter in net.meters], at.powers, strict=True))
    assert power["m.link"] == pytest.approx(1488.71669, rel=1e-6)
    assert power["m.copper"] == pytest.approx(75.0, rel=1e-6)
    assert power["m.airgap"] == pytest.approx(1413.71669, rel=1e-6)
    assert power["m.airgap"] / power["m.link"] == pytest.approx(0.94962, rel=1e-5)
    assert abs(power["m.link"] - power["m.copper"] - power["m.airgap"]) < 1e-9
    for residual in balance_residuals(net, [speed, d, q], voltage):
        assert abs(residual.error) < 1e-9
