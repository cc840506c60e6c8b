"""Moving average, hysteresis, repeatability, timed edges and power meters, in runs of small benches."""

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.parts.part import make_part
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop_models.encoder import Encoder

Array = NDArray[np.float64]
Table = dict[str, Any]

BESSEL = {"kind": "bessel", "order": 2, "cutoff": "900 Hz"}
WAVE = {
    "do": "sine",
    "loop": "torque",
    "mean": "5 N m",
    "amplitude": "40 N m",
    "frequency": "90 Hz",
    "wait": False,
}


def torque_rig(part: Table, sequence: list[Table], duration: str = "40 ms", **keys: Any) -> Table:
    """Return a line whose twist torque follows the set-point, with a sensor at 10 kHz."""
    return {
        "duration": duration,
        "line": [servo("drive", 0.05), sensor("ts", 2e5, damping="20 N m s/rad", **part), servo("load", 0.1)],
        "loop": [torque_loop("drive", "ts")],
        "sequence": sequence,
        **keys,
    }


def reading(part: Table, sequence: list[Table], **keys: Any) -> Array:
    return simulate(describe(torque_rig(part, sequence, **keys))).traces["reading"]


@pytest.mark.parametrize("window", ["1 sample", "7 sample", "0.4 ms"])
@pytest.mark.parametrize("filtered", [True, False])
def test_moving_average_is_the_mean_of_what_the_filter_shows(window: str, filtered: bool) -> None:
    """Against Simpson's rule over a record that is twenty times finer."""
    part = {"moving_average": window, **({"filter": BESSEL} if filtered else {})}
    record = {"rate": "200 kHz", "channels": ["ts.filter1", "ts.filter2"] if filtered else []}
    result = simulate(describe(torque_rig(part, [WAVE], record=record)))
    fine = result.traces["ts.filter1" if filtered else "true_torque"]
    samples = {"1 sample": 1, "7 sample": 7, "0.4 ms": 4}[window]
    weights = np.array([1.0, 4.0] * 10 + [1.0]) - np.array([0.0, 0.0] * 10 + [0.0])
    weights[2:-1:2] = 2.0
    period = np.array([weights @ fine[i : i + 21] / 60.0 for i in range(0, len(fine) - 21, 20)])
    for k in range(100, 300):
        expected = period[k - samples : k].mean()
        assert result.traces["reading"][20 * k + 1] == pytest.approx(expected, abs=2e-4)


def test_noise_of_a_moving_average() -> None:
    """White noise of one-sided density S, averaged over T, has the variance S²/(2·T)."""
    part = {
        "moving_average": "20 sample",
        "filter": {**BESSEL, "cutoff": "4 kHz"},
        "noise_density": "0.02 N m/rtHz",
    }
    found = np.concatenate([reading(part, [], duration="1 s", seed=seed)[100::20] for seed in (1, 2)])
    assert len(found) > 980
    assert np.std(found) == pytest.approx(0.02 / math.sqrt(2.0 * 2e-3), rel=0.07)


def test_noise_that_only_the_average_bounds() -> None:
    part = {"moving_average": "2 sample", "noise_density": "0.02 N m/rtHz"}
    found = reading(part, [], duration="1 s")[100::2]
    assert np.std(found) == pytest.approx(0.02 / math.sqrt(2.0 * 0.2e-3), rel=0.03)


def test_hysteresis_opens_the_loop_by_what_is_stated() -> None:
    """Up to the rated torque and back: at a third of it the way back lies hysteresis·rated higher."""
    part = {"rated": "100 N m", "hysteresis": "0.4 %"}
    ramps = [{"do": "ramp", "loop": "torque", "to": f"{to} N m", "over": "50 ms"} for to in (150.0, 0.0)]
    result = simulate(describe(torque_rig(part, ramps, duration="100 ms")))
    true, shown = result.traces["true_torque"], result.traces["reading"]
    assert np.max(true) == pytest.approx(100.0, rel=0.01)
    error = shown[1:] - true[:-1]
    top = int(np.argmax(true))
    up = np.interp(33.0, true[:top], error[:top])
    down = np.interp(33.0, true[top:][::-1][1:], error[top:][::-1])
    assert down - up == pytest.approx(0.4, rel=0.02)
    assert error[-1] == pytest.approx(0.2, rel=0.05)


