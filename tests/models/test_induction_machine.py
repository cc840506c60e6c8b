"""Induction machine: balances, currents as slopes of one energy, saturation, what is refused."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from evaluate import balance_residuals, evaluate

from shaftloop_models.induction_machine import (
    InductionMachine,
    Saturation,
    VoltsPerHertz,
    declare_induction_machine,
    field_energy,
    pull_out_torque,
)
from shaftloop_models.inverter import Inverter
from shaftloop_models.network import Network, Node
from shaftloop_models.parameters import ParameterError

SCALAR = VoltsPerHertz("volts_per_hertz", Fraction(4000), 50.0, 50.0, 320.0, 1.5)
MACHINE = InductionMachine(
    part="machine",
    model="induction",
    name="m",
    inertia=0.03,
    pole_pairs=2,
    stator_resistance=0.7,
    rotor_resistance=0.6,
    stator_leakage=3.5e-3,
    rotor_leakage=4e-3,
    main_inductance=0.13,
    current_limit=60.0,
    max_speed=300.0,
    control=SCALAR,
    saturation=Saturation(1.1, 7),
    iron_resistance=700.0,
    rated_torque=40.0,
    inverter=Inverter(40.0, 1.0, 0.01, 30.0, 2.0),
)
STATES = [
    [120.0, 0.1, -0.95, 0.05, -0.9],
    [-150.0, 0.4, 0.8, -0.3, 0.7],
    [10.0, 1.3, 0.2, 1.1, 0.25],
    [0.0, 0.0, 0.0, 0.0, 0.0],
]
HELD = [200.0, -30.0, 260.0]


def network(machine: InductionMachine = MACHINE) -> Network:
    net = Network()
    node = Node("m", machine.inertia, net.state("m.speed", "rad/s"))
    declare_induction_machine(net, machine, node)
    return net


@pytest.mark.parametrize("state", STATES)
def test_balances_close(state: list[float]) -> None:
    for machine in (MACHINE, replace(MACHINE, saturation=None, iron_resistance=None)):
        residuals = balance_residuals(network(machine), state, HELD)
        assert len(residuals) == 2
        # The energy of the fields is differentiated along the motion by a difference.
        assert all(residual.relative() < 1e-8 for residual in residuals)


@pytest.mark.parametrize("loss", ["m.copper", "m.rotor", "m.iron"])
def test_without_a_loss_the_energy_does_not_close(loss: str) -> None:
    net = network()
    number = net.meter_number(loss)
    net.powers = [power for power in net.powers if power.meter != number]
    assert max(residual.relative() for residual in balance_residuals(net, STATES[1], HELD)) > 1e-4


@pytest.mark.parametrize("state", STATES[:3])
def test_currents_are_slopes_of_one_energy(state: list[float]) -> None:
    """The currents of the fields, so without the share that flows to the iron."""
    machine = replace(MACHINE, iron_resistance=None)
    net, circuit = network(machine), machine.circuit()
    at, fluxes = evaluate(net, state, HELD), np.array(state[1:])
    slopes = [
        (field_energy(circuit, fluxes + h) - field_energy(circuit, fluxes - h)) / 2e-6 / 1.5
        for h in 1e-6 * np.eye(4)
    ]
    values = dict(zip(net.outputs, [at.values[ref] for ref in net.terms[0].outputs], strict=True))
    rotor = [(state[3 + i] - state[1 + i]) / circuit.leakage for i in (0, 1)]
    assert slopes == pytest.approx([values["m.current_d"], values["m.current_q"], *rotor], rel=1e-7)


def test_the_knee_doubles_the_magnetising_current() -> None:
    machine = replace(MACHINE, iron_resistance=None)
    for flux, factor in ((1.1, 2.0), (2.2, 1.0 + 2.0**7), (0.0, 1.0)):
        values = evaluate(network(machine), [0.0, flux, 0.0, flux, 0.0], [0.0, 0.0, 0.0]).values
        current = values[network(machine).terms[0].outputs[5]]
        assert current == pytest.approx(factor * flux / machine.circuit().main, rel=1e-12)


def test_at_rest_with_equal_turns_the_circuit_is_that_with_leakage_on_both_sides() -> None:
    """The impedance of the stator against that of the ordinary circuit, from its parts."""
    machine = replace(MACHINE, saturation=None, iron_resistance=None)
    net, slip, omega = network(machine), 0.05, 2.0 * math.pi * 50.0
    m = machine
    rotor = m.rotor_resistance / slip + 1j * omega * m.rotor_leakage
    main = 1j * omega * m.main_inductance
    impedance = m.stator_resistance + 1j * omega * m.stator_leakage + main * rotor / (main + rotor)
    wanted = 300.0 / impedance
    speed = omega * (1.0 - slip) / 2.0
    columns = [evaluate(net, [speed, *row], [0.0, 0.0, omega]).derivative[1:] for row in np.eye(4)]
    fluxes = np.linalg.solve(np.array(columns).T, [-300.0, 0.0, 0.0, 0.0])
    values = evaluate(net, [speed, *fluxes], [300.0, 0.0, omega]).values
    d, q = (values[ref] for ref in net.terms[0].outputs[5:7])
    assert complex(d, q) == pytest.approx(wanted, rel=1e-9)


def test_pull_out_is_the_largest_torque_over_slip() -> None:
    machine = replace(MACHINE, saturation=None)
    net, omega = network(machine), 2.0 * math.pi * 50.0
    torques = []
    for slip in np.linspace(0.02, 0.4, 2000):
        speed = omega * (1.0 - slip) / 2.0
        columns = [evaluate(net, [speed, *row], [0.0, 0.0, omega]).derivative[1:] for row in np.eye(4)]
        free = np.array(evaluate(net, [speed, 0.0, 0.0, 0.0, 0.0], [300.0, 0.0, omega]).derivative[1:])
        fluxes = np.linalg.solve(np.array(columns).T, -free)
        torques.append(evaluate(net, [speed, *fluxes], [300.0, 0.0, omega]).values[net.terms[0].outputs[4]])
    assert pull_out_torque(machine.circuit(), 2, 300.0, omega) == pytest.approx(max(torques), rel=1e-5)


@pytest.mark.parametrize(
    ("machine", "says"),
    [
        (
            replace(MACHINE, rated_torque=None),
            "rated_torque: volts_per_hertz needs it: a command of the rated",
        ),
        (
            replace(MACHINE, control=replace(SCALAR, frequency=-120.0)),
            r"control: frequency -120 Hz turns it at -3600 rpm; allowed: at most max_speed, 2864.79 rpm",
        ),
        (
            replace(MACHINE, inverter=Inverter(continuous_current=70.0, overload_time=1.0)),
            "continuous_current 70 A",
        ),
    ],
)
def test_what_contradicts_itself_is_refused(machine: InductionMachine, says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        machine.check()
