"""The analyses that are derivatives of the stepper: two routes to every number."""

from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from changed import changed
from shaftloop.analysis.budget import latency_budget
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.injection import measure_response
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint, operating_point
from shaftloop.analysis.reduction import moving
from shaftloop.analysis.response import _zeros, fundamental, grid, real_crossings
from shaftloop.analysis.sensitivity import highest
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.control.parameters import ActiveDamping
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop_models.parameters import Gain
from shaftloop_models.torque_sensor import TorqueSensor

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

pytestmark = pytest.mark.compiled
SHIPPED = ("reference-bench", "wheel-hub", "micro-spindle", "truck-axle")


@cache
def analysed(scenario: str) -> tuple[Description, HyperMap, OperatingPoint, dict[str, Margins]]:
    description = read_scenario(scenario).description
    bench = HyperMap(description)
    point = operating_point(bench.bench)
    state = bench.steady(point)
    loops = {name: loop for name, loop in bench.bench.loops.items() if loop.setpoint_slot >= 0}
    return (
        description,
        bench,
        point,
        {name: loop_margins(bench, loop, point, state) for name, loop in loops.items()},
    )


@pytest.mark.parametrize("scenario", SHIPPED)
def test_opened_and_closed_again_a_loop_has_the_eigenvalues_of_the_bench(scenario: str) -> None:
    _, bench, point, loops = analysed(scenario)
    whole = spectral_radius(bench.dynamics(bench.steady(point)))
    for margins in loops.values():
        assert margins.largest_eigenvalue == pytest.approx(whole, abs=1e-9)


@pytest.mark.parametrize("scenario", SHIPPED)
def test_the_stated_gain_margin_puts_the_bench_on_the_boundary(scenario: str) -> None:
    *_, loops = analysed(scenario)
    for margins in loops.values():
        for factor in (margins.gain_margin, margins.gain_margin_down):
            if factor is not None:
                assert spectral_radius(margins.system.closed(factor)) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("scenario", SHIPPED)
def test_margins_that_the_largest_sensitivity_guarantees(scenario: str) -> None:
    """E5.6: GM >= Ms/(Ms - 1) and PM >= 2·asin(1/(2·Ms)), from memory (Åström and Murray)."""
    *_, loops = analysed(scenario)
    for margins in loops.values():
        assert margins.stable
        if margins.fundamental_gain_margin is not None:
            assert margins.fundamental_gain_margin >= margins.ms / (margins.ms - 1.0) * (1.0 - 1e-3)
        least = 2.0 * np.degrees(np.arcsin(0.5 / margins.ms))
        for crossing in margins.crossings:
            if crossing.kind == "gain":
                assert abs(crossing.value) >= least * (1.0 - 1e-3)


def test_the_injected_response_agrees_with_the_exact_one() -> None:
    """Within 0.5 % and 0.5° from 5 Hz to 1.5 kHz on the smooth reference bench."""
    description, _, point, loops = analysed("reference-bench")
    measured = measure_response(description, "torque", point, tones=25, periods=2)
    inside = measured.frequency <= 1500.0
    exact = fundamental(loops["torque"].system, measured.frequency)
    ratio = (measured.response / exact)[inside]
    assert np.count_nonzero(inside) > 15
    assert np.max(np.abs(np.abs(ratio) - 1.0)) < 5e-3
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 0.5
    assert measured.coherence.min() > 0.999


@pytest.mark.parametrize("kind", ["chirp", "stepped_sine"])
def test_other_excitations_agree_too(kind: str) -> None:
    description, _, point, loops = analysed("reference-bench")
    measured = measure_response(description, "torque", point, kind=kind, lowest=10.0, tones=4, periods=2)
    exact = fundamental(loops["torque"].system, measured.frequency)
    assert measured.response == pytest.approx(exact, rel=5e-3)


def test_the_full_bench_with_its_quantiser_measures_the_same_within_its_spread() -> None:
    description, _, point, loops = analysed("reference-bench")
    measured = measure_response(
        description, "torque", point, smooth=False, lowest=20.0, tones=6, periods=8, amplitude=5.0
    )
    exact = fundamental(loops["torque"].system, measured.frequency)
    low = measured.frequency < 200.0
    deviation = np.abs(np.abs(measured.response) / np.abs(exact) - 1.0)[low]
    assert np.all(deviation <= 4.0 * measured.spread[low] + 2e-2)


