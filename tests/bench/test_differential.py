"""A differential between two wheels, and loops judged as one, against equations of their own."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.linalg import eigh

from rigs import Table, describe, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.efficiency import bench_budget
from shaftloop.analysis.efficiency_points import bench_point, measured_bench
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.joint import JointMargins, joint_figures, joint_margins
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.margins import loop_margins
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.sensitivity import sensitivity
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description
from shaftloop.studies.responses import evaluate, known

RATIO, DRIVE, OUTPUT, WHEEL = 9.0, 0.02, 0.03, 1.1
GEARS, SHAFT = 9e3, 2e4
LAG = {"time_constant": "1 ms"}


def differential(**keys: Any) -> Table:
    plain = {"part": "differential", "name": "diff", "ratio": RATIO, "stiffness": f"{GEARS} N m/rad"}
    return {**plain, "inertia_right": f"{OUTPUT} kg m^2", **keys}


def axle(right: float = SHAFT, **keys: Any) -> list[Table]:
    """Return a drive on a differential between two wheels on sensors."""
    damped: Table = {"damping": "5 N m s/rad"} | keys
    line = [servo("drive", DRIVE, **LAG), differential(damping="0.4 N m s/rad")]
    line += [sensor("left", SHAFT, **damped), servo("wheel_left", WHEEL, **LAG)]
    return [*line, sensor("right", right, after="diff", **damped), servo("wheel_right", WHEEL, **LAG)]


def wheels(kp: float = 100.0, ki: float = 2000.0, **keys: Any) -> list[Table]:
    return [speed_loop(f"wheel_{side}", kp, ki, name=side[0], **keys) for side in ("left", "right")]


def bench(line: list[Table], loops: list[Table], *sequence: Table, **keys: Any) -> Description:
    moves = list(sequence) or [hold("10 ms")]
    return describe({"line": line, "loop": loops, "sequence": moves, "unit": line[0]["name"], **keys})


def test_modes_are_those_of_mass_and_stiffness_assembled_by_hand() -> None:
    """Independent: K = Σ k·g·gᵀ, in which the differential ties three angles; two motions are free."""
    ties = [(GEARS, [1, -RATIO / 2, 0, -RATIO / 2, 0]), (SHAFT, [0, 1, -1, 0, 0]), (3e4, [0, 0, 0, 1, -1])]
    stiffness = sum(k * np.outer(g, g) for k, g in ties)
    values = eigh(stiffness, np.diag([DRIVE, OUTPUT, WHEEL, OUTPUT, WHEEL]), eigvals_only=True)
    line = axle(3e4, damping="0 N m s/rad")
    line[1] = differential()
    modes = find_modes(mechanics(build_bench(bench(line, []))))
    assert np.abs(values[:2]).max() < 1e-6 * values[-1]
    assert [mode.frequency for mode in modes] == pytest.approx(np.sqrt(values[2:]) / (2 * np.pi), rel=1e-10)


def test_outputs_get_equal_torques_and_share_the_speed() -> None:
    moves = [
        ramp("l", "0.2 s") | {"loop": "l", "to": "500 rpm", "wait": False},
        ramp("r", "0.2 s") | {"loop": "r", "to": "400 rpm"},
    ]
    push = torque_loop("drive", "left", feedforward=2.0 / RATIO, name="push")
    run = simulate(bench(axle(), [push, *wheels()], *moves, step("push", "300 N m"), hold("0.3 s")))
    speeds = {name: run.traces[f"{name}_speed"][-1] for name in ("drive", "wheel_left", "wheel_right")}
    assert speeds["wheel_left"] - speeds["wheel_right"] == pytest.approx(100 * np.pi / 30, rel=1e-3)
    assert speeds["drive"] == pytest.approx(
        RATIO * (speeds["wheel_left"] + speeds["wheel_right"]) / 2, rel=1e-4
    )
    torques = [run.traces[name][-1] for name in ("true_torque", "right_true_torque")]
    assert torques == pytest.approx([300.0, 300.0], rel=1e-3)
    assert run.traces["diff_torque"][-1] == pytest.approx(2.0 * 300.0 / RATIO, rel=1e-3)
    assert run.energies.residual < 1e-5 and run.energies.worst.residual < 1e-5


def test_a_run_is_that_of_another_solver() -> None:
    loops = [torque_loop("drive", "left", name="push"), torque_loop("wheel_right", "left", name="pull")]
    moves = [step("push", "100 N m"), step("pull", "-400 N m"), hold("30 ms")]
    run = simulate(bench(axle(), loops, *moves, record={"rate": "50 kHz"}))

    def slopes(time: float, x: NDArray[np.float64]) -> list[float]:
        drive, a, wa, b, wb = x[:5]
        risen = 1.0 - np.exp(-time / 1e-3)
        rates = [drive - RATIO * (a + b) / 2, a - wa, b - wb]
        gears, left, right = (
            k * twist + d * rate
            for k, d, twist, rate in zip((GEARS, SHAFT, SHAFT), (0.4, 5, 5), x[5:], rates, strict=True)
        )
        out = RATIO / 2 * gears
        # The right wheel lowers the torque of the left sensor through the differential: its loop turns round.
        pushed = [100 * risen - gears, out - left, left, out - right, right + 400 * risen]
        return [p / j for p, j in zip(pushed, (DRIVE, OUTPUT, WHEEL, OUTPUT, WHEEL), strict=True)] + rates

    time, options = run.time, {"rtol": 1e-11, "atol": 1e-13, "max_step": 2e-5}
    exact = solve_ivp(slopes, (0.0, time[-1]), np.zeros(8), "DOP853", time, **options).y
    for name, row, k in (("true_torque", 6, SHAFT), ("right_true_torque", 7, SHAFT), ("drive_speed", 0, 1.0)):
        expected = k * exact[row]
        assert np.abs(run.traces[name] - expected).max() < 1e-5 * np.abs(expected).max(), name


def test_levers_through_a_differential() -> None:
    line = build_bench(bench(axle(), [])).line
    levers = {
        name: line.tree.lever(line.places[name].body, 1) for name in ("drive", "wheel_left", "wheel_right")
    }
    assert levers == pytest.approx({"drive": RATIO / 2, "wheel_left": -1.0, "wheel_right": -1.0})
    inertias = [node.inertia for node in line.nodes]
    handed = line.tree.handed(inertias, 0)
    whole = DRIVE + 2 * (OUTPUT + WHEEL) / RATIO**2
    assert handed[1] == pytest.approx(WHEEL / RATIO / whole, rel=1e-9), "half of it to each side"
    assert line.tree.handed(inertias, 2)[1] < 0.0


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [bench(axle(), wheels(kp), step("l", "30 rpm"), hold("20 ms")) for kp in (80, 90, 100)]
    for one, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(one)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def test_speed_of_an_operating_point_keeps_the_bend() -> None:
    smooth = build_bench(bench(axle(), wheels(), step("l", "500 rpm"), step("r", "400 rpm"), hold("1 ms")))
    rpm = np.pi / 30.0
    assert operating_point(smooth).speed == pytest.approx(RATIO * 450 * rpm)
    assert operating_point(smooth, speed=RATIO * 900 * rpm).setpoints == pytest.approx(
        {"l": 1000 * rpm, "r": 800 * rpm}
    )
    still = build_bench(bench(axle(), wheels()))
    assert operating_point(still, speed=RATIO * 900 * rpm).setpoints == pytest.approx(
        {"l": 900 * rpm, "r": 900 * rpm}
    )


def test_a_sensor_at_one_output_tells_no_efficiency_of_the_drive() -> None:
    """It has half the power of the drive, at a speed of its own, and all of its wheel."""
    meters = [
        {"name": f"p_{on}", "on": on, "sampling": "100 Hz", "range": "100 kW", "class_reading": 0.001}
        for on in ("drive", "wheel_left", "wheel_right")
    ]
    moves = [step("l", "500 rpm"), step("r", "400 rpm"), step("torque", "30 N m"), hold("1 ms")]
    loops = [*wheels(), torque_loop("drive", "left")]
    bend = bench(axle(), loops, *moves, power_meter=meters)
    for unit, hidden, told in (
        ("drive", {"efficiency", "loss"}, "other_loss"),
        ("wheel_left", {"other_loss"}, "efficiency"),
    ):
        measured = measured_bench(replace(bend, unit=unit))
        point = bench_point(measured)
        assert point.speed == pytest.approx(500.0 * np.pi / 30.0, rel=1e-6)
        budget = bench_budget(measured, point)
        known = {entry.name: entry.value for entry in budget.propagation.budgets}
        assert told in known and not (hidden | {"supply_power", "returned_share"}) & set(known)
        assert any("left sees what all machines on a side give together" in text for text in budget.left_out)
        if unit == "drive":
            assert point.powers["wheel_left"] < -1e3  # it loses nothing
            assert known["other_loss"] == pytest.approx(0.0, abs=1e-3)


def opened(description: Description, *names: str) -> tuple[HyperMap, JointMargins]:
    smooth = HyperMap(description)
    point = operating_point(smooth.bench)
    state = smooth.steady(point)
    loops = {name: loop_margins(smooth, smooth.bench.loops[name], point, state) for name in names}
    joint = joint_margins(smooth, state, loops)
    assert joint is not None
    return smooth, joint


def test_equal_wheels_are_judged_as_their_sum_and_their_difference() -> None:
    """Two routes: a chain of everything doubled, and one wheel on an output whose input stands still."""
    _, joint = opened(bench(axle(), wheels()), "l", "r")
    frequency = np.geomspace(0.5, 2000.0, 60)
    damped = {"damping": "5 N m s/rad"}
    spin = [{"part": "bearing", "name": "o", "inertia": f"{OUTPUT} kg m^2", "drag": {}}]
    spin += [sensor("ts", SHAFT, **damped), servo("wheel", WHEEL, **LAG)]
    both = differential(damping="0.4 N m s/rad", part="gear", inertia_right=f"{2 * OUTPUT} kg m^2")
    chain = [servo("drive", DRIVE, **LAG), both, sensor("ts", 2 * SHAFT, damping="10 N m s/rad")]
    chain.append(servo("wheel", 2 * WHEEL, **LAG))
    expected = []
    for line, factor in ((spin, 1.0), (chain, 2.0)):
        loops = [speed_loop("wheel", factor * 100.0, factor * 2000.0)]
        one = HyperMap(describe({"line": line, "loop": loops, "duration": "1 ms"}))
        state = one.steady(operating_point(one.bench))
        expected.append(np.abs(sensitivity(one.open([one.bench.loops["speed"]], state), frequency)))
    found = np.linalg.svd(joint.sensitivity(frequency), compute_uv=False)
    assert found == pytest.approx(np.sort(np.array(expected), axis=0)[::-1].T, rel=1e-6)


@pytest.mark.parametrize("rate", ["10 kHz", "2.5 kHz"])
def test_the_diagonal_is_what_each_loop_has_alone(rate: str) -> None:
    loops = wheels()
    loops[1] = {**loops[1], "rate": rate}
    smooth, joint = opened(bench(axle(3e4), loops), "l", "r")
    frequency = np.geomspace(1.0, 1000.0, 25)
    state, whole = smooth.steady(operating_point(smooth.bench)), joint.sensitivity(frequency)
    for i, name in enumerate(joint.loops):
        alone = sensitivity(smooth.open([smooth.bench.loops[name]], state), frequency)
        assert np.abs(whole[:, i, i] - alone).max() < 1e-6
        assert joint.ms >= np.abs(alone).max() - 1e-9
    assert np.linalg.norm(whole[:, 0, 1]) > 1e-3, "the wheels feel each other"


def test_all_gains_times_the_joint_margin_are_the_edge() -> None:
    description = bench(axle(), wheels())
    _, joint = opened(description, "l", "r")
    factor = joint.gain_margin
    assert factor is not None and 1.0 < factor < 1000.0
    for scale, stable in ((0.999, True), (1.001, False)):
        scaled = bench(axle(), wheels(100.0 * factor * scale, 2000.0 * factor * scale))
        smooth = HyperMap(scaled)
        state = smooth.steady(operating_point(smooth.bench))
        assert (spectral_radius(smooth.dynamics(state)) < 1.0) is stable


def test_figures_of_all_loops_together() -> None:
    description = bench(axle(), wheels())
    assert {"margins.joint.ms", "margins.joint.gain_margin", "margins.l.ms"} <= set(
        known(description, ["margins"])
    )
    _, joint = opened(description, "l", "r")
    figures = {figure.name: figure.value for figure in joint_figures(joint)}
    found = evaluate(description, ["margins.joint.ms", "margins.joint.gain_margin"])
    assert {name: found[f"margins.joint.{name}"].value for name in figures} == pytest.approx(figures)
    assert set(joint.direction) == {"l", "r"} and max(map(abs, joint.direction.values())) == pytest.approx(
        1.0
    )
    single = bench([*axle()[:-2], servo("x", 1.0, after="diff")], wheels()[:1])
    assert "margins.joint.ms" not in known(single, ["margins"])
    weak = replace(joint, system=replace(joint.system, a=2.0 * np.eye(len(joint.system.a))))
    assert all(figure.reason == "the bench is unstable" for figure in joint_figures(weak))


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (axle()[:4], "line.diff: diff has 2 outputs, and left comes after it; allowed: 2 parts"),
        (
            [*axle(), servo("third", 1.0, after="diff")],
            "diff has 2 outputs, and left and right and third come after it",
        ),
        (
            [servo("drive", 1.0), differential(inertia_right="0 kg m^2"), *axle()[2:]],
            "needs an inertia between diff and left: give inertia_right to diff or inertia_left to left",
        ),
        ([servo("drive", 1.0), differential(ratio=-3), *axle()[2:]], "line.diff.ratio"),
    ],
)
def test_what_no_differential_is_is_refused(line: list[Table], says: str) -> None:
    with pytest.raises(Exception, match=r"rig\.toml:\d+") as refused:
        bench(line, [])
    assert says in str(refused.value)
