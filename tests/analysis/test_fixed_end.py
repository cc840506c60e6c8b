"""A line that is held at one end: closed forms of its modes, its rest under torque, its loop."""

import math
from pathlib import Path

import pytest
import tomlkit

from rigs import Table, coupling, describe, sensor, servo, step, torque_loop
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario

WALL: Table = {"part": "fixed_end", "name": "wall"}
INERTIA, STIFFNESS = 0.02, 3.0e4
KI = 20.0


def held(*line: Table, left: bool = False, **more: object) -> Description:
    """Return a line between a free end and the wall, or the other way round."""
    parts = [*line, WALL]
    return describe({"line": parts[::-1] if left else parts, "duration": "0.2 s", **more})


def one_mass(left: bool = False, **loop: object) -> Description:
    """Return one mass on a damped sensor on the wall, with a slow torque loop."""
    line = servo("drive", INERTIA, time_constant="0.2 ms"), sensor("ts", STIFFNESS, damping="2 N m s/rad")
    loops = [torque_loop("drive", "ts", **{"feedforward": 0.0, "ki": f"{KI} 1/s", **loop})]
    return held(*line, left=left, unit="drive", loop=loops, sequence=[step("torque", "50 N m")])


@pytest.mark.parametrize("left", [False, True])
def test_one_mass_on_a_wall(left: bool) -> None:
    (mode,) = find_modes(mechanics(build_bench(one_mass(left), smooth=True)))
    natural = math.sqrt(STIFFNESS / INERTIA)
    assert mode.frequency == pytest.approx(natural / (2.0 * math.pi), rel=1e-12)
    assert mode.damping_ratio == pytest.approx(2.0 * natural / (2.0 * STIFFNESS), rel=1e-9)
    assert mode.shape == {"drive": 1.0, "wall": 0.0}


def test_a_chain_on_a_wall_has_quarter_waves() -> None:
    """Of n equal masses and springs: 2·sqrt(k/J)·sin((2j - 1)·π/(2·(2n + 1))), the outermost of them free."""
    count = 6
    masses = [servo(f"m{i}", INERTIA) for i in range(count)]
    springs = [coupling(f"k{i}", STIFFNESS) for i in range(count)]
    line = [part for pair in zip(masses, springs, strict=True) for part in pair]
    modes = find_modes(mechanics(build_bench(held(*line), smooth=True)))
    own = math.sqrt(STIFFNESS / INERTIA) / math.pi
    expected = [own * math.sin((2 * j - 1) * math.pi / (4 * count + 2)) for j in range(1, count + 1)]
    assert [mode.frequency for mode in modes] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("left", [False, True])
def test_a_held_line_rests_under_torque(left: bool) -> None:
    smooth = HyperMap(one_mass(left))
    state = smooth.steady(operating_point(smooth.bench))
    slots = {slot.name: state[i] for i, slot in enumerate(smooth.bench.model.layout.slots)}
    assert slots["ts.twist"] == pytest.approx(50.0 / STIFFNESS, rel=1e-9)
    assert slots["drive.speed"] == pytest.approx(0.0, abs=1e-9)
    assert slots["wall.speed"] == 0.0


def test_energy_of_a_held_line_closes() -> None:
    run = simulate(one_mass(), factor=4)
    assert run.energies.residual < 1e-7
    end = {balance.element: balance.stored for balance in run.energies.balances}
    assert end["ts"] == pytest.approx(0.5 * 50.0**2 / STIFFNESS, rel=0.05)
    assert end["wall"] == 0.0


def test_an_integral_loop_on_a_wall_crosses_over_at_its_gain() -> None:
    """Far below the mode the plant is 1, so the loop is ki/s: crossover at ki/2π, phase margin near 90°."""
    margins = analyse_loops(one_mass(), ["torque"])["torque"].margins
    assert margins.stable
    assert margins.crossover == pytest.approx(KI / (2.0 * math.pi), rel=1e-3)
    assert margins.phase_margin == pytest.approx(90.0, abs=1.0)


def test_what_a_held_line_cannot() -> None:
    smooth = build_bench(one_mass(), smooth=True)
    with pytest.raises(SimulationError, match=r"wall holds the line, so it does not turn"):
        operating_point(smooth, speed=10.0)
    inside = [servo("a", 0.1), coupling("k", 1e4), WALL, coupling("l", 1e4), servo("b", 0.1)]
    with pytest.raises(ScenarioError, match=r"line.wall: is inside the line"):
        describe({"line": inside, "duration": "1 s"})
    second = {**WALL, "name": "vice"}
    with pytest.raises(ScenarioError, match=r"line.vice: a second fixed end, beside wall; allowed: one"):
        describe({"line": [WALL, coupling("k", 1e4), servo("a", 0.1), coupling("l", 1e4), second]})


def test_a_machine_on_the_wall_is_warned_of(tmp_path: Path) -> None:
    line = [WALL, servo("a", 0.1), coupling("k", 1e4), servo("b", 0.1)]
    path = tmp_path / "held.toml"
    path.write_text(tomlkit.dumps({"title": "held", "duration": "1 s", "line": line}), encoding="utf-8")
    (warning,) = read_scenario(path).warnings
    assert "line.a: sits on the fixed end, which takes all of its torque" in warning


def test_a_reading_between_machine_and_wall_sees_all_of_a_slow_torque() -> None:
    found = fidelity(one_mass())
    assert found.share == 1.0
    natural = math.sqrt(STIFFNESS / INERTIA) / (2.0 * math.pi)
    # |1/(1 - r² + 2jζr)| is 1.01 where (1 - x)² + 4ζ²x = 1/1.01², with x = r².
    half = 1.0 - 2.0 * (natural * 2.0 * math.pi / STIFFNESS) ** 2
    x = half - math.sqrt(half**2 - 1.0 + 1.01**-2)
    assert found.bands["mechanical"][0].high == pytest.approx(natural * math.sqrt(x), rel=1e-4)
    free = [servo("drive", INERTIA), sensor("ts", STIFFNESS), servo("load", INERTIA)]
    loops = [torque_loop("load", "ts")]
    beyond = describe(
        {"line": [WALL, coupling("k", 1e4), *free], "unit": "drive", "loop": loops, "duration": "1 s"}
    )
    with pytest.raises(SimulationError, match=r"ts sees nothing of a slow torque of drive: wall takes it"):
        fidelity(beyond)
