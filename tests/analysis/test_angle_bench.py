"""Ripple, cogging and misalignment in whole benches: closed forms, lines, energy, and the smooth bench."""

import math
from dataclasses import replace
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import (
    Table,
    channel,
    coupling,
    describe,
    rough,
    sensor,
    servo,
    shipped,
    speed_loop,
    start,
    step,
    ticks,
    torque_loop,
)
from shaftloop.analysis.interference import excitations
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.modes import Mechanics, mechanics
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.angle import needs_angle, without_angle
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import longest_step
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description, Record
from shaftloop_models.coupling import Coupling, misalignment_load
from shaftloop_models.line import Spring
from shaftloop_models.loss_factor import complex_stiffness

Array = NDArray[np.float64]

SPEED = 50.0 * math.pi
"""1500 rpm: a turn takes 40 ms, 400 records at 10 kHz."""
TURN = 400


def free(*line: Table, **keys: Any) -> Bench:
    """Return a bench whose loop does nothing."""
    record = {"rate": "10 kHz", "channels": ["angle"]}
    document = {"duration": "1 s", "record": record, "loop": [speed_loop("drive", 1e-12, 0.0)], **keys}
    return build_bench(describe({**document, "line": list(line)}))


def spin(bench: Bench, seconds: float, speed: float = SPEED, twist: float = 0.0, **how: Any) -> Run:
    """Let the whole line turn freely from a speed, its first spring twisted."""
    run = start(bench, **how)
    run.state[bench.line.edges[0].twist.index] = twist
    for node in bench.line.nodes:
        run.state[node.speed.index] = speed
    run.advance(ticks(run, seconds), exact=True)
    return run


def line_of(trace: Array, order: int, turns: int = 5) -> complex:
    """Return the phasor of an order in the last whole turns of a trace at 1500 rpm."""
    last = trace[-turns * TURN :]
    angle = 2.0 * np.pi * order * np.arange(len(last)) / TURN
    return complex(2.0 * np.mean((last - last.mean()) * np.exp(-1j * angle)))


def pair_response(line: Mechanics, left: int, frequency: float) -> complex:
    """Return the true torque per torque that a spring takes from its left body and gives to its right one."""
    drive = np.zeros(len(line.a))
    drive[left : left + 2] = np.array([-1.0, 1.0]) / np.sqrt(line.inertias[left : left + 2])
    s = 2j * np.pi * frequency
    return complex(line.sensed @ np.linalg.solve(s * np.eye(len(line.a)) - line.a, drive))


@pytest.mark.parametrize("kind", ["ripple", "cogging"])
def test_speed_of_a_rotor_follows_the_energy(kind: str) -> None:
    """½J(ω² − ω0²) = A/n·(sin(nθ + φ) − sin φ), exact for a rotor that nothing else moves."""
    wave = [{"order": 6, "amplitude": "0.8 N m", "phase": "30 deg"}]
    bench = free(servo("drive", 0.02, **{kind: wave}), coupling("c", 1e-9), servo("load", 0.02))
    run = spin(bench, 0.08, 100.0, records=900)
    angle, speed = channel(bench, run, "angle"), channel(bench, run, "drive_speed")
    work = 0.8 / 6.0 * (np.sin(6.0 * angle + math.pi / 6.0) - 0.5)
    assert np.allclose(speed, np.sqrt(100.0**2 + 2.0 * work / 0.02), rtol=1e-9, atol=0.0)
    swing = 0.5 * (speed.max() - speed.min())
    assert swing == pytest.approx(0.8 / (0.02 * 6.0 * 100.0), rel=1e-3)
    torque = channel(bench, run, "drive_torque")
    assert np.allclose(torque, 0.8 * np.cos(6.0 * angle + math.pi / 6.0), rtol=0.0, atol=1e-9)


def test_the_angle_is_wrapped_and_equals_the_turns() -> None:
    bench = free(servo("drive", 0.02, ripple=[{"order": 1, "amplitude": "1 uN m"}]), coupling("c", 1e3),
                 servo("load", 0.02))  # fmt: skip
    run = spin(bench, 0.2, -123.0, records=2100)
    angle = channel(bench, run, "angle")
    turned = -123.0 * np.arange(len(angle)) * 1e-4
    assert np.abs(np.angle(np.exp(1j * (angle - turned)))).max() < 1e-6
    assert angle.min() > -0.02 and angle.max() < 2.0 * math.pi
    assert np.count_nonzero(np.diff(angle) > 3.0) == 4


