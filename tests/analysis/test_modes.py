"""Modes: what they are taken from, their energies, and the response of the sensor."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigs import Table, coupling, describe, disc, sensor, servo, shipped, smooth_bench, speed_loop
from shaftloop.analysis.modes import Mechanics, Mode, find_modes, mechanics
from shaftloop.bench.assemble import build_bench

POWERS = st.floats(-3.0, 3.0)


def line_of(parts: list[Table]) -> Mechanics:
    loop = speed_loop(parts[0]["name"], 1.0, 0.0)
    return mechanics(build_bench(describe({"duration": "1 s", "line": parts, "loop": [loop]}), smooth=True))


def test_modes_of_the_reference_bench() -> None:
    """Against the generalised eigenproblem of inertia and stiffness, damping by its quadratic form."""
    j = np.diag([0.02, 0.0012, 0.0012, 0.03])
    twist = np.array([[1.0, -1.0, 0.0, 0.0], [0.0, 1.0, -1.0, 0.0], [0.0, 0.0, 1.0, -1.0]])
    k = twist.T @ np.diag([2.5e4, 6e4, 2.5e4]) @ twist
    d = twist.T @ np.diag([2.0, 1.0, 2.0]) @ twist + np.diag([0.002, 0.0, 0.0, 0.002])
    zero, one = np.zeros((4, 4)), np.eye(4)
    inverse = np.linalg.inv(j)
    values = np.linalg.eigvals(np.block([[zero, one], [-inverse @ k, -inverse @ d]]))
    values = np.sort_complex(values[values.imag > 1.0])[::-1]
    values = values[np.argsort(np.abs(values))]
    modes = find_modes(mechanics(smooth_bench("reference-bench")))
    assert [m.frequency for m in modes] == pytest.approx(np.abs(values) / (2.0 * np.pi), rel=1e-9)
    assert [m.damping_ratio for m in modes] == pytest.approx(-values.real / np.abs(values), rel=1e-9)


def test_the_line_keeps_what_belongs_to_it_and_nothing_else() -> None:
    bench = smooth_bench("wheel-hub")
    line = mechanics(bench)
    assert line.bodies == tuple(node.name for node in bench.line.nodes)
    assert {part: len(rows) for part, rows in line.springs.items()} == {"c1": 5, "ts": 1, "c2": 5}
    assert len(line.a) == 15
    assert line.machines == {"drive": 0, "load": 3} and line.sensor == "ts"


def test_energy_coordinates_lose_energy_and_never_gain_it() -> None:
    for name in ("reference-bench", "wheel-hub", "truck-axle", "micro-spindle"):
        a = mechanics(smooth_bench(name)).a
        assert np.linalg.eigvalsh(a + a.T).max() < 1e-9 * np.abs(a).max()


def test_a_soft_long_shaft_takes_the_first_mode() -> None:
    first = find_modes(mechanics(smooth_bench("truck-axle")))[0]
    assert first.weakest == "long" and first.strains["long"] > 0.9
    assert first.frequency == pytest.approx(18.0, rel=0.05)
    assert sum(first.strains.values()) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(POWERS, min_size=2, max_size=8), st.data())
def test_undamped_modes_of_any_line_are_orthogonal(inertias: list[float], data: st.DataObject) -> None:
    count = len(inertias)
    stiffnesses = data.draw(st.lists(POWERS, min_size=count - 1, max_size=count - 1))
    j, k = 10.0 ** np.array(inertias), 10.0 ** np.array(stiffnesses)
    twist = np.eye(count - 1, count) - np.eye(count - 1, count, 1)
    b = np.sqrt(k)[:, None] * twist / np.sqrt(j)
    a = np.block([[np.zeros((count, count)), -b.T], [b, np.zeros((count - 1, count - 1))]])
    springs = {f"s{i}": np.array([count + i]) for i in range(count - 1)}
    names = tuple(f"b{i}" for i in range(count))
    modes = find_modes(Mechanics(names, a, j, springs, {}, None, np.zeros(len(a))))
    assert len(modes) == count - 1
    shapes = np.array([list(mode.shape.values()) for mode in modes]) * np.sqrt(j)
    shapes /= np.linalg.norm(shapes, axis=1)[:, None]
    gaps = [b.frequency / a.frequency for a, b in pairwise(modes)]
    if min(gaps, default=2.0) > 1.01:
        assert shapes @ shapes.T == pytest.approx(np.eye(count - 1), abs=1e-7)
    assert all(mode.damping_ratio == 0.0 for mode in modes)


def test_an_overdamped_mode_is_left_out() -> None:
    keys = {"damping": "1000 N m s/rad"}
    parts = [servo("a", 0.02), coupling("c1", 1e4), disc("d", 0.02), coupling("c2", 1e3, **keys)]
    modes = find_modes(line_of([*parts, servo("b", 0.02)]))
    assert len(modes) == 1
    assert modes[0].weakest == "c1"


def test_viscous_drag_damps_a_mode() -> None:
    drag = {"viscous": "0.5 N m s/rad"}
    parts = [servo("a", 0.02, drag=drag), coupling("c", 1e4), servo("b", 0.02, drag=drag)]
    (mode,) = find_modes(line_of(parts))
    # Drag in proportion to inertia: ζ = d/(2·J·ω).
    assert mode.damping_ratio == pytest.approx(0.5 / (2 * 0.02 * 2 * np.pi * mode.frequency), rel=1e-9)


def test_the_amplification_is_the_top_of_the_response() -> None:
    line = mechanics(smooth_bench("micro-spindle"))
    first = find_modes(line)[0]
    near = first.frequency * np.linspace(0.97, 1.03, 601)
    for machine, gain in first.amplification.items():
        top = np.abs(line.torque_response(machine, near)).max()
        assert gain == pytest.approx(top, rel=1e-3)


def test_without_a_sensor_there_is_no_amplification() -> None:
    parts = [servo("a", 0.02), coupling("c", 1e4, damping="1 N m s/rad"), servo("b", 0.02)]
    line = line_of(parts)
    assert line.sensor is None
    assert find_modes(line)[0].amplification == {"a": None, "b": None}


def test_the_sign_of_a_shape_is_not_left_to_chance() -> None:
    parts = [servo("a", 0.02), sensor("ts", 1e4), servo("b", 0.02)]
    (mode,) = find_modes(line_of(parts))
    assert mode.shape == {"a": 1.0, "b": pytest.approx(-1.0)}


def test_the_first_mode_shows_in_the_response_of_a_machine_between_two_lines() -> None:
    """A rotor in the middle held still: both halves swing, at the same frequency where they are alike."""
    parts = [disc("l", 0.02), coupling("c1", 1e4), servo("m", 0.05), coupling("c2", 1e4), disc("r", 0.02)]
    loop = speed_loop("m", 1.0, 0.0)
    bench = build_bench(describe({"duration": "1 s", "line": parts, "loop": [loop]}), smooth=True)
    half = np.sqrt(1e4 / 0.02) / (2.0 * np.pi)
    line = mechanics(bench)
    assert line.antiresonances("m") == pytest.approx([half, half], rel=1e-9)
    assert find_modes(line)[0].frequency == pytest.approx(half, rel=1e-9)


def test_settings_reach_the_modes() -> None:
    def first(*settings: str) -> Mode:
        return find_modes(mechanics(build_bench(shipped("reference-bench", *settings), smooth=True)))[0]

    assert first("line.c1.stiffness=10 kN m/rad").frequency < first().frequency
