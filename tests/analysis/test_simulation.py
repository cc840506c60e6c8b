"""A simulation as a whole: what it returns, what it refuses, and how it fails."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from rigs import coupling, describe, sensor, servo, shipped, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import make_run, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import BenchError, SimulationError
from shaftloop_models.lowpass import LowPass, sections


def test_what_a_simulation_returns() -> None:
    result = simulate(shipped("reference-bench", "duration=2 ms"))
    assert len(result.time) == 20 and result.time[-1] == pytest.approx(1.9e-3, rel=1e-14)
    assert set(result.traces) == set(result.units)
    assert all(trace.shape == result.time.shape for trace in result.traces.values())
    assert result.units["true_torque"] == "N m" and result.units["drive_speed"] == "rad/s"
    assert result.duration == 2e-3 and result.step == pytest.approx(1e-4) and result.method == "etd4"
    assert result.wall_time > 0.0 and result.events == ()
    low, high = result.peaks["ts.true_torque"]
    assert low <= result.traces["true_torque"].min() < result.traces["true_torque"].max() <= high


def test_factor_divides_the_step() -> None:
    one, two = (simulate(shipped("reference-bench", "duration=1 ms"), factor=factor) for factor in (1, 2))
    assert two.step == pytest.approx(0.5 * one.step)


def test_run_ends_between_instants_where_the_duration_does() -> None:
    result = simulate(shipped("reference-bench", "duration=1.2345 ms"))
    assert result.duration == pytest.approx(1.2345e-3, abs=1e-15)
    assert len(result.time) == 13


def test_peaks_come_from_inside_the_steps() -> None:
    """An undamped two-mass line after a step of torque: the peak is twice the mean, between the records."""
    loop = torque_loop("drive", "ts")
    line = [servo("drive", 0.05), sensor("ts", 2e4), servo("load", 0.1)]
    document = {"duration": "9 ms", "line": line, "loop": [loop], "sequence": [step("torque", "10 N m")]}
    result = simulate(describe({**document, "record": {"rate": "400 Hz"}}))
    peak = result.peaks["ts.true_torque"][1]
    assert peak == pytest.approx(2.0 * 10.0 * 0.1 / 0.15, rel=1e-4)
    assert result.traces["true_torque"].max() < 0.99 * peak


@pytest.mark.compiled
def test_noise_of_the_reading_has_the_closed_form_deviation() -> None:
    """Density times the root of the noise bandwidth, ω·Q/4 for a section of second order."""
    low_pass = LowPass("bessel", 1200.0, 2)
    part = sensor(
        "ts",
        2e4,
        noise_density="2e-3 N m/rtHz",
        filter={"kind": "bessel", "order": 2, "cutoff": "1.2 kHz"},
    )
    line = [servo("drive", 0.05), part, servo("load", 0.1)]
    loop = torque_loop("drive", "ts")
    result = simulate(describe({"duration": "6 s", "line": line, "loop": [loop]}))
    reading = result.traces["reading"][100:]
    ((omega, q),) = sections(low_pass)
    deviation = 2e-3 * math.sqrt(omega * q / 4.0)
    independent = 6.0 * omega * q / 4.0
    assert abs(reading.mean()) < 4.0 * deviation / math.sqrt(independent)
    assert reading.std() == pytest.approx(deviation, rel=4.0 / math.sqrt(2.0 * independent))
    standard = reading / deviation
    assert np.mean(standard**4) == pytest.approx(3.0, abs=0.15)
    correlation = np.mean(standard[5:] * standard[:-5])
    rate, decay = omega * math.sqrt(1.0 - 0.25 / q**2), 0.5 * omega / q
    known = math.exp(-decay * 5e-4) * (math.cos(rate * 5e-4) + decay / rate * math.sin(rate * 5e-4))
    assert correlation == pytest.approx(known, abs=0.02)
    assert not result.traces["true_torque"].any()


def test_two_sensors_have_noise_of_their_own() -> None:
    """Filters of unequal order; the deviation of the second one is density times sqrt(π/2·cutoff)."""
    path = {"noise_density": "2e-3 N m/rtHz", "filter": {"kind": "first_order", "cutoff": "2 kHz"}}
    second = {**path, "filter": {"kind": "bessel", "order": 2, "cutoff": "2 kHz"}}
    line = [
        servo("drive", 0.05),
        sensor("a", 2e4, **second, inertia_right="0.01 kg m^2"),
        sensor("b", 2e4, **path),
    ]
    loop = torque_loop("drive", "a")
    result = simulate(describe({"duration": "20 ms", "line": [*line, servo("load", 0.1)], "loop": [loop]}))
    one, other = result.traces["reading"][10:], result.traces["b_reading"][10:]
    assert one.std() > 0.0
    assert other.std() == pytest.approx(2e-3 * math.sqrt(0.5 * math.pi * 2e3), rel=0.2)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.4


@pytest.mark.compiled
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_absurd_gains_end_in_an_error_with_advice(method: str) -> None:
    """Anti-windup with ki·T/kp = 5 is unstable in itself, whatever the clamp."""
    description = shipped("reference-bench", "duration=0.5 s", "loop.torque.kp=50", "loop.torque.ki=1e6 1/s")
    with pytest.raises(SimulationError, match=r"the bench diverged at t = 0\.1\d+ s") as caught:
        simulate(description, method=method)
    assert caught.value.exit_code == 3
    assert "lower the gains of the loops" in caught.value.advice


@pytest.mark.compiled
def test_unstable_loop_inside_its_clamps_returns_finite_numbers() -> None:
    result = simulate(
        shipped("reference-bench", "duration=0.3 s", "loop.torque.kp=50", "loop.torque.ki=1e4 1/s")
    )
    assert all(np.isfinite(trace).all() for trace in result.traces.values())
    assert all(math.isfinite(value) for value in result.energies.meters.values())
    assert all(math.isfinite(value) for pair in result.peaks.values() for value in pair)
    assert result.traces["true_torque"].max() > 100.0


def test_run_of_a_billion_seconds_is_refused_with_the_estimate() -> None:
    with pytest.raises(
        SimulationError, match=r"a run of 1e\+09 s with \d\.\d+e\+13 substeps takes"
    ) as caught:
        simulate(replace(shipped("reference-bench"), duration=Fraction(10**9)))
    assert caught.value.exit_code == 3 and "s would do" in caught.value.advice


def test_recording_beyond_memory_is_refused_with_the_estimate() -> None:
    description = shipped("reference-bench", "record.rate=10 MHz")
    with pytest.raises(SimulationError, match=r"take [\d.]+ GB of memory; allowed: 1\.5 GB") as caught:
        simulate(description)
    assert "record.rate" in caught.value.advice


def test_sequence_without_an_end_is_refused() -> None:
    sine = {"do": "sine", "loop": "speed", "mean": "0 rpm", "amplitude": "9 rpm", "frequency": "9 Hz"}
    line = [servo("drive", 0.05), coupling("c", 2e4), servo("load", 0.1)]
    loop = speed_loop("drive", 1.0, 1.0)
    bench = build_bench(describe({"duration": "1 s", "line": line, "loop": [loop], "sequence": [sine]}))
    with pytest.raises(BenchError, match=r"duration: missing: the last step of the sequence has no end"):
        make_run(build_bench(replace(bench.description, duration=None)))


def test_length_of_a_run_is_that_of_its_sequence() -> None:
    wait = {"within": "1 rpm", "dwell": "1 ms", "timeout": "20 ms"}
    wave = {"mean": "0 rpm", "amplitude": "9 rpm", "frequency": "9 Hz", "time": "8 ms"}
    pulse = {"low": "0 rpm", "high": "1 rpm", "period": "2 ms", "rise": "0 ms", "fall": "1 ms"}
    moves = [
        {"do": "ramp", "loop": "speed", "to": "9 rpm", "over": "4 ms"},
        {"do": "hold", "time": "2 ms"},
        {"do": "ramp", "loop": "speed", "to": "9 rpm", "over": "500 ms", "wait": False},
        {"do": "settle", "loop": "speed", **wait},
        {"do": "sine", "loop": "speed", **wave},
        {"do": "periodic_step", "loop": "speed", **pulse, "time": "1 ms"},
        step("speed", "0 rpm"),
        {"do": "end"},
        {"do": "hold", "time": "9 s"},
    ]
    line = [servo("drive", 0.05), coupling("c", 2e4), servo("load", 0.1)]
    document = {"line": line, "loop": [speed_loop("drive", 1.0, 1.0)], "sequence": moves}
    run, end = make_run(build_bench(describe(document)))
    assert end == round(0.035 * run.clock.ticks_per_second)