@pytest.mark.parametrize(("first", "second", "turns"), [("3/2", "1/2", 2), ("37/11", 1.5, 22)])
def test_rational_orders_go_on_where_the_angle_wraps(first: str, second: float | str, turns: int) -> None:
    """As in `test_speed_of_a_rotor_follows_the_energy`, over three wraps after the turns that both share."""
    waves = [
        {"order": first, "amplitude": "0.8 N m", "phase": "30 deg"},
        {"order": second, "amplitude": "0.3 N m"},
    ]
    bench = free(servo("drive", 0.02, cogging=waves), coupling("c", 1e-9), servo("load", 0.02))
    run = spin(bench, 3.2 * turns * 2.0 * math.pi / 100.0, 100.0, records=50_000)
    angle, speed = channel(bench, run, "angle"), channel(bench, run, "drive_speed")
    span = 2.0 * math.pi * turns
    assert np.count_nonzero(np.diff(angle) < -0.9 * span) == 3 and span - 0.1 < angle.max() < span + 0.1
    turned = np.unwrap(angle, period=span)
    work = np.zeros(len(turned))
    for order, amplitude, phase in (
        (float(Fraction(first)), 0.8, math.pi / 6.0),
        (float(Fraction(second)), 0.3, 0.0),
    ):
        work += amplitude / order * (np.sin(order * turned + phase) - math.sin(phase))
    assert np.allclose(speed, np.sqrt(100.0**2 + 2.0 * work / 0.02), rtol=1e-9, atol=0.0)


@pytest.mark.compiled
def test_rational_orders_close_their_energy_and_lanes_have_the_same_bits() -> None:
    def bench(amplitude: str) -> Description:
        waves = [{"order": "3/2", "amplitude": amplitude}, {"order": "37/11", "amplitude": "0.4 N m"}]
        drive = servo("drive", 0.02, ripple=waves, cogging=waves, time_constant="1 ms")
        line = [drive, sensor("ts", 3e4, damping="8 N m s/rad"), servo("load", 0.02)]
        moves = [
            {"do": "ramp", "loop": "speed", "to": "900 rpm", "over": "0.3 s"},
            {"do": "hold", "time": "0.4 s"},
        ]
        return describe({"line": line, "loop": [speed_loop("drive", 1.0, 10.0)], "sequence": moves})

    benches = [bench(amplitude) for amplitude in ("0.2 N m", "0.7 N m")]
    for one, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(one)
        assert alone.energies.residual < 1e-5
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


@pytest.mark.compiled
@pytest.mark.parametrize("order", [6, 31])
def test_ripple_line_in_the_true_torque_is_what_the_line_transfers(order: int) -> None:
    """Below and far above the first mode, which lies near 240 Hz."""
    wave = [{"order": order, "amplitude": "0.5 N m"}]
    bench = free(
        servo("drive", 0.02, ripple=wave),
        sensor("ts", 3e4, damping="8 N m s/rad"),
        servo("load", 0.03),
    )
    run = spin(bench, 0.6, records=6100)
    line = mechanics(build_bench(bench.description, smooth=True))
    transfer = abs(line.torque_response("drive", np.array([order * 25.0]))[0])
    found = abs(line_of(channel(bench, run, "true_torque"), order))
    assert found == pytest.approx(0.5 * transfer, rel=2e-3)


@pytest.mark.compiled
def test_ripple_in_proportion_to_the_torque() -> None:
    """40 N m against 40 N m with 1.5 N m at 60 N m: 1 N m at the rotor; at no torque nothing."""
    wave = [{"order": 12, "amplitude": "1.5 N m", "scales": "torque"}]
    drive = servo("drive", 0.02, rated_torque="60 N m", ripple=wave)
    line = [drive, sensor("ts", 3e4, damping="8 N m s/rad"), servo("load", 0.02)]
    bench = free(*line)
    idle = spin(bench, 0.3, records=3100)
    assert np.abs(channel(bench, idle, "drive_torque")).max() < 1e-9
    loops = [torque_loop(name, "ts", name=f"{name}_torque") for name in ("drive", "load")]
    moves = [step(loop["name"], "40 N m") for loop in loops]
    bench = free(*line, loop=loops, sequence=moves)
    torque = channel(bench, spin(bench, 0.6, records=6100), "drive_torque")
    assert abs(line_of(torque, 12)) == pytest.approx(1.0, rel=1e-3)
    assert torque[-TURN:].mean() == pytest.approx(40.0, rel=1e-3)


