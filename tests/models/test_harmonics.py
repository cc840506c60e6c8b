"""Ripple and cogging: the equations, the energy, and what machines refuse."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from evaluate import balance_residuals, evaluate
from hypothesis import given
from hypothesis import strategies as st

from shaftloop_models.harmonics import Cogging, Ripple, cosine, potential_energy
from shaftloop_models.network import Network, Node
from shaftloop_models.parameters import ParameterError
from shaftloop_models.pm_machine import CurrentControl, PmMachine, declare_pm_machine
from shaftloop_models.servo_machine import ServoMachine, declare_servo_machine

RIPPLE = (Ripple(6, 0.8, 0.5), Ripple(24, 1.5, -0.9, "torque"))
COGGING = (Cogging(48, 0.3, 0.35), Cogging(8, 0.5))
SERVO = ServoMachine(
    part="machine",
    model="torque_servo",
    name="load",
    inertia=0.03,
    time_constant=2e-3,
    rate=Fraction(4000),
    max_torque=100.0,
    max_speed=600.0,
    efficiency=0.9,
    rated_torque=60.0,
    ripple=RIPPLE,
    cogging=COGGING,
)
PM = PmMachine(
    part="machine",
    model="pm_synchronous",
    name="drive",
    inertia=0.02,
    pole_pairs=4,
    resistance=0.05,
    inductance_d=0.4e-3,
    inductance_q=0.6e-3,
    flux_linkage=0.12,
    current_limit=200.0,
    max_speed=300.0,
    current_control=CurrentControl(Fraction(8000), 400.0),
    rated_torque=60.0,
    ripple=RIPPLE,
    cogging=COGGING,
)
SPEED, ANGLE, TWIST = 150.0, 2.0, 0.013


def turned(angle: float) -> tuple[float, float, float]:
    """Return both ripple amplitudes' cosines and the cogging torque at an angle."""
    cogging = 0.3 * math.cos(48.0 * angle + 0.35) + 0.5 * math.cos(8.0 * angle)
    return math.cos(6.0 * angle + 0.5), math.cos(24.0 * angle - 0.9), cogging


def network(machine: PmMachine | ServoMachine) -> Network:
    """Return a network whose rotor stands right of one spring: its angle is the line's minus the twist."""
    net = Network()
    node = Node(machine.name, machine.inertia, net.state("speed", "rad/s"))
    angle = net.state("angle", "rad"), net.state("twist", "rad")
    net.derivative(angle[0], node.speed, 1.0)
    if isinstance(machine, PmMachine):
        declare_pm_machine(net, machine, node, angle)
    else:
        declare_servo_machine(net, machine, node, angle)
    return net


@given(st.floats(-1e6, 1e6))
def test_own_cosine(x: float) -> None:
    assert abs(cosine(x) - math.cos(x)) < 3e-16


def test_own_cosine_at_the_seams_and_beyond_its_range() -> None:
    seams = [0.25 * math.pi * k for k in range(-9, 10)]
    near = [math.nextafter(x, side) for x in seams for side in (-math.inf, math.inf)]
    assert max(abs(cosine(x) - math.cos(x)) for x in seams + near) < 3e-16
    assert all(math.isnan(cosine(x)) for x in (math.nan, math.inf, -1e12))


def test_torque_of_a_servo() -> None:
    """Amplitude in proportion: 1.5 N m at 60 N m is 1.0 N m at 40 N m."""
    net = network(SERVO)
    at = evaluate(net, [SPEED, ANGLE, TWIST, 40.0], [40.0])
    six, twenty_four, cogging = turned(ANGLE - TWIST)
    ripple = 0.8 * six + 1.0 * twenty_four
    assert at.derivative[0] == pytest.approx((40.0 + ripple + cogging) / 0.03, rel=1e-12)
    power = dict(zip([meter.name for meter in net.meters], at.powers, strict=True))
    assert power["load.link"] == pytest.approx((40.0 / 0.9 + ripple) * SPEED, rel=1e-12)
    assert power["load.airgap"] == pytest.approx((40.0 + ripple) * SPEED, rel=1e-12)
    assert power["load.cogging"] == pytest.approx(cogging * SPEED, rel=1e-12)


