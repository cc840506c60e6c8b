"""The small step: time simulation of the smooth bench against the derivative of its map."""

from dataclasses import replace

import numpy as np
import pytest

from rigs import coupling, describe, disc, servo, shipped, speed_loop
from shaftloop.analysis.delay import delay_margin
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.stepresponse import step_response
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.errors import SimulationError

pytestmark = pytest.mark.compiled


@pytest.mark.parametrize(
    ("scenario", "loop"), [("reference-bench", "torque"), ("wheel-hub", "speed"), ("truck-axle", "torque")]
)
def test_the_step_follows_the_linear_prediction(scenario: str, loop: str) -> None:
    """From the new steady state the deviation is multiplied by the Jacobian, hyperperiod by hyperperiod."""
    bench = HyperMap(shipped(scenario))
    handle, point = bench.bench.loops[loop], operating_point(bench.bench)
    state = bench.steady(point)
    size = 1e-4 * (200.0 if handle.quantity == "torque" else 100.0)
    radius = spectral_radius(bench.dynamics(state))
    response = step_response(bench, handle, point, state, radius, size)

    moved = replace(point, setpoints={**point.setpoints, loop: point.setpoints[loop] + size})
    end = bench.steady(moved)
    jacobian = bench.jacobian(end)
    deviation = state[bench.slots] - end[bench.slots]
    reading = int(np.flatnonzero(bench.slots == handle.reading_slot)[0])
    per_tick = round(bench.hyperperiod * float(handle.parameters.rate))
    count = min(200, (len(response.time) - 1) // per_tick)
    predicted = np.empty(count)
    for i in range(count):
        deviation = jacobian @ deviation
        predicted[i] = (end[handle.reading_slot] + deviation[reading] - state[handle.reading_slot]) / size
    simulated = response.reading[per_tick : (count + 1) * per_tick : per_tick]
    assert np.max(np.abs(simulated - predicted)) < 2e-3


def test_a_step_down_is_drawn_like_a_step_up() -> None:
    bench = HyperMap(shipped("reference-bench"))
    point = operating_point(bench.bench)
    state, loop = bench.steady(point), bench.bench.loops["torque"]
    up, down = (step_response(bench, loop, point, state, 0.99, size) for size in (0.02, -0.02))
    assert down.true[-1] == pytest.approx(1.0, abs=0.02)
    assert down.overshoot == pytest.approx(up.overshoot, abs=0.01)


def test_the_reading_comes_after_the_truth() -> None:
    bench = HyperMap(shipped("reference-bench"))
    point = operating_point(bench.bench)
    state = bench.steady(point)
    response = step_response(bench, bench.bench.loops["torque"], point, state, 0.99)
    half = [np.argmax(curve > 0.5) for curve in (response.true, response.reading)]
    assert response.time[half[1]] - response.time[half[0]] == pytest.approx(5e-4, abs=3e-4)
    assert response.settling_time is not None and response.overshoot is not None
    assert response.overshoot == pytest.approx(25.1, abs=0.3)
    assert response.true[-1] == pytest.approx(1.0, abs=0.02)
    again = bench.steady(point)
    assert again[bench.slots] == pytest.approx(
        state[bench.slots], abs=1e-6
    )  # the set-points are back where they were


def slow_loop(rate: str, kp: float, lag: str) -> LoopAnalysis:
    """Return a body of 1 kg m² with a lag in its torque: kp/(s·(1 + s·T)), far slower than its controller."""
    line = [servo("m", 1.0, rate=rate, time_constant=lag), coupling("c", 1e4, damping="0.1 N m s/rad")]
    loop = speed_loop("m", kp, 0.0, rate=rate, anti_windup="conditional")
    description = describe({"line": [*line, disc("end", 1e-9)], "loop": [loop], "duration": "1 s"})
    return analyse_loops(description, ["speed"])["speed"]


def test_a_slow_loop_on_a_fast_controller_has_the_margins_of_its_closed_form() -> None:
    """Closed it has ω = sqrt(kp/T) = 0.1 rad/s and ζ = 1/(2·sqrt(kp·T)) = 0.2."""
    omega, zeta = 0.1, 0.2
    found = slow_loop("20 kHz", 0.25, "25 s")
    margins = found.margins
    s = 1j * np.geomspace(0.01, 1.0, 20_001)
    sensitivity = np.abs(s * (s + 2.0 * zeta * omega) / (s**2 + 2.0 * zeta * omega * s + omega**2))
    assert margins.ms == pytest.approx(np.max(sensitivity), rel=1e-3)
    inner = 1.0 - 2.0 * zeta**2
    assert margins.bandwidth == pytest.approx(
        omega * np.sqrt(inner + np.sqrt(inner**2 + 1.0)) / (2.0 * np.pi), rel=1e-3
    )
    crossover = omega * np.sqrt(np.sqrt(1.0 + 4.0 * zeta**4) - 2.0 * zeta**2)
    phase = np.arctan2(2.0 * zeta * omega, crossover)
    delay = delay_margin(found.description, margins)
    assert delay.command.value == pytest.approx(phase / crossover, rel=1e-3)
    assert delay.reading.value == pytest.approx(phase / crossover, rel=1e-3)
    assert margins.crossover == pytest.approx(crossover / (2.0 * np.pi), rel=1e-3)
    assert margins.rejection is not None
    assert np.interp(2.0 * np.pi * margins.rejection, s.imag, sensitivity) == pytest.approx(0.5, rel=1e-3)


def test_the_step_of_a_slow_loop_lasts_until_it_has_settled() -> None:
    """ω = 0.5 rad/s and ζ = 0.2: overshoot exp(-πζ/sqrt(1 - ζ²)) = 52.66 %, settles in 4/(ζω)."""
    found = slow_loop("1 kHz", 1.25, "5 s")
    margins = found.margins
    loop = found.bench.bench.loops["speed"]
    step = step_response(found.bench, loop, margins.point, found.state, margins.largest_eigenvalue)
    assert step.overshoot == pytest.approx(52.66, abs=0.05)
    assert step.settling_time == pytest.approx(39.2, abs=0.5)


def test_an_unstable_bench_is_followed_for_a_short_time_only() -> None:
    bench = HyperMap(shipped("reference-bench", "loop.torque.kp=1.2"))
    point = operating_point(bench.bench)
    state = bench.steady(point)
    radius = spectral_radius(bench.dynamics(state))
    assert radius > 1.0
    response = step_response(bench, bench.bench.loops["torque"], point, state, radius)
    assert response.settling_time is None and response.overshoot is None
    assert 10.0 < np.max(np.abs(response.true)) < 1e6


def test_a_walk_that_diverges_says_so() -> None:
    bench = HyperMap(shipped("reference-bench", "loop.torque.kp=1.2"))
    state = bench.steady(operating_point(bench.bench))
    with pytest.raises(SimulationError, match="it diverges within one hyperperiod"):
        bench.walk(1e15 * np.ones_like(state), np.array([bench.ticks]))
