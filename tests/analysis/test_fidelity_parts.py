"""Bands, rise time, noise, pulses, encoder and correction, each against a closed form or a count."""

import math

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from rigs import coupling, describe, sensor, servo, shipped, speed_loop, torque_loop
from shaftloop.analysis.drags import Drags
from shaftloop.analysis.fidelity.aliasing import ripples
from shaftloop.analysis.fidelity.bands import Band, find_bands
from shaftloop.analysis.fidelity.correction import (
    acceleration_noise,
    angle_step,
    between,
    correction,
    largest_acceleration,
    window_for,
)
from shaftloop.analysis.fidelity.encoder import encoder_figures
from shaftloop.analysis.fidelity.pulse import Chain, capture, filter_chain, width_for
from shaftloop.analysis.fidelity.signalpath import (
    averaging_window,
    noise,
    rise_time,
    slow_delay,
    static_error,
)
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import operating_point
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description
from shaftloop_models.encoder import Encoder
from shaftloop_models.lowpass import LowPass
from shaftloop_models.torque_sensor import TorqueSensor

FIRST = LowPass("first_order", 100.0)


def sensor_of(name: str, *settings: str) -> TorqueSensor:
    return next(part for part in shipped(name, *settings).line if isinstance(part, TorqueSensor))


def encoder_of(*settings: str) -> Encoder:
    return next(part for part in shipped("wheel-hub", *settings).line if isinstance(part, Encoder))


# ---- bands


def test_bands_of_a_first_order_lag_have_the_closed_form() -> None:
    frequency = np.geomspace(0.01, 1e4, 400)

    def size(f: float) -> float:
        return float(1.0 / math.hypot(1.0, f / 100.0))

    bands = find_bands(frequency, np.array([size(f) for f in frequency]), 0, size)
    expected = [100.0 * math.sqrt(1.0 / level**2 - 1.0) for level in (0.99, 0.95, math.sqrt(0.5))]
    assert [band.high for band in bands] == pytest.approx(expected, rel=1e-9)
    assert all(band.low is None and band.exists for band in bands)
    assert bands[0].holds(10.0) and not bands[0].holds(20.0)


def test_a_band_may_begin_above_zero_and_never_end() -> None:
    frequency = np.geomspace(0.01, 1e4, 400)

    def size(f: float) -> float:
        return (f / 1.0) / math.hypot(1.0, f / 1.0)

    calm = int(np.searchsorted(frequency, 1e3))
    band = find_bands(frequency, np.array([size(f) for f in frequency]), calm, size)[2]
    assert (band.low, band.high) == (pytest.approx(1.0, rel=1e-9), None)
    nothing = find_bands(frequency, np.full(400, 0.5), calm, lambda f: 0.5)[2]
    assert nothing == Band("3 dB", None, None, False) and not nothing.holds(1e3)


# ---- signal path


@pytest.mark.parametrize("window", [0.0, 1e-3, 20e-3])
def test_rise_time_of_lag_and_moving_average(window: float) -> None:
    """Against a fine convolution; without a window ln(9)/(2·pi·fc)."""
    found = rise_time(FIRST, window)
    if not window:
        assert found == pytest.approx(math.log(9.0) / (2.0 * math.pi * 100.0), rel=1e-5)
    time = np.arange(0.0, 0.06, 2e-6)
    lag = 1.0 - np.exp(-2.0 * math.pi * 100.0 * time)
    width = max(round(window / 2e-6), 1)
    rising = np.convolve(lag, np.full(width, 1.0 / width))[: len(time)]
    low, high = (time[np.argmax(rising >= level)] for level in (0.1, 0.9))
    assert found == pytest.approx(high - low, rel=2e-3)
    assert rise_time(None, window) == pytest.approx(0.8 * window)


