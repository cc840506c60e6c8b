"""Friction that sticks, against closed forms and a solution in plain Python with events."""

import math
from typing import Any

import numpy as np
import pytest

from dry_friction import Body, Line, solve
from rigs import (
    Table,
    describe,
    disc,
    hold,
    sensor,
    servo,
    shipped,
    speed_loop,
    start,
    step,
    ticks,
    torque_loop,
)
from shaftloop.analysis.atend import at_end
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.operating import rest_note
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.standing import standing_run
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import friction
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.description import Description

LAG = 1e-3
STICKS = "line.load.drag.breakaway='0.3 N m'"


def drag(body: Body) -> Table:
    keys = {"viscous": f"{body.viscous} N m s/rad", "coulomb": f"{body.coulomb} N m"}
    return keys | ({} if body.breakaway is None else {"breakaway": f"{body.breakaway} N m"})


def bench(line: Line, commands: list[tuple[float, float]], end: float, **more: Any) -> Description:
    """Return the same line as a bench: one machine among discs, its torque by command."""
    parts: list[Table] = []
    for i, body in enumerate(line.bodies):
        name = f"b{i}"
        if i == line.machine:
            lag = f"{line.lag} s"
            parts.append(servo(name, body.inertia, time_constant=lag, drag=drag(body)))
        else:
            parts.append({**disc(name, body.inertia), "drag": drag(body)})
        if i < len(line.springs):
            stiffness, damping = line.springs[i]
            parts.append(sensor(f"s{i}", stiffness, damping=f"{damping} N m s/rad"))
    # A loop raises what its sensor reads, so a machine right of the sensor has the opposite sign.
    sign, moves = (1.0 if line.machine == 0 else -1.0), list[Table]()
    for (now, command), (until, _) in zip(commands, [*commands[1:], (end, 0.0)], strict=True):
        moves += [step("torque", f"{sign * command} N m"), hold(f"{round((until - now) * 1e9)} ns")]
    loop = torque_loop(f"b{line.machine}", "s0")
    return describe({"line": parts, "loop": [loop], "sequence": moves, **more})


def compared(line: Line, commands: list[tuple[float, float]], end: float) -> Simulation:
    """Hold a run against the plain solution: every change at its tick, speeds at the end, energy."""
    changes, speeds = solve(line, commands, end)
    found = simulate(bench(line, commands, end))
    slips = [(slip.tick * 1e-9, int(slip.body[1:]), slip.way) for slip in found.run.friction.slips]
    assert sorted((i, way) for _, i, way in slips) == sorted((i, way) for _, i, way in changes)
    for number in range(len(line.bodies)):
        mine = [(time, way) for time, i, way in slips if i == number]
        known = [(time, way) for time, i, way in changes if i == number]
        assert [way for _, way in mine] == [way for _, way in known]
        # A change is made at the first tick behind it, and a shallow way through zero multiplies that.
        assert np.allclose([time for time, _ in mine], [time for time, _ in known], rtol=0.0, atol=2e-8)
    ends = [found.run.state[found.bench.model.layout.number(f"b{i}.speed")] for i in range(len(speeds))]
    assert np.allclose(ends, speeds, rtol=0.0, atol=1e-6 * max(1.0, float(np.max(np.abs(speeds)))))
    assert found.energies.residual < 1e-5 and found.energies.worst.residual < 1e-5
    return found


TWO = Line((Body(0.02, 0.05, 0.3, 0.5), Body(0.03, 0.01, 0.2, 0.3)), ((1e4, 1.0),), 0, LAG)
STICK_SLIP = Line((Body(0.5, 5.0, 0.0), Body(0.05, 0.0, 1.0, 2.0)), ((50.0, 0.02),), 0, LAG)


def test_it_starts_from_standstill_and_coasts_to_a_stop() -> None:
    found = compared(TWO, [(0.0, 0.0), (0.01, 0.4), (0.02, 3.0), (0.12, 0.0)], 0.62)
    assert [(event.kind, event.name) for event in found.events] == [
        ("broke_loose", "b0"),
        ("broke_loose", "b1"),
        ("came_to_rest", "b1"),
        ("came_to_rest", "b0"),
    ]
    # Less than what holds it moves nothing: exactly at rest, and no energy is lost.
    speed = found.traces["b0_speed"]
    assert np.all(speed[found.time <= 0.02] == 0.0) and np.all(speed[found.time > 0.5] == 0.0)


def test_it_reverses_without_resting() -> None:
    found = compared(TWO, [(0.0, 4.0), (0.05, -4.0)], 0.2)
    assert [slip.way for slip in found.run.friction.slips if slip.body == "b0"] == [1, -1]
    assert "came_to_rest" not in {event.kind for event in found.events}


def test_a_mass_on_a_spring_sticks_and_slips() -> None:
    found = compared(STICK_SLIP, [(0.0, 3.0)], 4.0)
    counts = {event.kind: event.count for event in found.events}
    assert counts["broke_loose"] > 10 and abs(counts["broke_loose"] - counts["came_to_rest"]) <= 1


