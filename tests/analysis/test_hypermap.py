"""The steady state of the smooth bench: a fixed point of the stepper, and the right one."""

import numpy as np
import pytest

from rigs import Table, describe, sensor, servo, shipped, slot, speed_loop, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.response import fundamental
from shaftloop.scenario.reading import read_scenario

pytestmark = pytest.mark.compiled


def rig(ki: str) -> Table:
    drag = {"viscous": "0.02 N m s/rad"}
    return {
        "line": [
            servo("drive", 0.1, drag=drag),
            sensor("ts", 2e4, damping="1 N m s/rad"),
            servo("load", 0.1, drag=drag),
        ],
        "loop": [
            speed_loop("drive", 2.0, 4.0),
            torque_loop("load", "ts", kp=0.2, ki=ki, feedforward=0.0),
        ],
        "sequence": [{"do": "hold", "time": "0.1 s"}],
    }


def test_a_loop_without_integrator_keeps_its_offset() -> None:
    """Nothing moves the integral of a loop with ki = 0, so no steady state may be made by moving it."""
    bench = HyperMap(describe(rig("0 1/s")))
    point = operating_point(bench.bench, speed=50.0, torque=10.0)
    state = bench.steady(point)
    assert state[slot(bench.bench, "torque.integral")] == 0.0
    # Load torque 0.2·(10 - reading) plus the drag of the load, 0.02·50 = 1, is what the sensor carries.
    reading = (0.2 * 10.0 + 0.02 * 50.0) / 1.2
    assert state[slot(bench.bench, "ts.reading")] == pytest.approx(reading, rel=1e-6)


def test_with_an_integrator_the_reading_is_the_set_point() -> None:
    bench = HyperMap(describe(rig("50 1/s")))
    state = bench.steady(operating_point(bench.bench, speed=50.0, torque=10.0))
    assert state[slot(bench.bench, "ts.reading")] == pytest.approx(10.0, rel=1e-9)