def test_noise_of_a_first_order_lag_and_of_a_mean() -> None:
    """Density S through a lag: S·sqrt(pi/2·fc); its mean over a long window: S/sqrt(2·W)."""
    part = sensor_of(
        "wheel-hub", "line.ts.filter={kind='first_order',cutoff='100 Hz'}", "line.ts.gain_error=0"
    )
    lag = part.noise_density * math.sqrt(0.5 * math.pi * 100.0)
    assert noise(part).analogue == pytest.approx(lag, rel=1e-9)
    assert noise(part).quantiser == pytest.approx(part.quantiser_step() / math.sqrt(12.0))
    assert noise(part).total == pytest.approx(math.hypot(lag, noise(part).quantiser))
    settings = ("line.ts.filter={kind='first_order',cutoff='100 Hz'}", "line.ts.gain_error=0")
    mean = sensor_of("wheel-hub", *settings, "line.ts.moving_average=1 s")
    assert averaging_window(mean) == 1.0
    a = 2.0 * math.pi * 100.0
    exact = part.noise_density * math.sqrt(0.5 * (1.0 - (1.0 - math.exp(-a)) / a))
    assert noise(mean).analogue == pytest.approx(exact, rel=1e-6)


def test_noise_of_a_mean_without_low_pass() -> None:
    part = TorqueSensor(
        part="torque_sensor",
        name="ts",
        rated=1.0,
        stiffness=1.0,
        sampling=sensor_of("wheel-hub").sampling,
        moving_average=sensor_of("wheel-hub", "line.ts.moving_average=2 ms").moving_average,
        noise_density=0.01,
    )
    assert noise(part).analogue == pytest.approx(0.01 / math.sqrt(2.0 * 2e-3), rel=1e-12)
    assert slow_delay(part) == pytest.approx(1e-3)
    assert noise(sensor_of("reference-bench")).analogue == 0.0


def test_slow_delay_is_the_group_delay_and_the_latency() -> None:
    """E6.2: a Bessel low-pass of order 2 delays by 0.2167/fc."""
    part = sensor_of("wheel-hub")
    assert slow_delay(part) == pytest.approx(0.2167 / 900.0 + 250e-6, rel=1e-4)


def test_static_error_is_gain_zero_and_nonlinearity() -> None:
    part = sensor_of("wheel-hub")
    top = part.rated / math.sqrt(3.0)  # where the cubic deviates most
    bent = part.nonlinearity * part.rated
    assert static_error(part, top) == pytest.approx(part.zero + part.gain_error * top + bent)
    assert static_error(part, 0.0) == part.zero
    assert static_error(part, -top) == pytest.approx(part.zero - part.gain_error * top - bent)


# ---- pulses


def test_without_low_pass_only_sampling_misses_the_peak() -> None:
    """Half a period beside the top of a half-sine: cos(pi·T/2w)."""
    straight = filter_chain(None)
    for share in (0.99, 0.63, 0.2, 0.013):
        peak, worst = capture(straight, 1e-3, share * 1e-3)
        assert peak == pytest.approx(1.0, abs=1e-9)
        assert worst == pytest.approx(math.cos(0.5 * math.pi * share), rel=1e-5)
    assert capture(straight, 1e-3, 1.1e-3)[1] == 0.0


def test_lag_behind_a_half_sine_has_the_closed_form() -> None:
    """y' = a(u − y): sine, cosine and a decaying part; the top is found on a fine grid."""
    a, omega, width = 2.0 * math.pi * 100.0, math.pi / 4e-3, 4e-3
    time = np.linspace(0.0, 1.6e-2, 400_001)
    during = (a**2 * np.sin(omega * time) - a * omega * np.cos(omega * time)) / (a**2 + omega**2)
    during += a * omega / (a**2 + omega**2) * np.exp(-a * time)
    peak, worst = capture(filter_chain(FIRST), width, 1e-4)
    assert peak == pytest.approx(during[time <= width].max(), rel=1e-8)
    # The worst phase has two samples at the same level, one period apart.
    level = next(v for v in during[during.argmax() :: -1] if np.count_nonzero(during > v) * 4e-8 >= 1e-4)
    assert worst == pytest.approx(level, rel=1e-5)


def test_moving_average_of_a_half_sine() -> None:
    """The mean over a window in the middle: sin(x)/x with x = pi·W/2w; sampled at every phase."""
    x = 0.5 * math.pi * 0.4
    peak, worst = capture(filter_chain(None, 0.4e-3), 1e-3, 1e-4)
    assert peak == pytest.approx(math.sin(x) / x, rel=1e-8)
    assert worst == pytest.approx(math.sin(x) / x * math.cos(0.5 * math.pi * 0.1), rel=1e-6)
    both = capture(filter_chain(FIRST, 0.4e-3), 4e-3, 1e-4)[0]
    assert both < capture(filter_chain(FIRST), 4e-3, 1e-4)[0]