def test_torque_of_a_pm_machine_goes_with_both_currents() -> None:
    net = network(PM)
    at = evaluate(net, [SPEED, ANGLE, TWIST, -30.0, 60.0], [10.0, 80.0])
    plain = 1.5 * 4 * (0.12 - 0.2e-3 * -30.0) * 60.0
    six, twenty_four, cogging = turned(ANGLE - TWIST)
    ripple = 0.8 * six + 1.5 * plain / 60.0 * twenty_four
    assert at.derivative[0] == pytest.approx((plain + ripple + cogging) / 0.02, rel=1e-12)
    power = dict(zip([meter.name for meter in net.meters], at.powers, strict=True))
    electrical = 1.5 * (10.0 * -30.0 + 80.0 * 60.0)
    assert power["drive.link"] == pytest.approx(electrical + ripple * SPEED, rel=1e-12)


@pytest.mark.parametrize("machine", [SERVO, PM], ids=["servo", "pm"])
@given(angle=st.floats(0.0, 6.3), speed=st.floats(-300.0, 300.0), torque=st.floats(-60.0, 60.0))
def test_balances_close(machine: PmMachine | ServoMachine, angle: float, speed: float, torque: float) -> None:
    """With the potential differentiated along the motion, the twist included."""
    net = network(machine)
    electrical = [torque] if machine is SERVO else [-0.2 * torque, torque]
    state = [speed, angle, 1e-3 * torque, *electrical]
    for residual in balance_residuals(net, state, [10.0] * len(net.helds)):
        assert residual.relative() < 1e-12


def test_cogging_is_the_derivative_of_its_energy() -> None:
    orders = ((48.0, 0.3, 0.35), (8.0, 0.5, 0.0))
    for angle in np.linspace(0.0, 2.0 * math.pi, 26):
        slope = (potential_energy(orders, [angle + 1e-6]) - potential_energy(orders, [angle - 1e-6])) / 2e-6
        assert -slope == pytest.approx(turned(angle)[2], abs=1e-8)
    whole = potential_energy(orders, [1.0 + 2.0 * math.pi])
    assert whole == pytest.approx(potential_energy(orders, [1.0]), abs=1e-14)


def test_a_machine_without_either_is_as_before() -> None:
    net = network(replace(SERVO, ripple=(), cogging=()))
    assert net.terms == [] and net.potentials == []
    assert [meter.name for meter in net.meters] == ["load.link", "load.conversion", "load.airgap"]


def test_the_step_rule_hears_the_highest_order() -> None:
    assert [term.slope for term in network(SERVO).terms] == [24 * 600.0, 48 * 600.0]


@pytest.mark.parametrize(
    ("machine", "says"),
    [
        (replace(SERVO, ripple=(Ripple(6, 1.0), Ripple(6, 2.0))), "ripple: order 6 is stated twice"),
        (replace(PM, cogging=(Cogging(6, 1.0), Cogging(6, 2.0))), "cogging: order 6 is stated twice"),
        (replace(SERVO, ripple=(Ripple(6, 61.0),)), "at most the rated torque, 60 N m"),
        (
            replace(SERVO, rated_torque=None, ripple=(Ripple(6, 61.0), Ripple(12, 60.0))),
            "ripple: amplitudes add up to 121 N m; allowed: at most the largest torque, 100 N m",
        ),
        (
            replace(PM, rated_torque=None, ripple=(), cogging=(Cogging(6, 150.0),)),
            "cogging: amplitudes add up to 150 N m; allowed: at most the largest torque, 144 N m",
        ),
        (replace(SERVO, rated_torque=None), 'ripple: scales = "torque" needs rated_torque'),
    ],
)
def test_a_machine_refuses(machine: PmMachine | ServoMachine, says: str) -> None:
    with pytest.raises(ParameterError) as caught:
        machine.elements()
    assert says in str(caught.value)