def test_two_bodies_break_loose_and_come_to_rest_at_one_tick() -> None:
    side = Body(0.01, 0.02, 0.4, 0.6)
    line = Line((side, Body(0.05), side), ((2e3, 0.5), (2e3, 0.5)), 1, LAG)
    found = compared(line, [(0.0, 3.0), (0.05, 0.0)], 0.4)
    slips = found.run.friction.slips
    assert len(slips) >= 4 and len(slips) % 2 == 0
    assert all(a.tick == b.tick and a.way == b.way for a, b in zip(slips[::2], slips[1::2], strict=True))


@pytest.mark.parametrize("seed", range(8))
def test_random_lines_change_at_the_ticks_of_the_plain_solution(seed: int) -> None:
    draw = np.random.default_rng(seed)
    bodies = tuple(
        Body(
            draw.uniform(0.01, 0.1),
            draw.uniform(0.0, 0.05),
            c := draw.uniform(0.1, 1.0),
            c * draw.uniform(1.05, 2.0),
        )
        for _ in range(3)
    )
    springs = tuple((10 ** draw.uniform(2.0, 4.0), draw.uniform(0.1, 1.0)) for _ in range(2))
    commands = [(0.02 * k, float(draw.uniform(-6.0, 6.0))) for k in range(6)]
    found = compared(Line(bodies, springs, int(draw.integers(3)), LAG), commands, 0.2)
    assert found.run.friction.slips


def test_coast_down_with_viscous_and_coulomb_drag_in_closed_form() -> None:
    """ω(t) = (ω0 + Tc/d)·exp(−d·t/J) − Tc/d, so it stands at t = J/d·ln(1 + d·ω0/Tc); from mechanics."""
    inertia, viscous, coulomb = 0.05, 0.02, 0.4
    keys = {"viscous": f"{viscous} N m s/rad", "coulomb": f"{coulomb} N m", "breakaway": "0.4 N m"}
    line = [servo("drive", inertia, time_constant="1 ms", drag=keys)]
    ways = [step("speed", "100 rpm"), hold("0.2 s"), {"do": "trip"}, hold("1.5 s")]
    found = simulate(describe({"line": line, "loop": [speed_loop("drive", 2.0, 20.0)], "sequence": ways}))
    # 40 ms behind the trip the torque is gone but for exp(−40).
    first = int(np.searchsorted(found.time, 0.24))
    start, speed = found.time[first], found.traces["drive_speed"][first]
    stop = start + inertia / viscous * math.log1p(viscous * speed / coulomb)
    rest = next(event for event in found.events if event.kind == "came_to_rest")
    assert rest.time == pytest.approx(stop, abs=2e-9)
    passed = found.time[first:] - start
    closed = (speed + coulomb / viscous) * np.exp(-viscous * passed / inertia) - coulomb / viscous
    trace = found.traces["drive_speed"][first:]
    assert np.allclose(trace[passed < stop - start], closed[passed < stop - start], rtol=0.0, atol=1e-9)
    assert np.all(trace[passed > stop - start] == 0.0)
    assert found.energies.residual < 1e-5 and found.energies.worst.residual < 1e-5
    # The drag takes the kinetic energy: 0.5·J·ω² from then on, exactly.
    assert found.energies.losses["drive.drag"] > 0.5 * inertia * speed**2


def test_both_steppers_agree() -> None:
    description = bench(STICK_SLIP, [(0.0, 3.0)], 1.0)
    one, other = simulate(description), simulate(description, method="rk4")
    ticks_of = [[slip.tick for slip in found.run.friction.slips] for found in (one, other)]
    assert np.allclose(*ticks_of, rtol=0.0, atol=100.0)


def test_supervision_without_an_event_has_the_bits_of_the_plain_run() -> None:
    description = bench(TWO, [(0.0, 0.0), (0.01, 3.0), (0.05, 0.0)], 0.3)
    one, other = simulate(description), simulate(description, plain=True)
    for name in one.traces:
        assert np.array_equal(one.traces[name], other.traces[name]), name
    assert one.run.friction.slips == other.run.friction.slips and len(one.run.friction.slips) == 4


def test_a_run_that_goes_back_stands_where_it_stood() -> None:
    made = build_bench(bench(TWO, [(0.0, 0.0), (0.01, 3.0), (0.05, 0.0)], 0.3))
    run = start(made)
    run.advance(ticks(run, 0.03), exact=True)
    saved = run.save()
    run.advance(ticks(run, 0.3), exact=True)
    state, slips = run.state.copy(), list(run.friction.slips)
    run.restore(saved)
    assert len(run.friction.slips) == 2
    run.advance(ticks(run, 0.3), exact=True)
    assert np.array_equal(run.state, state) and run.friction.slips == slips