def test_a_filter_of_order_four_against_a_fine_recursion() -> None:
    rate, width, period = 2e6, 1.3e-3, 1e-4
    b, a = butter(4, 900.0, fs=rate)
    pulse = np.where(
        np.arange(12_000) < width * rate, np.sin(math.pi / width * np.arange(12_000) / rate), 0.0
    )
    shown = lfilter(b, a, pulse)
    chosen = round(period * rate)
    phases = [shown[first::chosen].max() for first in range(chosen)]
    peak, worst = capture(filter_chain(LowPass("butterworth", 900.0, 4)), width, period)
    assert (peak, worst) == (pytest.approx(shown.max(), rel=1e-3), pytest.approx(min(phases), rel=1e-3))


def test_chains_join_and_keep_the_window() -> None:
    line = Chain(np.array([[-1e3]]), np.array([1e3]), np.array([1.0]), 5e-3)
    assert line.then(filter_chain(None, 1e-3)).window == 1e-3
    assert filter_chain(None).then(line) is line
    two = line.then(filter_chain(FIRST))
    alone = capture(filter_chain(FIRST), 5e-3, 1e-4)[0]
    assert capture(two, 5e-3, 1e-4)[0] < alone


def test_samples_far_denser_than_the_response_cost_no_points() -> None:
    """A filter of hours behind samples of 10 µs: in its own time the answer is that of any other."""
    fast = LowPass("bessel", 100.0, 2)
    slow = LowPass("bessel", 1e-6, 2)
    expected = capture(filter_chain(fast), 5e-3, 1e-9)
    shown = capture(filter_chain(slow), 5e5, 1e-5)
    assert shown == pytest.approx(expected, rel=1e-9) and shown[0] == shown[1]
    assert capture(filter_chain(slow, 1e-3), 5e5, 1e-5) == pytest.approx(shown, rel=1e-9)
    long = capture(filter_chain(slow, 1e5), 5e5, 1e-5)
    assert long == pytest.approx(capture(filter_chain(fast, 1e-3), 5e-3, 1e-6), rel=1e-6)


def test_shortest_pulse_is_where_the_error_is_met() -> None:
    straight, period = filter_chain(None), 2e-4
    width = np.geomspace(1e-4, 1e-1, 30)
    peak = np.array([capture(straight, w, period)[1] for w in width])
    found = width_for(0.05, width, peak, lambda w: capture(straight, w, period)[1])
    assert found == pytest.approx(0.5 * math.pi * period / math.acos(0.95), rel=1e-5)
    assert width_for(0.05, width[:3], peak[:3], lambda w: 0.0) is None
    assert width_for(0.05, width[-3:], peak[-3:], lambda w: 1.0) == width[-3]


# ---- encoder


def test_encoder_counts_and_times() -> None:
    """E8.1 and E8.2 with 125 lines of four edges and a gate of 0.1 s: 10 kHz of pulses, 1200 rpm."""
    encoder = Encoder("encoder", "e", 125, sampling=sensor_of("wheel-hub").sampling / 800)
    figures = encoder_figures(encoder, 2.0 * math.pi, clock=10e6)
    assert figures.edges == 500 and figures.counting_relative == pytest.approx(0.02, rel=1e-12)
    assert figures.timing is not None
    assert figures.timing / (2.0 * math.pi) == pytest.approx(5e-5, rel=1e-12)
    fast = encoder_figures(encoder, 200.0 * math.pi, clock=10e6)
    assert fast.counting_relative == pytest.approx(2e-4) and fast.timing is not None
    assert fast.timing / (200.0 * math.pi) == pytest.approx(5e-3, rel=1e-12)
    assert fast.timing_over_period == pytest.approx(200.0 * math.pi / (10e6 * 0.1))
    assert fast.crossover == pytest.approx(1200.0 * math.pi / 30.0)
    assert fast.delay == pytest.approx(0.05)
    assert encoder_figures(encoder, -200.0 * math.pi, clock=10e6) == fast