@pytest.mark.parametrize("name", ["wheel-hub", "truck-axle"])
def test_a_derivative_serves_several_steps(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, taken = HyperMap(shipped(name)), []
    derivative = bench.jacobian

    def counted(state: np.ndarray) -> np.ndarray:
        taken.append(1)
        return derivative(state)

    monkeypatch.setattr(bench, "jacobian", counted)
    state = bench.steady(operating_point(bench.bench))
    # The map is all but linear: the derivative at the start and one near the end lead the whole way.
    assert len(taken) <= 3
    after = bench.walk(state, np.array([bench.ticks]))[0][bench.slots]
    assert np.max(np.abs(after - state[bench.slots]) / bench.difference_steps) < 1e-7


def test_a_walk_stays_at_the_steady_state() -> None:
    bench = HyperMap(shipped("wheel-hub"))
    state = bench.steady(operating_point(bench.bench))
    far = bench.walk(state, bench.ticks * np.array([1, 50]))
    assert far[1][bench.slots] == pytest.approx(state[bench.slots], rel=1e-7, abs=1e-7)
    # Unlike the steady state, a walk holds what the controllers ask for.
    output = bench.bench.loops["torque"].break_slot
    assert state[output] == 0.0 and far[0][output] == pytest.approx(88.8, abs=0.1)


def test_the_jacobian_tells_where_the_walk_goes() -> None:
    """A small disturbance of every slot at once, one hyperperiod later."""
    bench = HyperMap(shipped("truck-axle"))
    state = bench.steady(operating_point(bench.bench))
    kick = 1e-3 * bench._steps * np.cos(np.arange(len(bench.slots)))
    moved = state.copy()
    moved[bench.slots] += kick
    stop = np.array([bench.ticks])
    change = bench.walk(moved, stop)[0, bench.slots] - bench.walk(state, stop)[0, bench.slots]
    expected = bench.jacobian(state) @ kick
    assert np.max(np.abs(change - expected) / bench._steps) < 1e-6


def test_scaling_the_gain_closes_the_loop_through_its_own_feedthrough() -> None:
    """With feedthrough d: v = g·(c·x + d·v), so a + b·g·c/(1 - g·d)."""
    one = np.ones((1, 1))
    loop = OpenLoop(0.5 * one, 0.1 * one, -2.0 * one, -0.5 * one, 1e-3, np.zeros(1))
    assert loop.closed(3.0)[0, 0] == pytest.approx(0.5 + 0.1 * 3.0 * -2.0 / (1.0 + 1.5))
    assert loop.period == 1e-3
    assert spectral_radius(np.zeros((0, 0))) == 0.0


def test_a_derivative_kick_from_rest_does_not_hide_the_steady_state() -> None:
    """The encoder at rest makes the first tick of this loop hit its clamp, where no gain is left."""
    settings = [
        *('loop.speed.kp="614.94 N m s/rad"', 'loop.speed.ki="23405 N m/rad"'),
        *('loop.speed.kd="7.473 N m s^2/rad"', 'loop.speed.derivative_cutoff="10.73 Hz"'),
    ]
    bench = HyperMap(read_scenario("truck-axle", settings).description)
    point = operating_point(bench.bench)
    state = bench.steady(point)
    after = bench.walk(state, np.array([bench.ticks]))[0]
    assert np.allclose(after[bench.slots], state[bench.slots], rtol=1e-6, atol=1e-6)


def test_a_bench_that_runs_away_from_its_steady_state_has_one_all_the_same() -> None:
    """An unstable loop is a result, however unstable: the steady state is that of gentler gains."""
    description = shipped("wheel-hub", "loop.torque.kp=1e4")
    calm, wild = HyperMap(shipped("wheel-hub")), HyperMap(description)
    point = operating_point(wild.bench)
    expected, found = calm.steady(point), wild.steady(point)
    assert np.max(np.abs((found[wild.slots] - expected[wild.slots]) / wild.difference_steps)) < 1.0
    assert spectral_radius(wild.dynamics(found)) > 1.5


def test_slots_that_do_nothing_are_moved_together_and_say_so_where_they_do_something() -> None:
    bench = HyperMap(read_scenario("reference-bench").description)
    state = bench.steady(operating_point(bench.bench))
    fresh = HyperMap(read_scenario("reference-bench").description)
    fresh.hold(operating_point(fresh.bench))
    whole = fresh.jacobian(state)
    runs = _counted(bench)
    assert np.array_equal(bench.jacobian(state), whole)
    assert 0 < len(runs) < 2 * len(bench.slots) - 10
    bench._idle = np.arange(3)
    assert np.array_equal(bench.jacobian(state), whole)


def _counted(bench: HyperMap) -> list[np.ndarray]:
    """Return a list that grows with every state that a bench moves on."""
    runs, carry = [], bench.run.carry

    def counted(states, *way):
        runs.extend(states.reshape(-1, states.shape[-1]))
        return carry(states, *way)

    bench.run.carry = counted
    return runs


@pytest.mark.parametrize("name", ["reference-bench", "axle-split"])
def test_loops_opened_together_and_closed_again_are_those_opened_one_by_one(name: str) -> None:
    bench = HyperMap(shipped(name))
    state = bench.steady(operating_point(bench.bench))
    loops = [bench.bench.loops[loop.name] for loop in bench.bench.description.loop]
    frequency = np.geomspace(1.0, 900.0, 30)
    for loop, system in zip(loops, bench.open_each(loops, state), strict=True):
        alone = bench.open([loop], state)
        assert system.slots.tolist() == alone.slots.tolist()
        assert fundamental(system, frequency) == pytest.approx(fundamental(alone, frequency), rel=1e-6)
        assert system.disturbed.radius == pytest.approx(alone.disturbed.radius, abs=1e-9)


def test_meters_stand_still_unless_they_are_asked_for() -> None:
    description = shipped("reference-bench")
    for metered in (False, True):
        bench = HyperMap(description, metered=metered)
        state = bench.steady(operating_point(bench.bench))
        after = bench.walk(state, np.array([bench.ticks]))[0]
        model = bench.bench.model
        meters = slice(model.meter_slot, model.meter_slot + len(model.plant.network.meters))
        assert np.any(after[meters] != state[meters]) == metered
