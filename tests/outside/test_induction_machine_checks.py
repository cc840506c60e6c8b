"""Checks E4.2 and E4.5: induction machines in steady state, from the equations and on a bench."""

import math
from typing import Any

import pytest
from evaluate import evaluate
from scipy.optimize import root

from rigs import coupling, describe, disc
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop_models.induction_machine import InductionMachine, VoltsPerHertz, declare_induction_machine
from shaftloop_models.network import Network, Node

RPM = math.pi / 30.0


def test_e4_2_equivalent_circuit_at_2_percent_slip() -> None:
    """Fitzgerald, Kingsley, Umans, Electric Machinery, example 6.2, p. 320; read in a transcription."""
    omega, slip, volts = 2.0 * math.pi * 60.0, 0.02, 220.0 * math.sqrt(2.0 / 3.0)
    machine = InductionMachine(
        part="machine",
        model="induction",
        name="m",
        inertia=1.0,
        pole_pairs=3,
        stator_resistance=0.294,
        rotor_resistance=0.144,
        stator_leakage=0.503 / omega,
        rotor_leakage=0.209 / omega,
        main_inductance=13.25 / omega,
        current_limit=1e3,
        max_speed=200.0,
        rated_torque=42.4,
        control=VoltsPerHertz("volts_per_hertz", 4000, 60.0, 60.0, volts, 1.0),  # type: ignore[arg-type]
    )
    net = Network()
    node = Node("m", 1.0, net.state("m.speed", "rad/s"))
    declare_induction_machine(net, machine, node)
    speed = omega * (1.0 - slip) / 3.0
    assert speed / RPM == pytest.approx(1176.0, rel=1e-3)

    def at_rest(fluxes: Any) -> Any:
        return evaluate(net, [speed, *fluxes], [volts, 0.0, omega]).derivative[1:]

    found = root(at_rest, [0.0, -0.4, 0.0, -0.4], tol=1e-12)
    at = evaluate(net, [speed, *found.x], [volts, 0.0, omega])
    power = dict(zip([meter.name for meter in net.meters], at.powers, strict=True))
    outputs = dict(zip(net.outputs, [at.values[ref] for ref in net.terms[0].outputs], strict=True))
    d, q = outputs["m.current_d"], outputs["m.current_q"]
    rotational = 403.0
    assert math.hypot(d, q) / math.sqrt(2.0) == pytest.approx(18.8, rel=2e-3)
    assert d / math.hypot(d, q) == pytest.approx(0.846, rel=1e-3) and q < 0.0
    assert power["m.link"] == pytest.approx(6050.4, rel=1e-4)
    assert power["m.copper"] == pytest.approx(311.0, rel=1e-3)
    assert power["m.rotor"] == pytest.approx(114.8, rel=1e-3)
    assert power["m.airgap"] + power["m.rotor"] == pytest.approx(5739.4, rel=1e-4)
    shaft = power["m.airgap"] - rotational
    assert shaft == pytest.approx(5221.6, rel=1e-4)
    assert shaft / speed == pytest.approx(42.4, rel=1e-3)
    assert shaft / power["m.link"] == pytest.approx(0.863, rel=1e-3)
    losses = power["m.copper"] + power["m.rotor"] + rotational
    assert power["m.link"] - shaft == pytest.approx(losses, rel=1e-9)


@pytest.mark.parametrize(
    ("frequency", "speed", "power"), [(40.0, 1166.0, 2860.0), (60.0, 1721.0, 9170.0)], ids=["40Hz", "60Hz"]
)
def test_e4_5_volts_per_hertz_with_cube_law_load(frequency: float, speed: float, power: float) -> None:
    """Fitzgerald, Kingsley, Umans, Electric Machinery, example 11.11, p. 600; read in a transcription."""
    omega, full = 2.0 * math.pi * 60.0, 1800.0 * RPM
    machine = {
        "part": "machine",
        "model": "induction",
        "name": "m",
        "inertia": "0.1 kg m^2",
        "pole_pairs": 2,
        "stator_resistance": "0.095 ohm",
        "rotor_resistance": "0.2 ohm",
        "stator_leakage": f"{0.680 / omega} H",
        "rotor_leakage": f"{0.672 / omega} H",
        "main_inductance": f"{18.7 / omega} H",
        "current_limit": "500 A",
        "max_speed": "2000 rpm",
        "rated_torque": "50 N m",
        "drag": {"windage": f"{10.5e3 / full**3} N m s^2/rad^2"},
        "control": {
            "kind": "volts_per_hertz",
            "rate": "4 kHz",
            "frequency": f"{frequency} Hz",
            "rated_frequency": "60 Hz",
            "rated_voltage": f"{230.0 * math.sqrt(2.0 / 3.0)} V",
            "rated_slip": "2 Hz",
        },
    }
    line = [machine, coupling("c", 2e4, damping="5 N m s/rad"), disc("hub", 0.01)]
    bench = HyperMap(describe({"line": line, "supply": {"voltage": "600 V"}, "duration": "1 s"}))
    state = held_state(bench, operating_point(bench.bench))
    found = state[bench.bench.line.nodes[0].speed.index]
    assert found / RPM == pytest.approx(speed, abs=1.0)
    assert 10.5e3 * (found / full) ** 3 == pytest.approx(power, rel=3e-3)