def test_encoder_at_rest_and_without_clock() -> None:
    figures = encoder_figures(encoder_of(), 0.0)
    assert figures.counting_relative is None and figures.timing is None and figures.crossover is None
    assert figures.turn_ripple == 0.0 and figures.method == "counting"
    timed = encoder_figures(encoder_of("line.enc.method=timing", "line.enc.clock=10 MHz"), 50.0)
    assert timed.method == "timing" and timed.timing is not None


def test_eccentric_disc_makes_the_speed_swing() -> None:
    """e/r = 1 mrad at 100 rad/s: 0.1 rad/s; the mean over half a turn leaves sinc(1/2) of it."""
    encoder = encoder_of("line.enc.turn_error=1 mrad")
    assert encoder_figures(encoder, 100.0).turn_ripple == pytest.approx(0.1, rel=1e-3)
    fast = 2.0 * math.pi * 1000.0  # half a turn per period of 0.5 ms
    assert encoder_figures(encoder, fast).turn_ripple == pytest.approx(fast * 1e-3 * 2.0 / math.pi)
    assert encoder_figures(encoder, 100.0, turn_error=2e-3).turn_error == 2e-3


# ---- correction


def test_rounding_of_an_accelerating_angle_is_as_predicted() -> None:
    """Angles of many runs, rounded down to edges and differentiated twice."""
    rng = np.random.default_rng(5)
    encoder = encoder_of()
    edge, window = angle_step(encoder, 80.0), 2e-3
    start, speed, slope = rng.uniform(0.0, 1.0, (3, 40_000)) * [[[1.0]], [[100.0]], [[50.0]]][0]
    speed, slope = 50.0 + 100.0 * speed, 50.0 * slope
    times = np.array([0.0, window, 2.0 * window])
    angle = start + speed * times[:, None] + 0.5 * slope * times[:, None] ** 2
    counted = edge * np.floor(angle / edge)
    error = (counted[2] - 2.0 * counted[1] + counted[0]) / window**2 - slope
    assert float(np.std(error)) == pytest.approx(acceleration_noise(edge, window), rel=0.02)
    assert abs(np.mean(error)) < 0.02 * acceleration_noise(edge, window)


def test_timed_edges_know_the_angle_finer() -> None:
    timed = encoder_of("line.enc.method=timing", "line.enc.clock=10 MHz")
    assert angle_step(timed, 80.0) == pytest.approx(80.0 / 10e6)
    assert angle_step(timed, 0.0) == angle_step(encoder_of(), 80.0) == pytest.approx(2.0 * math.pi / 8192)


def test_the_window_is_just_long_enough() -> None:
    window = window_for(7.67e-4, 0.08, 0.15, 5e-4)
    assert window / 5e-4 == pytest.approx(round(window / 5e-4))
    assert 0.08 * acceleration_noise(7.67e-4, window) <= 0.15
    assert 0.08 * acceleration_noise(7.67e-4, window - 5e-4) > 0.15
    assert window_for(7.67e-4, 0.08, 1e9, 5e-4) == 5e-4


def test_ripple_and_cogging_of_one_order_add_as_phasors() -> None:
    waves = {"ripple": [{"order": 6, "amplitude": "3 N m", "phase": "20 deg"}]}
    waves["cogging"] = [{"order": 6, "amplitude": "4 N m", "phase": "110 deg"}]
    line = [servo("drive", 0.05, **waves), sensor("ts", 2e4, damping="1 N m s/rad"), servo("load", 0.1)]
    loops = [speed_loop("drive", 1.0, 1.0), torque_loop("load", "ts")]
    document = {"unit": "drive", "line": line, "loop": loops, "duration": "1 s"}
    (ripple,) = ripples(fidelity(describe(document), speed=50.0))
    assert ripple.order == 6.0
    assert ripple.amplitude == pytest.approx(5.0, rel=1e-12)