def test_zeros_are_found_where_a_huge_gain_leaves_nothing_of_the_loop() -> None:
    """1/(z - 0.5) + 1/(z - 0.8) + 1e-9 vanishes at 0.65, in the middle of its poles."""
    one = np.ones((1, 1))
    poles = np.diag([0.5, 0.8])
    loop = OpenLoop(poles, np.ones((2, 1)), np.ones((1, 2)), 1e-9 * one, 1e-3, np.zeros(1))
    with pytest.raises(np.linalg.LinAlgError):
        loop.closed(1e9)
    assert np.abs(_zeros(loop) - 0.65).min() < 1e-8
    # Sixteen ticks in a hyperperiod: the gain of an ideal encoder's speed loop.
    description = read_scenario("wheel-hub", ["loop.torque.kp=0.104322"]).description
    budget = latency_budget(description, analyse_loops(description, ["speed"], None, None)["speed"].margins)
    assert budget is not None and budget.phase == pytest.approx(-114.5, abs=0.1)


def test_the_latency_budget_sums_to_the_phase_of_the_loop() -> None:
    description, _, _, loops = analysed("wheel-hub")
    budget = latency_budget(description, loops["torque"])
    assert budget is not None
    assert sum(share.phase for share in budget.shares) == pytest.approx(budget.phase, abs=1e-9)
    value = fundamental(loops["torque"].system, np.array([budget.frequency]))[0]
    assert abs(value) == pytest.approx(1.0, abs=1e-6)
    causes = {share.cause: share for share in budget.shares}
    # Bessel of order 2 at 900 Hz: group delay 0.2167/fc (check E6.2); latency as the scenario states it.
    assert causes["sensor filter"].delay == pytest.approx(0.2167 / 900.0, rel=0.02)
    sensor = next(p for p in description.line if isinstance(p, TorqueSensor))
    latency = float(sensor.latency.seconds(1 / sensor.sampling))
    assert causes["sensor latency"].delay == pytest.approx(latency, rel=0.02)
    assert causes["bus hops"].ideal is not None


def test_a_latency_in_samples_keeps_its_length_when_the_sampling_is_ideal() -> None:
    """3 samples at 10 kHz are 300 µs; the sampling itself makes readings 0 or 50 µs late besides."""
    description, _, _, loops = analysed("reference-bench")
    sensor = next(p for p in description.line if isinstance(p, TorqueSensor))
    assert sensor.latency.in_samples and float(sensor.sampling) == 10e3
    budget = latency_budget(description, loops["torque"])
    assert budget is not None
    delay = {share.cause: share.delay for share in budget.shares}
    assert delay["sensor latency"] == pytest.approx(300e-6, rel=0.02)
    assert delay["sampling of the sensor"] == pytest.approx(25e-6, abs=5e-6)


def test_a_loop_without_crossover_has_no_budget() -> None:
    description, _, _, loops = analysed("wheel-hub")
    assert latency_budget(description, changed(loops["torque"], crossover=None)) is None


def _delayed_integrator(gain: float, steps: int, period: float) -> OpenLoop:
    """Return gain/s behind a hold and a whole number of sample delays, as an opened loop."""
    a = np.zeros((steps + 1, steps + 1))
    a[0, 0] = 1.0
    b = np.zeros((steps + 1, 1))
    if steps:
        a[0, 1] = gain * period
        a[1:steps, 2:] = np.eye(steps - 1)
        b[steps, 0] = 1.0
    else:
        b[0, 0] = gain * period
    c = np.zeros((1, steps + 1))
    c[0, 0] = -1.0
    return OpenLoop(a, b, c, np.zeros((1, 1)), period, np.zeros(1))


def test_integrator_with_one_and_a_half_samples_of_delay() -> None:
    """E6.4: fs = 10 kHz, crossover 500 Hz, total delay 1.5 T: phase margin 63.0°."""
    period = 1e-4
    loop = _delayed_integrator(2.0 * np.pi * 500.0, 1, period)
    size = abs(fundamental(loop, np.array([500.0]))[0])
    loop = _delayed_integrator(2.0 * np.pi * 500.0 / size, 1, period)
    found = Margins("l", "torque", OperatingPoint({}, 0.0, 0.0), loop).gain_crossings
    assert found[0].frequency == pytest.approx(500.0, rel=1e-6)
    assert found[0].value == pytest.approx(63.0, abs=1e-4)