@pytest.mark.compiled
@pytest.mark.parametrize("damping", [{"damping": "2 N m s/rad"}, {"loss_factor_psi": 0.8}])
def test_misaligned_coupling_between_heavy_hubs(damping: Table) -> None:
    """Hubs that turn evenly: the amplitudes of `misalignment_load`, of either kind of damping."""
    offset = {"parallel_offset": "0.2 mm", "pitch_diameter": "80 mm", "angular_offset": "1 deg"}
    bench = free(servo("drive", 1e7), coupling("c", 25e3, **damping, **offset), servo("load", 1e7))
    run = spin(bench, 0.6, records=6100)
    (part,) = (part for part in bench.description.line if isinstance(part, Coupling))
    load = misalignment_load(part, 0.0, SPEED)
    torque = channel(bench, run, "c_torque")
    assert abs(line_of(torque, 1)) == pytest.approx(load.torque_1x, rel=1e-4)
    assert abs(line_of(torque, 2)) == pytest.approx(load.torque_2x, rel=1e-4)


@pytest.mark.compiled
def test_a_joint_turns_with_its_own_hub_and_not_with_the_drive() -> None:
    """Behind a soft coupling twisted by 0.4 rad the joint lags by that angle, its order 2 by twice it."""
    bench = free(
        *(servo("drive", 1e7), coupling("soft", 10.0, inertia_right="1e7 kg m^2")),
        *(coupling("c", 25e3, angular_offset="1 deg"), servo("load", 1e7)),
    )
    lines = []
    for twist in (0.0, 0.4):
        run = spin(bench, 0.4, twist=twist, records=4100)
        lines.append(line_of(channel(bench, run, "c_torque"), 2))
    assert abs(lines[1]) == pytest.approx(abs(lines[0]), rel=1e-4)
    assert np.angle(lines[1] / lines[0]) == pytest.approx(-0.8, abs=1e-3)


@pytest.mark.compiled
@pytest.mark.parametrize("damping", [{"damping": "4 N m s/rad"}, {"loss_factor_psi": 0.8}])
def test_misalignment_in_the_true_torque_is_what_the_line_transfers(damping: Table) -> None:
    """The transmission error as a torque pair of spring and branches on the linear line."""
    offset = {"parallel_offset": "0.02 mm", "pitch_diameter": "80 mm", "angular_offset": "0.5 deg"}
    bench = free(
        servo("drive", 0.02),
        coupling("c", 25e3, inertia_right="1e-3 kg m^2", offset_phase="25 deg", **damping, **offset),
        sensor("ts", 6e4, damping="4 N m s/rad"),
        servo("load", 0.03),
    )
    run = spin(bench, 1.0, records=10100)
    line = mechanics(build_bench(bench.description, smooth=True))
    (part,) = (part for part in bench.description.line if isinstance(part, Coupling))
    (spring,) = (element for element in part.elements() if isinstance(element, Spring))
    assert spring.error is not None
    for order, error in ((1, spring.error.first), (2, spring.error.second)):
        stiffness = complex_stiffness(replace(spring, damping=0.0), np.array([25.0 * order]))[0]
        expected = abs(error * stiffness * pair_response(line, 0, 25.0 * order))
        found = abs(line_of(channel(bench, run, "true_torque"), order))
        assert found == pytest.approx(expected, rel=2e-3)


@cache
def rough_run(method: str) -> Simulation:
    return simulate(rough(), method=method)


@pytest.mark.compiled
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_energy_closes_for_every_part(method: str) -> None:
    result = rough_run(method)
    assert result.energies.residual < 1e-6
    assert {b.element for b in result.energies.balances} >= {"drive.cogging", "load.cogging", "c1", "c2"}
    for balance in result.energies.balances:
        assert balance.residual < 1e-5, balance.element
    for name in ("drive.cogging", "load.cogging"):
        (own,) = (balance for balance in result.energies.balances if balance.element == name)
        assert own.throughput > 1.0 and abs(own.stored) > 1e-4