def test_an_interlock_between_two_instants_is_caught_while_something_slips() -> None:
    """The speed limit is passed while the load breaks loose; held against a dense record."""
    limit = {"name": "fast", "watches": "b0", "quantity": "speed", "above": "3 rpm", "reaction": "1 s"}
    commands = [(0.0, 0.0), (0.01, 3.0)]
    found = simulate(bench(TWO, commands, 0.05, limit=[limit]))
    dense = simulate(bench(TWO, commands, 0.05, record={"rate": "1 MHz"}))
    event = next(event for event in found.events if event.kind == "exceeded")
    speed = dense.traces["b0_speed"]
    k = int(np.argmax(np.abs(speed) > 3.0 * np.pi / 30.0))
    share = (3.0 * np.pi / 30.0 - speed[k - 1]) / (speed[k] - speed[k - 1])
    assert event.time == pytest.approx(dense.time[k - 1] + share * 1e-6, abs=1e-7)


@pytest.mark.parametrize("kind", ["blocked", "broken"])
def test_it_sticks_on_behind_a_failure(kind: str) -> None:
    on = "b1" if kind == "blocked" else "s0"
    fault = {"name": "f", "on": on, "kind": kind, "at": "0.04 s"}
    found = simulate(bench(TWO, [(0.0, 3.0), (0.1, 0.0)], 0.6, fault=[fault]))
    assert found.energies.residual < 1e-5 and found.energies.worst.residual < 1e-5
    after = found.time > 0.5
    assert np.all(found.traces["b0_speed"][after] == 0.0)
    if kind == "broken":
        rest = {slip.body: slip.tick for slip in found.run.friction.slips if slip.way == 0}
        assert rest["b1"] < rest["b0"]


def test_a_bench_that_sticks_runs_singly_beside_others() -> None:
    descriptions = [bench(TWO, [(0.0, 3.0), (0.05, torque)], 0.1) for torque in (0.0, 0.5)]
    outcomes = list(simulate_many(descriptions))
    for outcome, description in zip(outcomes, descriptions, strict=True):
        alone = simulate(description)
        assert outcome.simulation is not None and not outcome.in_lanes
        for name in alone.traces:
            assert np.array_equal(alone.traces[name], outcome.simulation.traces[name])


def test_how_long_it_coasts_is_that_of_the_run() -> None:
    """Quadrature of the dry drag from the end of one run against the coast-down of a longer one."""
    inertia, coulomb = 0.05, 0.4
    drag_keys = {"viscous": "0.02 N m s/rad", "coulomb": f"{coulomb} N m", "breakaway": "0.5 N m"}
    line = [servo("drive", inertia, time_constant="1 ms", drag=drag_keys)]
    ways = [step("speed", "100 rpm"), hold("0.2 s"), {"do": "trip"}, hold("0.04 s")]
    found = simulate(describe({"line": line, "loop": [speed_loop("drive", 2.0, 20.0)], "sequence": ways}))
    left = at_end(found)
    speed = left.speed
    closed = inertia / 0.02 * math.log((speed + 20.0) / (0.01 * speed + 20.0))
    assert left.coasting == pytest.approx(closed, rel=1e-4)


def test_a_measured_loop_starts_at_speed_with_bodies_that_move() -> None:
    """An injection begins at the steady state of the smooth bench, which turns."""
    description = shipped("reference-bench", STICKS)
    analysis = analyse_loops(description, ["torque"])["torque"]
    # At speed the smooth form is the dry one, to the last bit.
    assert analysis.margins.ms == analyse_loops(shipped("reference-bench"), ["torque"])["torque"].margins.ms
    bench = build_bench(description)
    run = standing_run(bench, analysis.bench, analysis.state, analysis.margins.point.setpoints, 10_000)
    before = run.state[bench.line.nodes[-1].speed.index]
    run.advance(ticks(run, 0.05))
    after = run.state[bench.line.nodes[-1].speed.index]
    assert before > 50.0 and after != before and after == pytest.approx(before, rel=0.05)
    assert run.friction.slips == []


def test_near_standstill_the_analyses_say_what_they_assume() -> None:
    sticks, plain = shipped("reference-bench", STICKS), shipped("reference-bench")
    assert rest_note(sticks, [100.0]) == "" and rest_note(plain, [0.0]) == ""
    said = rest_note(sticks, [100.0, -1.0])
    assert "0.4 N m s/rad of load" in said and "does not move at all" in said


def test_the_smooth_bench_knows_nothing_of_it() -> None:
    with_key = bench(TWO, [(0.0, 3.0)], 0.1)
    smooth = build_bench(with_key, smooth=True).model
    assert not smooth.plant.network.rubs and len(smooth.plant.network.terms) == 2


def test_a_body_that_breaks_loose_more_easily_than_it_moves_is_refused() -> None:
    with pytest.raises(ScenarioError, match=r"breakaway: 0.2 N m is below coulomb, 0.3 N m"):
        bench(Line((Body(0.1, 0.0, 0.3, 0.2), Body(0.1)), ((1e3, 0.1),), 0, LAG), [(0.0, 1.0)], 0.1)


def test_what_only_sticks_and_slips_is_no_motion(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(friction, "_MOST", 2)
    side = Body(0.01, 0.02, 0.4, 0.6)
    line = Line((side, Body(0.05), side), ((2e3, 0.5), (2e3, 0.5)), 1, LAG)
    with pytest.raises(SimulationError, match="comes to rest and breaks loose 2 times between two ticks"):
        simulate(bench(line, [(0.0, 3.0)], 0.1))