def test_repeatability_spreads_the_zero_over_the_seeds() -> None:
    part = {"rated": "100 N m", "repeatability": "0.2 %"}
    zeros = np.array([reading(part, [], duration="1 ms", seed=seed)[-1] for seed in range(40)])
    assert np.std(zeros) == pytest.approx(0.2, rel=0.25)
    assert reading(part, [], duration="1 ms", seed=3)[-1] == zeros[3]


def test_two_sensors_have_zeros_of_their_own() -> None:
    """Over 40 seeds the zeros of two sensors differ, spread alike and do not hang together."""
    part = {"rated": "100 N m", "repeatability": "0.2 %"}
    document = torque_rig(part, [], duration="1 ms", record={"rate": "10 kHz", "channels": ["ts2.reading"]})
    document["line"].insert(2, sensor("ts2", 2e5, damping="20 N m s/rad", inertia_left="0.01 kg m^2", **part))
    runs = [simulate(describe(document, f"seed={seed}")).traces for seed in range(40)]
    zeros = np.array([[run[name][-1] for run in runs] for name in ("reading", "ts2.reading")])
    assert np.std(zeros, axis=1) == pytest.approx([0.2, 0.2], rel=0.25)
    # Of independent ones the coefficient lies within 0.4 in 99 of 100 cases.
    assert abs(np.corrcoef(zeros)[0, 1]) < 0.4


def speed_rig(encoder: Table, to: str, **keys: Any) -> Simulation:
    """Return a run in which the line turns at a speed, with an encoder at 1 kHz on the drive."""
    plain = {"part": "encoder", "name": "enc", "lines": 500, "sampling": "1 kHz"}
    document = {
        "duration": "0.5 s",
        "line": [
            servo("drive", 0.05),
            {**plain, **encoder},
            sensor("ts", 2e5, damping="20 N m s/rad"),
            servo("load", 0.1),
        ],
        "loop": [speed_loop("drive", 20.0, 0.0)],
        "sequence": [step("speed", to)],
        "record": {"rate": "1 kHz", "channels": ["enc.speed"]},
        **keys,
    }
    return simulate(describe(document))


@pytest.mark.parametrize("rpm", [610.0, -610.0])
def test_timed_edges_resolve_finer_than_counted_ones(rpm: float) -> None:
    timed = speed_rig({"method": "timing", "clock": "10 MHz"}, f"{rpm} rpm").traces["enc.speed"][300:]
    counted = speed_rig({}, f"{rpm} rpm").traces["enc.speed"][300:]
    speed, quantum = rpm * math.pi / 30.0, 2.0 * math.pi / 2000.0 * 1000.0
    assert np.max(np.abs(counted - speed)) > 0.1 * quantum
    # Two roundings of an instant, each up to one cycle of the clock, over at least 0.9 ms.
    assert np.max(np.abs(timed - speed)) <= abs(speed) * 2.0 / (10e6 * 0.9e-3)
    assert np.mean(timed) == pytest.approx(speed, rel=1e-5)


def test_slow_speed_without_an_edge_in_most_periods() -> None:
    """At 6 rpm an edge comes every 5 ms: counting shows 0 or one quantum, timing the speed."""
    timed = speed_rig({"method": "timing", "clock": "1 MHz"}, "6 rpm").traces["enc.speed"][100:]
    counted = speed_rig({}, "6 rpm").traces["enc.speed"][100:]
    assert np.max(np.abs(counted - 0.2 * math.pi)) > 1.0
    assert np.max(np.abs(timed - 0.2 * math.pi)) < 2e-3


