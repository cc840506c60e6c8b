"""A gear stage on a bench: ratio, play and friction against equations of their own, lanes, refusals."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

import shaftloop
from rigs import Table, describe, hold, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.fidelity.misalignment import misalignment
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.interference import excitations
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description

RATIO, MESH, STIFF = 3.0, 3e4, 2e5
WHEEL = 0.002


def gear(**keys: Any) -> Table:
    plain = {
        "part": "gear",
        "name": "box",
        "ratio": RATIO,
        "stiffness": f"{MESH} N m/rad",
        "inertia_left": f"{WHEEL} kg m^2",
        "inertia_right": f"{WHEEL} kg m^2",
        "rated": "50 N m",
        "max_speed": "4000 rpm",
    }
    return {**plain, **keys}


def pushed(box: Table, sequence: list[Table]) -> Description:
    """Return a bench whose drive gets its torque from the sequence."""
    line = [servo("drive", 0.02), box, sensor("ts", STIFF), servo("load", 0.2)]
    loop = torque_loop("drive", "ts")
    return describe({"line": line, "loop": [loop], "sequence": sequence, "record": {"rate": "50 kHz"}})


def turned(box: Table, torque: str, **keys: Any) -> Description:
    """Return a bench that turns at 900 rpm of the drive under a torque of the load machine."""
    line = [servo("drive", 0.02), box, sensor("ts", STIFF, damping="20 N m s/rad"), servo("load", 0.2)]
    loops = [speed_loop("drive", 2.0, 100.0), torque_loop("load", "ts", **keys)]
    ramp = {"do": "ramp", "loop": "speed", "to": "900 rpm", "over": "0.2 s"}
    return describe({"line": line, "loop": loops, "sequence": [ramp, step("torque", torque), hold("0.5 s")]})


def through_play(play: float, torque: float, until: float, turn: float) -> NDArray[np.float64]:
    """Return the torque of the sensor at 50 kHz by another solver: three bodies, flanks that touch or do not.

    The torque turns round at an instant, with the lag of the machine.
    """

    def slopes(time: float, x: NDArray[np.float64]) -> list[float]:
        first, second, third, mesh, shaft = x
        pushed = torque * (1.0 - math.exp(-time / 1e-6))
        if time >= turn:
            pushed = torque * (2.0 * math.exp(-(time - turn) / 1e-6) - 1.0)
        carried = MESH * (mesh - min(max(mesh, -0.5 * play), 0.5 * play))
        return [
            (pushed - carried) / (0.02 + WHEEL),
            (RATIO * carried - STIFF * shaft) / WHEEL,
            STIFF * shaft / 0.2,
            first - RATIO * second,
            second - third,
        ]

    time, begin = np.arange(0.0, until, 2e-5), np.zeros(5)
    options = {"rtol": 1e-10, "atol": 1e-13, "max_step": 5e-6}
    found = solve_ivp(slopes, (0.0, until), begin, "DOP853", time, **options)
    return np.asarray(STIFF * found.y[4])


@pytest.mark.parametrize("play", [0.0, 0.004])
def test_torque_through_a_reversal_with_play(play: float) -> None:
    """Measured: 4e-4 of the largest torque with play, a quarter of that at half the step."""
    box = gear(**({"backlash": f"{play} rad"} if play else {}))
    sequence = [step("torque", "20 N m"), hold("10 ms"), step("torque", "-20 N m"), hold("10 ms")]
    run = simulate(pushed(box, sequence))
    exact = through_play(play, 20.0, 0.02, 0.01)
    found = run.traces["true_torque"][: len(exact)]
    assert np.abs(found - exact[: len(found)]).max() < (1e-3 if play else 1e-5) * np.abs(exact).max()
    if play:
        assert np.sum(np.abs(exact) < 1e-9) > 0, "the flanks part"


def balance(run: Simulation, element: str) -> tuple[float, float]:
    found = next(b for b in run.energies.balances if b.element == element)
    return abs(found.gap), found.throughput


def test_energy_closes_with_play() -> None:
    sequence = [step("torque", "20 N m"), hold("10 ms"), step("torque", "-20 N m"), hold("30 ms")]
    run = simulate(pushed(gear(backlash="0.004 rad", damping="3 N m s/rad"), sequence))
    gap, throughput = balance(run, "box")
    assert gap < 1e-4 * throughput
    assert run.energies.losses["box.damping"] > 0.0
    for element in ("drive", "box"):
        assert balance(run, element)[0] < 1e-3 * throughput
    assert metrics(run)["energy_residual"].value < 1e-3, "of little energy, at some twenty contacts"


@pytest.mark.parametrize(("torque", "expected"), [("90 N m", 0.95), ("-90 N m", 2.0 - 1.0 / 0.95)])
def test_efficiency_is_that_of_the_side_that_drives(torque: str, expected: float) -> None:
    run = simulate(turned(gear(efficiency=0.95), torque))
    made = run.traces["drive_torque"][-1] * run.traces["drive_speed"][-1]
    passed = run.traces["true_torque"][-1] * run.traces["load_speed"][-1]
    assert run.traces["load_speed"][-1] == pytest.approx(run.traces["drive_speed"][-1] / RATIO, rel=1e-6)
    share = passed / made if made > 0.0 else made / passed
    assert share == pytest.approx(expected, rel=1e-4)


def test_lanes_and_single_runs_are_equal() -> None:
    boxes = gear(backlash="0.004 rad", damping="3 N m s/rad", efficiency=0.96)
    benches = [turned(boxes, "60 N m", kp=kp) for kp in (0.0, 0.02, 0.05)]
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


@pytest.mark.parametrize(
    ("periods", "keys"), [(60.0, {"teeth": 60}), (37.0 / 11.0, {"teeth": 37, "error_order": "37/11"})]
)
def test_teeth_make_torque_of_their_order(periods: float, keys: Table) -> None:
    """The mesh strains against the rotor on its left, and wheel, sensor and load on its right."""
    box = gear(transmission_error="0.02 mrad", damping="0.5 N m s/rad", **keys)
    bench = turned(box, "30 N m", kp=0.01)
    run = simulate(bench)
    late = run.time > run.duration - 0.2
    torque, time = run.traces["box_torque"][late], run.time[late]
    order = periods * 900.0 / 60.0
    line = abs(2.0 * np.mean((torque - torque.mean()) * np.exp(-2j * np.pi * order * time)))
    omega = 2.0 * np.pi * order
    shaft = STIFF + 20j * omega
    right = WHEEL + 0.2 * shaft / (shaft - 0.2 * omega**2)
    mesh = MESH + 0.5j * omega
    expected = MESH * 20e-6 * omega**2 / (mesh * (1.0 / (0.02 + WHEEL) + RATIO**2 / right) - omega**2)
    assert line == pytest.approx(abs(expected), rel=0.01)
    assert {periods, 1.0, 1.0 / RATIO} <= {entry.order for entry in excitations(bench)}


def test_fidelity_says_what_the_teeth_make_of_the_reading() -> None:
    """Two routes: the line of a run, and the linear bench under the transmission error."""
    box = gear(teeth=60, transmission_error="0.02 mrad", damping="0.5 N m s/rad")
    bench = turned(box, "30 N m", kp=0.01)
    stated = replace(bench, unit="drive")
    (entry,) = misalignment(fidelity(stated))
    (order,) = entry.orders
    assert (entry.coupling, entry.mesh, order.order, order.error) == ("box", True, 60, 20e-6)
    run = simulate(bench)
    late = run.time > run.duration - 0.2
    turning = np.exp(-2j * np.pi * order.frequency * run.time[late])
    for name, expected in (("true_torque", order.true), ("reading", order.reading)):
        torque = run.traces[name][late]
        assert abs(2.0 * np.mean((torque - torque.mean()) * turning)) == pytest.approx(expected, rel=0.02), (
            name
        )
    assert misalignment(fidelity(replace(turned(gear(), "30 N m"), unit="drive"))) == ()


@pytest.mark.parametrize(("torque", "side"), [("30 N m", "left"), ("-30 N m", "right")])
def test_margins_say_which_flank_touches(torque: str, side: str, tmp_path: Path) -> None:
    play = {"backlash": "0.004 rad", "damping": "3 N m s/rad"}
    line = [
        servo("drive", 0.02),
        gear(**play),
        sensor("ts", STIFF, damping="20 N m s/rad"),
        servo("load", 0.2),
    ]
    loops = [speed_loop("drive", 2.0, 100.0), torque_loop("load", "ts", kp=0.02)]
    moves = [{"do": "ramp", "loop": "speed", "to": "900 rpm", "over": "0.1 s"}, step("torque", torque)]
    document = {"title": "Rig", "line": line, "loop": loops, "sequence": [*moves, hold("0.1 s")]}
    (tmp_path / "rig.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    notes = shaftloop.read(tmp_path / "rig.toml").margins().notes
    assert any(
        f"box counts as touching on the flank that its {side} side drives, under 10 N m" in n for n in notes
    )


def test_a_mesh_between_equals_has_its_node_in_the_middle() -> None:
    """What counts is the inertia behind the ratio: i²·0.18 kg m² turn against 0.18 kg m²."""
    box = gear(inertia_left="0 kg m^2", inertia_right="0 kg m^2")
    bench = describe(
        {"line": [servo("drive", 0.18), box, servo("load", 0.18 * RATIO**2)], "duration": "1 ms"}
    )
    (mode,) = find_modes(mechanics(build_bench(bench)))
    assert mode.nodes["box"] == pytest.approx(0.5, rel=1e-9)


def test_energy_of_a_bench_with_everything() -> None:
    box = gear(
        teeth=20,
        transmission_error="0.02 mrad",
        efficiency=0.95,
        loss_factor_psi=0.2,
        drag={"viscous": "1 mN m s/rad"},
    )
    run = simulate(turned(box, "60 N m"))
    assert metrics(run)["energy_residual"].value < 1e-6
    assert {"box.mesh", "box.drag", "box.damping"} <= run.energies.losses.keys()


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"ratio": -3}, "ratio"),
        ({"ratio": 0}, "ratio"),
        ({"backlash": "0.1 deg", "loss_factor_psi": 0.5}, "flanks that part"),
        ({"transmission_error": "0.02 mrad"}, "teeth"),
        ({"error_order": "37/11"}, "37/11 has no use without a transmission_error"),
        ({"teeth": 20, "transmission_error": "0.02 mrad", "backlash": "0.1 deg"}, "rattle"),
        ({"efficiency": 0.3}, "efficiency"),
    ],
)
def test_refusals(keys: Table, words: str) -> None:
    with pytest.raises(ScenarioError, match=words):
        turned(gear(**keys), "10 N m")


def test_an_efficiency_needs_a_rating() -> None:
    box = gear(efficiency=0.95)
    del box["rated"]
    with pytest.raises(ScenarioError, match=r"line.box.rated|rated"):
        turned(box, "10 N m")