@pytest.mark.compiled
def test_ripple_draws_from_the_link_what_it_does_to_the_rotor() -> None:
    """Its work over a run shows at link and air gap alike; without it in one, the balance would not close."""
    energies = rough_run("etd4").energies
    (own,) = (balance for balance in energies.balances if balance.element == "load.conversion")
    assert own.incoming == energies.meters["load.link"] and own.outgoing == energies.meters["load.airgap"]
    assert own.residual < 1e-6


@pytest.mark.compiled
def test_step_rule_and_finer_steps() -> None:
    """Half a radian of the 48th order at 3000 rpm; finer steps move the torque by less than 1e-4 N m."""
    plant = build_bench(rough()).model.plant
    assert longest_step(plant, at.ETD4) == pytest.approx(0.5 / (48 * 100.0 * math.pi))
    result, finer = rough_run("etd4"), simulate(rough(), factor=4)
    assert np.abs(result.traces["true_torque"] - finer.traces["true_torque"]).max() < 1e-4
    reference = rough_run("rk4")
    assert np.abs(reference.traces["true_torque"] - finer.traces["true_torque"]).max() < 1e-3


@pytest.mark.compiled
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_order_of_the_steppers_is_four_with_everything_on(method: str) -> None:
    bench = build_bench(rough())
    scale = np.where([name.endswith("twist") for name, _ in bench.model.plant.network.states], 3e4, 1.0)

    def final(fixed: int, method: str) -> Array:
        run = spin(bench, 0.02, 250.0, method=method, fixed=fixed, records=300)
        return scale * run.state[: len(scale)]

    known = final(96, "etd4")
    counts = (2, 4, 8) if method == "etd4" else (4, 8, 16)
    errors = np.array([np.abs(final(count, method) - known).max() for count in counts])
    order = np.log2(errors[:-1] / errors[1:])
    assert errors[0] > 1e-6 and np.all((order > 3.6) & (order < 4.8))


def test_the_smooth_bench_has_none_of_it() -> None:
    description = rough()
    smooth = build_bench(description, smooth=True)
    plain = build_bench(replace(description, line=without_angle(description.line)), smooth=True)
    assert smooth.model.plant.network.states == plain.model.plant.network.states
    assert smooth.line.angles == {} and "angle" not in [slot.name for slot in smooth.model.layout.slots]
    assert not [task.name for task in smooth.model.tasks if task.kind == at.WRAP]
    assert [term.kind for term in smooth.model.plant.network.terms] == [
        term.kind for term in plain.model.plant.network.terms
    ]
    assert np.array_equal(smooth.model.plant.a, plain.model.plant.a)


def test_an_angle_only_where_a_part_needs_it() -> None:
    assert needs_angle(rough().line) and not needs_angle(without_angle(rough().line))
    bench = build_bench(shipped("wheel-hub"))
    assert bench.line.angles == {} and bench.line.angle_of(2) == ()
    assert not [task.name for task in bench.model.tasks if task.kind == at.WRAP]


def test_wrap_adds_no_instant() -> None:
    one = replace(rough(), record=Record())
    other = replace(one, line=without_angle(one.line))
    calendars = [start(build_bench(each)).tables.calendar for each in (one, other)]
    assert calendars[0].ticks == calendars[1].ticks and len(calendars[0].due[0]) > len(calendars[1].due[0])


def test_stated_orders_join_the_interference_diagram() -> None:
    found = {entry.order: entry.source for entry in excitations(rough())}
    assert found[6.0] == "ripple of drive and load"
    assert found[12.0] == "cogging of drive"
    assert found[24.0] == "6x electrical of drive, ripple of drive and load"
    assert found[48.0] == "cogging of load"


def test_a_channel_that_the_bench_lacks_is_named() -> None:
    with pytest.raises(
        ScenarioError, match=r'channels: "angel" is no quantity of this bench; nearest: angle'
    ):
        build_bench(replace(rough(), record=Record(channels=("angel",))))
    with pytest.raises(ScenarioError, match='"angle" is no quantity'):
        build_bench(replace(shipped("wheel-hub"), record=Record(channels=("angle",))))
