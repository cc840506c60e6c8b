"""The torque servo: envelope, lag, conversion loss and energy balance."""

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from evaluate import balance_residuals, evaluate
from hypothesis import given
from hypothesis import strategies as st

from shaftloop_models.drag import Drag
from shaftloop_models.line import Inertia
from shaftloop_models.network import Network, Node
from shaftloop_models.servo_machine import (
    ServoMachine,
    ServoPorts,
    declare_servo_machine,
    envelope_torque,
    rated_power,
)

MACHINE = ServoMachine(
    part="machine",
    model="torque_servo",
    name="load",
    inertia=0.03,
    time_constant=2e-3,
    rate=Fraction(4000),
    max_torque=100.0,
    max_speed=600.0,
    max_power=20e3,
    efficiency=0.9,
    idle_loss=80.0,
    drag=Drag(viscous=0.01),
)


def declared(machine: ServoMachine) -> tuple[Network, ServoPorts]:
    net = Network()
    node = Node(machine.name, machine.inertia, net.state("speed", "rad/s"))
    return net, declare_servo_machine(net, machine, node)


@given(st.floats(-600.0, 600.0), st.floats(-100.0, 100.0), st.floats(-100.0, 100.0))
def test_the_torque_lags_and_the_balance_closes(speed: float, torque: float, command: float) -> None:
    net, ports = declared(MACHINE)
    at = evaluate(net, [speed, torque], [command])
    assert at.derivative == pytest.approx([torque / 0.03, (command - torque) / 2e-3], rel=1e-12, abs=1e-9)
    assert ports.torque[0][0] * at.values[ports.torque[0][1]] == torque
    (residual,) = balance_residuals(net, [speed, torque], [command])
    assert residual.relative() <= 1e-12


@pytest.mark.parametrize(
    ("speed", "link", "loss"),
    [(300.0, 80.0 + 50.0 * 300.0 / 0.9, 80.0 + 15e3 / 9.0), (-300.0, 80.0 - 15e3 * 0.9, 80.0 + 1.5e3)],
)
def test_the_efficiency_counts_both_ways(speed: float, link: float, loss: float) -> None:
    net, ports = declared(MACHINE)
    power = evaluate(net, [speed, 50.0], [0.0]).powers
    assert power[ports.link_meter] == pytest.approx(link, rel=1e-12)
    assert power[1] == pytest.approx(loss, rel=1e-12)
    assert [m.name for m in net.meters] == ["load.link", "load.conversion", "load.airgap"]


def test_an_ideal_drive_loses_nothing() -> None:
    net, _ = declared(replace(MACHINE, efficiency=1.0, idle_loss=0.0))
    assert evaluate(net, [300.0, 50.0], [0.0]).powers == [15e3, 0.0, 15e3]


@given(st.floats(-300.0, 300.0), st.floats(-800.0, 800.0))
def test_the_envelope_bounds_torque_and_power_and_never_turns_the_sign(torque: float, speed: float) -> None:
    allowed = envelope_torque(torque, speed, 100.0, 20e3, 600.0)
    assert abs(allowed) <= 100.0
    assert abs(allowed * speed) <= 20e3 * (1.0 + 1e-15)
    assert allowed * torque >= 0.0
    assert abs(allowed) <= abs(torque)


@pytest.mark.parametrize(
    ("torque", "speed", "allowed"),
    [
        (80.0, 100.0, 80.0),
        (130.0, 100.0, 100.0),
        (-130.0, 100.0, -100.0),
        (80.0, 400.0, 50.0),
        (80.0, 600.0, 0.0),
        (-80.0, -700.0, 0.0),
        (-30.0, 600.0, -30.0),
        (130.0, 0.0, 100.0),
    ],
)
def test_points_of_the_envelope(torque: float, speed: float, allowed: float) -> None:
    assert envelope_torque(torque, speed, 100.0, 20e3, 600.0) == pytest.approx(allowed, rel=1e-15)


def test_an_unstated_power_does_not_bound() -> None:
    assert rated_power(MACHINE) == 20e3
    assert rated_power(replace(MACHINE, max_power=None)) == math.inf
    assert envelope_torque(90.0, 599.0, 100.0, math.inf, 600.0) == 90.0


def test_the_rotor_is_one_body_with_the_drag() -> None:
    assert MACHINE.elements() == [Inertia(0.03, Drag(viscous=0.01), "load")]