def test_a_line_that_stands_still_is_read_ever_slower() -> None:
    drag = {"viscous": "5 N m s/rad", "coulomb": "10 N m", "smoothing": "0.1 rad/s"}
    brake = {"part": "bearing", "name": "brake", "inertia": "1e-3 kg m^2", "drag": drag}
    line = [
        servo("drive", 0.05),
        {
            "part": "encoder",
            "name": "enc",
            "lines": 20,
            "sampling": "1 kHz",
            "method": "timing",
            "clock": "1 MHz",
        },
        sensor("ts", 2e5),
        brake,
    ]
    document = {
        "duration": "0.4 s",
        "line": line,
        "loop": [torque_loop("drive", "ts")],
        "sequence": [step("torque", "100 N m"), {"do": "hold", "time": "20 ms"}, step("torque", "0 N m")],
        "record": {"rate": "1 kHz", "channels": ["enc.speed"]},
    }
    shown = simulate(describe(document)).traces["enc.speed"]
    last = int(np.flatnonzero(np.diff(shown) > 0.0)[-1])
    assert 0.0 < shown[-1] < 0.5 * shown[last + 1]
    assert shown[-1] == pytest.approx(2.0 * math.pi / 80.0 / 0.3, rel=0.3)


def swung(encoder: Table, wave: Table) -> tuple[Array, Array]:
    """Return the speed of the drive and what a timed encoder shows while the line is swung."""
    part = {"part": "encoder", "name": "enc", "method": "timing", "clock": "1 MHz", **encoder}
    line = [servo("drive", 0.05), part, sensor("ts", 6e4, damping="3 N m s/rad"), servo("load", 0.03)]
    document = {
        "duration": wave["time"],
        "line": line,
        "loop": [torque_loop("load", "ts")],
        "sequence": [{"do": "sine", "loop": "torque", **wave}],
        "record": {"rate": "4 kHz", "channels": ["enc.speed"]},
    }
    traces = simulate(describe(document)).traces
    return traces["drive_speed"], traces["enc.speed"]


def test_a_timed_encoder_keeps_to_the_speed_where_the_line_turns_back() -> None:
    wave = {"mean": "-0.5 N m", "amplitude": "6 N m", "frequency": "2 Hz", "time": "1.5 s"}
    speed, shown = swung({"lines": 2048, "sampling": "500 Hz"}, wave)
    assert np.min(speed) < -1.0 and np.max(speed) > 1.0
    # From standstill to the next edge, then a period until it is seen, another until it is seen again.
    acceleration = np.max(np.abs(np.diff(speed))) * 4000.0
    bound = math.sqrt(2.0 * 2.0 * math.pi / 8192 * acceleration) + acceleration * 2.0 / 500.0
    assert np.max(np.abs(shown - speed)) < bound < 1.0


def test_a_timed_encoder_shows_no_speed_before_two_edges() -> None:
    """The line starts on an edge, passes it backwards at once and no other one in 50 ms."""
    wave = {"mean": "0.5 N m", "amplitude": "0.2 N m", "frequency": "1 Hz", "time": "50 ms"}
    speed, shown = swung({"lines": 100, "sampling": "2 kHz"}, wave)
    assert np.min(speed) < -0.1 or np.max(speed) > 0.1
    np.testing.assert_array_equal(shown, 0.0)


@pytest.mark.parametrize(
    ("speed", "step"),
    [(100.0, 100.0 / 1e3), (-100.0, 100.0 / 1e3), (1.0, 1.0 / (1e6 * 2.0 * math.pi / 400.0)), (0.0, 0.0)],
)
def test_the_step_of_a_timed_speed_is_that_of_its_clock(speed: float, step: float) -> None:
    """Speed over ticks of the clock in a period, or between two edges where these are farther apart."""
    part = Encoder("encoder", "enc", 100, Fraction(1000), method="timing", clock=1e6)
    assert make_part(part).step(speed) == pytest.approx(step, rel=1e-12)


@pytest.mark.parametrize("method", [{}, {"method": "timing", "clock": "10 MHz"}])
def test_error_of_the_graduation_shows_once_per_turn(method: Table) -> None:
    """The speed read swings by turn_error·speed at the speed itself."""
    encoder = {"lines": 1_000_000, "turn_error": "0.002 rad", "turn_phase": "30 deg", **method}
    result = speed_rig(encoder, "600 rpm")
    shown, time = result.traces["enc.speed"][200:], result.time[200:]
    wave = np.exp(-2j * math.pi * 10.0 * time[:300])
    assert 2.0 * abs(np.mean((shown[:300] - np.mean(shown[:300])) * wave)) == pytest.approx(
        0.002 * 20.0 * math.pi, rel=0.01
    )