def test_simc_loop() -> None:
    """E5.3: e^(−θs)/(2θs) has GM π, PM 61.4°, finely sampled (Skogestad 2003, table 1, from memory)."""
    theta, steps = 1.0, 60
    loop = _delayed_integrator(0.5 / theta, steps, theta / (steps + 0.5))
    frequency = grid(loop)
    found = Margins("l", "torque", OperatingPoint({}, 0.0, 0.0), loop).crossings
    gain = next(c for c in found if c.kind == "gain")
    phase = next(c for c in found if c.kind == "phase")
    assert phase.value == pytest.approx(np.pi, rel=3e-3)
    assert gain.value == pytest.approx(61.35, rel=3e-3)
    assert 1.0 / np.min(np.abs(1.0 + fundamental(loop, frequency))) == pytest.approx(1.5905, rel=3e-3)


def test_the_grid_misses_no_lightly_damped_resonance() -> None:
    """A resonance of damping 3e-4, far narrower than an ordinary grid."""
    omega, zeta, period = 2.0 * np.pi * 37.0, 3e-4, 1e-3
    pole = np.exp(period * omega * (-zeta + 1j * np.sqrt(1 - zeta**2)))
    a = np.array([[2.0 * pole.real, -(abs(pole) ** 2)], [1.0, 0.0]])
    loop = OpenLoop(
        a, np.array([[1.0], [0.0]]), np.array([[-1e-5, 0.0]]), np.zeros((1, 1)), period, np.zeros(1)
    )
    frequency = grid(loop)
    fine = np.linspace(36.9, 37.1, 200_001)
    peak = np.max(np.abs(fundamental(loop, frequency)))
    assert peak == pytest.approx(np.max(np.abs(fundamental(loop, fine))), rel=1e-3)


def test_operating_points() -> None:
    description, bench, point, _ = analysed("reference-bench")
    assert point.torque == 80.0 and point.speed == pytest.approx(157.0796, rel=1e-5)
    other = operating_point(bench.bench, speed=50.0, torque=10.0)
    assert (other.speed, other.torque) == (50.0, 10.0)
    without = HyperMap(replace(description, loop=description.loop[:1], sequence=()))
    with pytest.raises(SimulationError, match="no loop controls a torque"):
        operating_point(without.bench, torque=10.0)


def test_bad_requests_name_what_is_wrong() -> None:
    description, _, point, _ = analysed("reference-bench")
    with pytest.raises(SimulationError, match="excitation 'noise' is unknown"):
        measure_response(description, "torque", point, kind="noise")
    with pytest.raises(SimulationError, match="lies outside 0 to 1000 Hz"):
        measure_response(description, "torque", point, lowest=3000.0)
    odd = replace(description.loop[1], rate=Fraction(3999))
    with pytest.raises(SimulationError, match="common period"):
        HyperMap(replace(description, loop=(description.loop[0], odd)))


def test_what_has_slipped_of_a_limiter_that_holds_makes_no_bench_unstable() -> None:
    """Nothing writes it, and its derivative by itself is 1 but for rounding, on either side of the circle."""
    description = read_scenario("torque-limiter").description
    torque = loop_named(description, "torque")
    damped = replace(
        torque,
        filters=(),
        kp=Gain(0.4, torque.kp.unit),
        ki=Gain(317.0, torque.ki.unit),
        active_damping=ActiveDamping(15.58, "enc", "load"),
    )
    margins = analyse_loops(with_loop(description, damped), ["torque"])["torque"].margins
    assert 0.9 < margins.largest_eigenvalue < 0.995


def test_only_what_rounding_leaves_of_a_slot_counts_as_never_written() -> None:
    matrix = np.diag([1.0 + 3e-14, 1.0 - 1e-9, 1.0, 0.5])
    matrix[2, 3] = 1e-15
    assert moving(matrix)[1].tolist() == [1, 2, 3]


def test_a_crossing_at_half_the_rate_is_listed_once() -> None:
    """What rounding leaves of the imaginary part may change its sign just before the edge."""

    def value_at(frequency: Array) -> Complex:
        return np.asarray(-0.5 + 1j * (1.0 - frequency / 1e3 - 1e-11))

    frequency = 1e3 * np.array([0.1, 0.5, 1.0 - 1e-12, 1.0])
    assert real_crossings(value_at, frequency, value_at(frequency)) == [(1e3, 2.0)]


def test_a_frequency_that_two_loops_bring_is_not_its_own_neighbour() -> None:
    """The top of the grid stands twice, but for rounding; the peak lies to its right."""

    def size_at(frequency: Array) -> Array:
        return np.asarray(np.round(3.0 - (frequency - 4.501) ** 2, 12))

    frequency = np.array([4.3, 4.4, 4.47, np.nextafter(4.47, 5.0), 4.57, 4.7])
    assert highest(size_at, frequency, size_at(frequency)).frequency == pytest.approx(4.501, abs=1e-3)
