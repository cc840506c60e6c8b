"""A line with branches against equations of its own: modes, a run by another solver, energy, refusals."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.linalg import eigh

from rigs import Table, coupling, describe, disc, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.atend import at_end
from shaftloop.analysis.efficiency_points import measured_bench
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.flow import energy_flow
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description
from shaftloop_models.tree import Tree

RATIO, DRIVE, HUB, LOAD, PUMP = 2.5, 0.02, 0.012, 0.03, 0.06
LAG = {"time_constant": "1 ms"}
SHAFT, SECTION, MESH = 2.4e4, 4e4, 3e4


def gear(name: str, after: str, **keys: Any) -> Table:
    plain = {"part": "gear", "ratio": RATIO, "stiffness": f"{MESH} N m/rad", "rated": "60 N m"}
    return {**plain, "name": name, "after": after, **keys}


def branched(**keys: Any) -> list[Table]:
    """Return a drive on a hub from which a load on a sensor and a geared pump branch."""
    damped: Table = {"damping": "1 N m s/rad"} | keys
    return [
        servo("drive", DRIVE, **LAG),
        coupling("c1", SHAFT, **damped),
        disc("hub", HUB),
        sensor("ts", SECTION, **damped),
        servo("load", LOAD, **LAG),
        gear("box", "hub", **damped),
        servo("pump", PUMP, **LAG),
    ]


def bench(
    *, line: list[Table] | None = None, sequence: list[Table] | None = None, **keys: Any
) -> Description:
    """Return such a bench: its drive keeps the speed, its load the torque."""
    loops = [speed_loop("drive", 2.0, 40.0), torque_loop("load", "ts")]
    moves = [ramp("speed", "0.1 s") | {"to": "900 rpm"}, step("torque", "40 N m"), hold("0.1 s")]
    document = {"line": line or branched(), "loop": loops, "sequence": sequence or moves, "unit": "drive"}
    return describe({**document, **keys})


@pytest.fixture(scope="module")
def run() -> Simulation:
    return simulate(bench(record={"rate": "20 kHz"}))


def test_modes_are_those_of_mass_and_stiffness_assembled_by_hand() -> None:
    """Independent: K = Σ k·g·gᵀ over the springs, the generalised problem by a general library."""
    ties = {"c1": (SHAFT, [1, -1, 0, 0]), "ts": (SECTION, [0, 1, -1, 0]), "box": (MESH, [0, 1, 0, -RATIO])}
    stiffness = sum(k * np.outer(g, g) for k, g in ties.values())
    values, vectors = eigh(stiffness, np.diag([DRIVE, HUB, LOAD, PUMP]))
    modes = find_modes(mechanics(build_bench(bench(line=branched(damping="0 N m s/rad")))))
    assert [mode.frequency for mode in modes] == pytest.approx(np.sqrt(values[1:]) / (2 * np.pi), rel=1e-12)
    for mode, vector in zip(modes, vectors[:, 1:].T, strict=True):
        assert list(mode.shape.values()) == pytest.approx(vector / vector[np.abs(vector).argmax()], abs=1e-9)
        energy = {part: k * (np.array(g) @ vector) ** 2 for part, (k, g) in ties.items()}
        for part, share in mode.strains.items():
            assert share == pytest.approx(energy[part] / sum(energy.values()), rel=1e-9)
        ends = {"c1": vector[:2], "ts": vector[1:3], "box": np.array([vector[1], RATIO * vector[3]])}
        stands = {part: left / (left - right) for part, (left, right) in ends.items() if left * right < 0.0}
        assert mode.nodes == pytest.approx(stands, rel=1e-9)


def test_two_equal_branches_have_the_modes_of_one_against_a_wall_and_of_a_chain() -> None:
    """A geared branch counts with the square of its ratio.

    W. T. Thomson, Theory of Vibration with Applications, section 12.11. Two equal branches that swing against
    each other leave the hub still, √(k/J); those that swing together are one of twice its size.
    """
    line = [disc("hub", HUB), servo("root", DRIVE)]
    for side in ("a", "b"):
        line += [gear(f"box_{side}", "root"), servo(f"load_{side}", LOAD)]
    against, together = sorted(
        mode.frequency * 2.0 * np.pi
        for mode in find_modes(mechanics(build_bench(describe({"line": line, "duration": "1 ms"}))))
    )
    behind, root = LOAD / RATIO**2, HUB + DRIVE
    assert against == pytest.approx(np.sqrt(MESH / behind), rel=1e-12)
    assert together == pytest.approx(np.sqrt(2 * MESH * (1 / root + 1 / (2 * behind))), rel=1e-12)


def test_a_run_is_that_of_another_solver() -> None:
    loops = [torque_loop("drive", "ts", name="push"), torque_loop("pump", "ts", name="pull")]
    moves = [step("push", "20 N m"), step("pull", "30 N m"), hold("20 ms")]
    run = simulate(
        describe({"line": branched(), "loop": loops, "sequence": moves, "record": {"rate": "50 kHz"}})
    )

    def slopes(time: float, x: NDArray[np.float64]) -> list[float]:
        a, b, c, d = x[:4]
        risen = 1.0 - np.exp(-time / 1e-3)
        rates = [a - b, b - c, b - RATIO * d]
        torques = [
            k * twist + rate for k, twist, rate in zip((SHAFT, SECTION, MESH), x[4:], rates, strict=True)
        ]
        ta, tc, td = torques
        return [
            (20 * risen - ta) / DRIVE,
            (ta - tc - td) / HUB,
            tc / LOAD,
            (RATIO * td + 30 * risen) / PUMP,
            *rates,
        ]

    time = run.time
    exact = solve_ivp(
        slopes, (0.0, time[-1]), np.zeros(7), "DOP853", time, rtol=1e-11, atol=1e-13, max_step=2e-5
    ).y
    for name, row, k in (("true_torque", 5, SECTION), ("pump_speed", 3, 1.0), ("drive_speed", 0, 1.0)):
        expected = k * exact[row]
        assert np.abs(run.traces[name] - expected).max() < 1e-5 * np.abs(expected).max(), name


def test_a_torque_on_a_branch_of_the_left_side_raises_the_torque_of_the_sensor() -> None:
    """What is behind the sensor lowers it; the pump is not, though it stands further down in the file."""
    found = build_bench(bench())
    levers = {name: found.line.tree.lever(machine.body, 1) for name, machine in found.machines.items()}
    assert levers == {"drive": 1.0, "load": -1.0, "pump": pytest.approx(1.0 / RATIO)}
    sides = {name: measured_bench(replace(bench(), unit=name)) for name in levers}
    assert {name: (found.side, found.other) for name, found in sides.items()} == {
        "drive": (1.0, "load"),
        "load": (-1.0, "drive"),
        "pump": (1.0, "load"),
    }
    loops = [torque_loop("pump", "ts", kp=0.1, ki="20 1/s"), speed_loop("drive", 2.0, 40.0)]
    assert (
        build_bench(describe({"line": branched(), "loop": loops, "duration": "1 ms"})).loops["torque"].sign
        == 1.0
    )


def test_energy_closes_and_goes_where_the_line_goes(run: Simulation) -> None:
    assert run.energies.residual < 1e-5 and run.energies.worst.residual < 1e-5
    flow, links = energy_flow(run), run.energies.links
    assert [station.name for station in flow.stations] == ["drive", "shaft line", "load", "pump"]
    assert [pair[:2] for pair in flow.passed] == [(0, 1), (1, 2), (1, 3)]
    line = flow.stations[1]
    into, *out = (energy for _, _, energy in flow.passed)
    assert into == pytest.approx(sum(out) + line.loss + line.stored, rel=1e-5)
    assert sum(station.stored for station in flow.stations) == pytest.approx(flow.stored)
    assert metrics(run)["drive_energy"].value == links["drive"]
    assert metrics(run)["load_energy"].value == links["load"] + links["pump"]


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [bench(sequence=[step("torque", f"{t} N m"), hold("20 ms")]) for t in (10, 20, 30)]
    for one, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(one)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def test_a_broken_branch_leaves_the_rest_turning() -> None:
    fault = {"name": "off", "on": "box", "kind": "broken", "at": "0.15 s"}
    found = simulate(bench(fault=[fault]))
    after = found.time > 0.1501
    assert found.energies.residual < 1e-5 and found.energies.worst.residual < 1e-5
    assert np.all(found.traces["box_torque"][after] == 0.0)
    assert np.ptp(found.traces["pump_speed"][after]) < 1e-9
    assert found.traces["true_torque"][-1] > 30.0, "drive and load go on"
    kinetic = 0.5 * sum(
        j * found.traces[f"{name}_speed"][-1] ** 2
        for name, j in (("drive", DRIVE + HUB), ("load", LOAD), ("pump", PUMP))
    )
    assert at_end(found).kinetic == pytest.approx(kinetic, rel=1e-3), "but for what the hub swings"


def test_a_slow_torque_is_shared_by_inertia() -> None:
    found = fidelity(bench())
    whole = DRIVE + HUB + LOAD + PUMP / RATIO**2
    assert found.share == pytest.approx(LOAD / whole, rel=1e-9)
    smooth = HyperMap(bench())
    point = operating_point(smooth.bench)
    assert correction(bench(), smooth, point, 0.1).inertia == pytest.approx(DRIVE + HUB), "the pump may push"
    line = branched()
    line[-1] = disc("wheel", PUMP)
    idle = bench(line=line)
    inertia = correction(idle, HyperMap(idle), point, 0.1).inertia
    assert inertia == pytest.approx(DRIVE + HUB + PUMP / RATIO**2), "a branch without a machine turns along"


def test_a_steady_state_and_its_torques() -> None:
    line = branched()
    line[-1] = servo("pump", PUMP, drag={"viscous": "0.1 N m s/rad"})
    smooth = HyperMap(bench(line=line))
    state = held_state(smooth, operating_point(smooth.bench))
    twists = {edge.part: edge.stiffness * state[edge.twist.index] for edge in smooth.bench.line.edges}
    speed = 900.0 * np.pi / 30.0
    mesh = 0.1 * speed / RATIO**2
    assert twists == pytest.approx({"ts": 40.0, "box": mesh, "c1": 40.0 + mesh}, rel=1e-6)


def test_the_angle_of_a_body_on_a_branch_follows_its_own_way() -> None:
    line = branched()
    line[5] = coupling("c2", MESH, after="hub", inertia_right="0.001 kg m^2")
    line[6] = servo("pump", PUMP, ripple=[{"order": 6, "amplitude": "1 N m"}], **LAG)
    found = build_bench(bench(line=line)).line
    twists = {edge.part: edge.twist for edge in found.edges}
    angle = found.angles[0]
    assert found.angle_of(found.places["pump"].body) == (angle, twists["c1"], twists["c2"])
    assert found.angle_of(found.places["load"].body) == (angle, twists["c1"], twists["ts"])
    assert found.angle_of(0) == (angle,)


def test_pieces_and_ways_of_a_tree() -> None:
    tree: Tree = build_bench(bench()).line.tree
    assert tree.rows == (((0, -1), (1, 0), (2, 1)), ((1, -1), (3, 2)))
    assert tree.pieces() == [(0, 1, 2, 3)] and tree.pieces([2]) == [(0, 1, 2), (3,)]
    assert tree.pieces([0]) == [(0,), (1, 2, 3)]
    assert tree.between(3, 1) == (3, 1) and tree.between(2, 0) == (2, 1) and tree.between(0, 1) == (0, 1)
    assert tree.apart(2, 3) == 2 and tree.behind(0) == {1, 2, 3} and tree.behind(2) == {3}


@pytest.mark.parametrize(
    ("place", "keys", "says"),
    [
        (5, {"after": "hup"}, 'line.box.after: "hup" is no part of the line; nearest: hub'),
        (5, {"after": "pump"}, "line.box.after: pump stands further down; a part comes after one above it"),
        (5, {"after": "box"}, "line.box.after: box cannot come after itself"),
        (0, {"after": "box"}, 'line.drive.after: "box": the first part comes after nothing; leave after out'),
        (5, {"after": "ts"}, "load and box come after ts, a torque sensor, whose flange carries one shaft"),
        (
            5,
            {"after": ["hub", "load"]},
            "line.box.after: a part comes after one other: two would close a loop",
        ),
        (4, {"after": "hub"}, "needs an inertia right of ts"),
    ],
)
def test_what_does_not_hang_together_is_refused(place: int, keys: Table, says: str) -> None:
    line = branched()
    line[place] = {**line[place], **keys}
    with pytest.raises(Exception, match=r"rig\.toml:\d+") as refused:
        bench(line=line)
    assert says in str(refused.value)


@pytest.mark.parametrize(
    ("left", "right", "says"),
    [
        ("drive", "pump", "speeds of drive and pump cannot be compared: a gear, differential or belt"),
        ("load", "pump", "load and pump are on two branches; name two places one behind the other"),
    ],
)
def test_speeds_between_which_nothing_twists_are_refused(left: str, right: str, says: str) -> None:
    damping = {"gain": "0.5 N m s/rad", "left": left, "right": right, "cutoff": "4 Hz"}
    loops = [speed_loop("drive", 2.0, 40.0), torque_loop("load", "ts", active_damping=damping)]
    with pytest.raises(Exception, match=r"rig\.toml:\d+") as refused:
        bench(loop=loops)
    assert says in str(refused.value)