def power_rig(meter: Table, **keys: Any) -> Simulation:
    ramp = {"do": "ramp", "loop": "torque", "to": "50 N m", "over": "0.1 s"}
    line = [
        servo("drive", 0.05, efficiency=0.9),
        sensor("ts", 2e5, damping="20 N m s/rad"),
        servo("load", 0.1),
    ]
    document = {
        "duration": "0.4 s",
        "line": line,
        "loop": [speed_loop("load", 20.0, 200.0), torque_loop("drive", "ts")],
        "sequence": [step("speed", "600 rpm"), {"do": "hold", "time": "0.1 s"}, ramp],
        "power_meter": [{"name": "pm", "on": "drive", "sampling": "1 kHz", "range": "10 kW", **meter}],
        "record": {"rate": "1 kHz"},
        **keys,
    }
    return simulate(describe(document))


def test_power_meter_reads_the_mean_power_of_its_period() -> None:
    result = power_rig({})
    energy, shown = result.traces["drive_energy"], result.traces["pm_power"]
    assert np.max(shown) > 2000.0
    np.testing.assert_allclose(shown[2:], np.diff(energy)[:-1] * 1000.0, rtol=1e-9, atol=1e-6)


def test_power_meter_with_lag_latency_and_errors() -> None:
    meter = {"bandwidth": "20 Hz", "latency": "3 ms", "gain_error": "1 %", "zero": "2 W"}
    result = power_rig(meter)
    mean, lagged = np.diff(result.traces["drive_energy"]) * 1000.0, [0.0]
    share = 1.0 - math.exp(-2.0 * math.pi * 20.0 * 1e-3)
    for value in mean:
        lagged.append(lagged[-1] + share * (value - lagged[-1]))
    expected = 2.0 + 1.01 * np.array(lagged)
    np.testing.assert_allclose(result.traces["pm_power"][4:], expected[:-4], rtol=1e-9, atol=1e-6)


def test_power_meter_saturates_and_rounds() -> None:
    shown = power_rig({"range": "500 W", "resolution": "4 W"}).traces["pm_power"]
    assert np.max(shown) == 500.0
    assert np.all(shown / 4.0 == np.round(shown / 4.0))


def test_the_smooth_bench_has_none_of_them_but_the_average() -> None:
    part = {
        "moving_average": "2 sample",
        "hysteresis": "0.4 %",
        "repeatability": "0.2 %",
        "resolution": "0.1 N m",
    }
    document = torque_rig(part, [])
    encoder = {"part": "encoder", "name": "enc", "lines": 500, "sampling": "1 kHz", "turn_error": "1e-3 rad"}
    document["line"].insert(1, encoder)
    document["power_meter"] = [{"name": "pm", "on": "drive", "sampling": "1 kHz", "range": "10 kW"}]
    full, smooth = (build_bench(describe(document), smooth=flag) for flag in (False, True))
    kinds = [{task.kind for task in bench.model.tasks} for bench in (full, smooth)]
    assert kinds[0] >= {at.AVERAGE, at.EDGES, at.OWN}
    assert at.AVERAGE in kinds[1] and not kinds[1] & {at.EDGES, at.OWN}
    names = {slot.name for slot in smooth.model.layout.slots if slot.kind is SlotKind.HELD}
    assert "ts.hysteresis" not in names and "ts.reading" in names


@pytest.mark.parametrize(("method", "factor"), [("etd4", 1), ("rk4", 4)])
def test_energy_closes_with_all_of_them(method: str, factor: int) -> None:
    part = {"moving_average": "2 sample", "hysteresis": "0.4 %", "repeatability": "0.2 %", "filter": BESSEL}
    document = torque_rig(part, [WAVE], duration="0.1 s")
    for machine in document["line"][::2]:
        machine["time_constant"] = "1 ms"  # a lag of 1 us costs the meters 3e-5
    document["power_meter"] = [{"name": "pm", "on": "drive", "sampling": "1 kHz", "range": "10 kW"}]
    found = simulate(describe(document), method=method, factor=factor).energies
    assert found.residual < 1e-5 and found.worst.residual < 1e-4
