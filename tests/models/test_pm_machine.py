"""The PM machine: its equations against the textbook form, and its energy balances."""

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from evaluate import Residual, balance_residuals, evaluate
from hypothesis import given
from hypothesis import strategies as st

from shaftloop_models.drag import Drag
from shaftloop_models.inverter import Inverter
from shaftloop_models.line import Inertia
from shaftloop_models.network import Network, Node, TermKind
from shaftloop_models.pm_machine import (
    CurrentControl,
    IronLoss,
    PmMachine,
    PmPorts,
    declare_iron_loss,
    declare_pm_machine,
    dq_coupling,
    reluctance_torque,
)

MACHINE = PmMachine(
    part="machine",
    model="pm_synchronous",
    name="drive",
    inertia=0.02,
    pole_pairs=4,
    resistance=0.05,
    inductance_d=0.4e-3,
    inductance_q=0.6e-3,
    flux_linkage=0.12,
    current_limit=300.0,
    max_speed=400.0,
    current_control=CurrentControl(rate=Fraction(8000), bandwidth=400.0),
    iron_loss=IronLoss(hysteresis=0.3, eddy=1e-3),
    drag=Drag(viscous=0.002),
    inverter=Inverter(constant=40.0, proportional=1.2, quadratic=4e-3),
)
SURFACE = replace(MACHINE, inductance_q=MACHINE.inductance_d, inverter=Inverter(), iron_loss=IronLoss())

states = st.tuples(st.floats(-400.0, 400.0), st.floats(-300.0, 300.0), st.floats(-300.0, 300.0))
voltages = st.tuples(st.floats(-350.0, 350.0), st.floats(-350.0, 350.0))


def declared(machine: PmMachine) -> tuple[Network, PmPorts, list[int]]:
    net = Network()
    node = Node(machine.name, machine.inertia, net.state("speed", "rad/s"))
    ports = declare_pm_machine(net, machine, node)
    return net, ports, declare_iron_loss(net, machine, node, ports)[0]


@given(states, voltages)
def test_the_derivatives_are_the_dq_equations(
    state: tuple[float, float, float], voltage: tuple[float, float]
) -> None:
    net, ports, _ = declared(MACHINE)
    speed, i_d, i_q = state
    at = evaluate(net, state, voltage)
    m, electrical = MACHINE, 4 * speed
    rise_d = voltage[0] - m.resistance * i_d + electrical * m.inductance_q * i_q
    rise_q = voltage[1] - m.resistance * i_q - electrical * (m.inductance_d * i_d + m.flux_linkage)
    torque = 1.5 * 4 * (m.flux_linkage + (m.inductance_d - m.inductance_q) * i_d) * i_q
    iron = 0.3 * math.tanh(speed / 0.5) + 1e-3 * speed
    scale_d = abs(voltage[0]) + abs(m.resistance * i_d) + abs(electrical * m.inductance_q * i_q)
    assert m.inductance_d * at.derivative[1] == pytest.approx(rise_d, abs=1e-13 * scale_d + 1e-300)
    assert m.inductance_q * at.derivative[2] == pytest.approx(rise_q, abs=1e-12)
    assert m.inertia * at.derivative[0] == pytest.approx(torque - iron, abs=1e-12)
    assert sum(w * at.values[ref] for w, ref in ports.torque) == pytest.approx(torque, abs=1e-12)


@given(states, voltages)
def test_every_balance_closes_at_any_state(
    state: tuple[float, float, float], voltage: tuple[float, float]
) -> None:
    for machine in (MACHINE, SURFACE):
        net, _, _ = declared(machine)
        residuals = balance_residuals(net, state, voltage)
        assert [r.element for r in residuals] == [
            "drive.inverter",
            "drive.windings",
        ][machine is SURFACE :]
        for residual in residuals:
            assert residual.relative() <= 1e-12


@given(states, voltages)
def test_the_losses_have_their_own_formulas(
    state: tuple[float, float, float], voltage: tuple[float, float]
) -> None:
    net, ports, (iron,) = declared(MACHINE)
    speed, i_d, i_q = state
    power = dict(zip([m.name for m in net.meters], evaluate(net, state, voltage).powers, strict=True))
    size = math.hypot(i_d, i_q)
    terminals = 1.5 * (voltage[0] * i_d + voltage[1] * i_q)
    loss = 40.0 + 1.2 * size + 4e-3 * size**2
    assert power["drive.copper"] == pytest.approx(1.5 * 0.05 * size**2, rel=1e-12)
    assert power["drive.inverter"] == pytest.approx(loss, rel=1e-12)
    assert power["drive.electrical"] == pytest.approx(terminals, rel=1e-12, abs=1e-9)
    assert power["drive.link"] == pytest.approx(terminals + loss, rel=1e-12, abs=1e-9)
    assert net.meters[ports.link_meter].name == "drive.link"
    assert net.meters[iron].meaning == "iron loss"
    assert power[net.meters[iron].name] == pytest.approx(
        speed * (0.3 * math.tanh(speed / 0.5) + 1e-3 * speed), rel=1e-12
    )


@given(states, voltages)
def test_air_gap_power_less_iron_loss_speeds_up_the_rotor(
    state: tuple[float, float, float], voltage: tuple[float, float]
) -> None:
    net, _, (iron,) = declared(MACHINE)
    at = evaluate(net, state, voltage)
    power = dict(zip([m.name for m in net.meters], at.powers, strict=True))
    gained = MACHINE.inertia * state[0] * at.derivative[0]
    rest = power["drive.airgap"] - at.powers[iron] - gained
    throughput = abs(power["drive.airgap"]) + at.powers[iron] + abs(gained)
    assert Residual("rotor", rest, throughput).relative() <= 1e-12


def test_a_surface_machine_has_no_reluctance_term_and_a_lossless_one_no_iron_meter() -> None:
    net, ports, iron = declared(SURFACE)
    assert [term.kind for term in net.terms] == [TermKind.DQ_COUPLING]
    assert ports.torque == ((SURFACE.torque_constant(), ports.current_q),)
    assert iron == []


def test_the_coupling_is_as_fast_as_the_electrical_speed() -> None:
    net, _, _ = declared(MACHINE)
    assert net.terms[0].slope == 4 * 400.0


@given(st.floats(-400.0, 400.0), st.floats(-300.0, 300.0), st.floats(-300.0, 300.0))
def test_the_compiled_terms_equal_their_formulas(speed: float, i_d: float, i_q: float) -> None:
    assert dq_coupling(speed, i_d, i_q, 4.0 * 0.6e-3 / 0.4e-3, 4.0 * 0.4e-3 / 0.6e-3) == pytest.approx(
        (4.0 * speed * 0.6e-3 * i_q / 0.4e-3, -4.0 * speed * 0.4e-3 * i_d / 0.6e-3), rel=1e-13
    )
    assert reluctance_torque(i_d, i_q, -1.2e-3) == pytest.approx(-1.2e-3 * i_d * i_q, rel=1e-14)


def test_the_constants_of_the_torque() -> None:
    assert MACHINE.torque_constant() == pytest.approx(0.72, rel=1e-15)
    assert MACHINE.reluctance() == pytest.approx(-1.2e-3, rel=1e-12)


def test_the_rotor_is_one_body_with_the_drag() -> None:
    assert MACHINE.elements() == [Inertia(0.02, Drag(viscous=0.002), "drive")]