def ramped(unit: str, down: float = 0.4) -> Description:
    support = {
        "part": "bearing",
        "name": "b",
        "inertia": "0.02 kg m^2",
        "drag": {"viscous": "0.01 N m s/rad"},
    }
    line = [
        servo("drive", 0.05, drag={"viscous": "0.02 N m s/rad"}),
        coupling("c", 3e4),
        support,
        sensor("ts", 2e4),
        servo("load", 0.1),
    ]
    ramp = {"do": "ramp", "loop": "speed", "to": "100 rad/s", "over": "0.5 s"}
    down = {"do": "ramp", "loop": "speed", "to": "80 rad/s", "over": f"{down} s"}
    loops = [speed_loop("drive", 1.0, 1.0), torque_loop("load", "ts")]
    return describe({"unit": unit, "line": line, "loop": loops, "sequence": [ramp, down]})


def test_bias_counts_what_lies_between_air_gap_and_sensor() -> None:
    description = ramped("drive")
    bench = HyperMap(description)
    point = operating_point(bench.bench, speed=80.0)
    found = correction(description, bench, point, 0.1)
    assert largest_acceleration(bench.bench) == pytest.approx(200.0)
    assert largest_acceleration(build_bench(ramped("drive", down=0.05))) == pytest.approx(-400.0)
    assert (found.inertia, found.inertia_behind_flange) == (pytest.approx(0.07), pytest.approx(0.02))
    assert (found.drag, found.drag_behind_flange) == (pytest.approx(2.4), pytest.approx(0.8))
    assert found.inertia_bias == pytest.approx(-14.0)
    assert found.inertia_residual == pytest.approx(0.02 * 14.0)
    assert found.encoder is None and found.residual is None and found.window is None
    places = [between(bench.bench, body, 1) for body in range(3)]
    assert places == [
        {0: 1.0, 1: 1.0},
        {1: 1.0},
        {2: 1.0},
    ]  # of a sensor between the second body and the third
    other = ramped("load")
    found = correction(other, HyperMap(other), point, 0.1)
    assert (found.inertia, found.inertia_behind_flange, found.drag) == (0.1, 0.0, 0.0)


def test_drag_is_what_the_network_meters_and_has_the_sign_of_the_speed() -> None:
    drag = {
        "viscous": "0.1 N m s/rad",
        "coulomb": "2 N m",
        "smoothing": "0.5 rad/s",
        "windage": "0.01 N m s^2/rad^2",
    }
    line = [servo("drive", 0.05, drag=drag), coupling("c", 3e4), servo("load", 0.1)]
    loops = [speed_loop("drive", 1.0, 1.0)]
    bench = HyperMap(describe({"line": line, "loop": loops, "duration": "1 s"}))
    assert Drags(bench.bench, bench.run, range(2)).torques(10.0) == {
        "drive.drag": pytest.approx(1.0 + 2.0 + 1.0)
    }
    assert Drags(bench.bench, bench.run, range(2)).torques(-10.0) == {"drive.drag": pytest.approx(-4.0)}
    assert Drags(bench.bench, bench.run, range(1, 2)).torques(10.0) == {}


def test_correction_takes_the_encoder_and_a_window() -> None:
    description = shipped("wheel-hub")
    bench = HyperMap(description)
    point = operating_point(bench.bench)
    found = correction(description, bench, point, 0.15, window=0.0101)
    assert found.encoder == "enc" and found.window == pytest.approx(0.01)
    assert found.window_noise == pytest.approx(
        found.inertia * acceleration_noise(angle_step(encoder_of(), 1.0), 0.01)
    )
    assert found.residual == pytest.approx(math.hypot(found.window_noise or 0.0, found.inertia_residual))
    assert found.mismatch == pytest.approx(0.01 - slow_delay(sensor_of("wheel-hub")), rel=1e-6)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"window": 1e-4}, "`window`: 0.0001 s is shorter than a period of enc, 0.0005 s"),
        ({"inertia_error": 1.5}, "`inertia_error`: 1.5 is outside 0 to 1"),
    ],
)
def test_impossible_corrections_are_refused(keys: dict[str, float], message: str) -> None:
    description = shipped("wheel-hub")
    bench = HyperMap(description)
    with pytest.raises(ScenarioError, match=message):
        correction(description, bench, operating_point(bench.bench), 0.15, **keys)
