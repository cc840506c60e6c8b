"""What follows from the data of parts: where a mode stands still, stress and twist of a shaft, base speed."""

import math

import pytest

from rigs import Table, coupling, describe, servo, speed_loop, step
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench

PM: Table = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "pm",
    "inertia": "0.02 kg m^2",
    "pole_pairs": 4,
    "resistance": "50 mohm",
    "inductance_d": "0.6 mH",
    "inductance_q": "0.6 mH",
    "flux_linkage": "0.12 Wb",
    "current_limit": "200 A",
    "max_speed": "3000 rpm",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz", "modulation": 0.9},
}


def test_two_bodies_have_their_node_where_their_inertias_say() -> None:
    left, right = 0.02, 0.05
    line = [servo("drive", left), coupling("c", 2e4), servo("load", right)]
    (mode,) = find_modes(mechanics(build_bench(describe({"line": line, "duration": "1 s"}), smooth=True)))
    assert mode.nodes == {"c": pytest.approx(right / (left + right))}


def test_stress_and_twist_of_a_shaft_belong_to_its_largest_torque() -> None:
    diameter, length = 0.03, 0.4
    shaft = {"part": "shaft", "name": "s", "diameter": "30 mm", "length": "0.4 m", "damping": "1 N m s/rad"}
    line = [servo("drive", 0.05), shaft, servo("load", 0.05)]
    loop = speed_loop("drive", 10.0, 0.0, clamp="50 N m")
    document = {"line": line, "loop": [loop], "sequence": [step("speed", "500 rpm")], "duration": "50 ms"}
    found = simulate(describe(document))
    figures, peak = metrics(found), max(map(abs, found.peaks["s"]))
    assert peak > 20.0
    assert figures["stress.s"].value == pytest.approx(16.0 * peak / (math.pi * diameter**3))
    area = math.pi * diameter**4 / 32.0
    modulus = found.bench.line.edges[0].stiffness * length / area
    assert figures["twist.s"].value == pytest.approx(peak * length / (modulus * area))
    assert 70e9 < modulus < 90e9 and "stress.c" not in figures


def test_base_speed_is_where_the_current_limit_takes_all_voltage() -> None:
    line = [PM, coupling("c", 2e4), servo("load", 0.05)]
    description = describe({"line": line, "duration": "1 s", "supply": {"voltage": "600 V"}})
    machines = build_bench(description, smooth=True).machines
    found = machines["pm"].derived()
    voltage, flux = 0.9 * 600.0 / math.sqrt(3.0), math.hypot(0.12, 0.6e-3 * 200.0)
    assert found["base_speed"] == (pytest.approx(voltage / (4.0 * flux)), "rad/s")
    assert found["characteristic_current"] == (pytest.approx(0.12 / 0.6e-3), "A")
    assert machines["load"].derived() == {}
