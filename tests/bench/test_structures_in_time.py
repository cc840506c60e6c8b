"""Structures of a loop in the time simulation: against a plain controller, eigenvalues and closed forms."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from rigs import (
    Table,
    coupling,
    describe,
    sensor,
    servo,
    shipped,
    slot,
    speed_loop,
    start,
    step,
    ticks,
    torque_loop,
)
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine.layout import SlotKind

Array = NDArray[np.float64]

RATE = 10_000.0
PI: Table = {"kp": 0.2, "ki": "50 1/s", "feedforward": 0.5, "anti_windup": "back_calculation"}
MODEL: Table = {"model_gain": 0.6, "time_constant": "3 ms", "delay": "2.3 samples"}
ALL: Table = {
    **PI,
    "kd": "0.2 ms",
    "derivative_cutoff": "400 Hz",
    "setpoint_filter": "60 Hz",
    "active_damping": {"gain": "0.5 N m s/rad", "left": "drive", "right": "load", "cutoff": "4 Hz"},
    "disturbance_observer": {**MODEL, "cutoff": "5 Hz"},
    "predictor": MODEL,
    "filters": [{"kind": "low_pass", "cutoff": "900 Hz"}],
}
SENT = ("torque.damping", "torque.disturbance", "torque.predicted", "torque.sent", "torque.error")


def document(torque: Table, moves: list[Table], *channels: str, **keys: Any) -> Table:
    drag = {"viscous": "0.02 N m s/rad"}
    return {
        "duration": "0.4 s",
        "line": [
            servo("drive", 0.1, drag=drag, time_constant="1 ms"),
            sensor("ts", 2e4, damping="15 N m s/rad"),
            servo("load", 0.1, drag=drag, time_constant="1 ms"),
        ],
        "loop": [speed_loop("drive", 2.0, 4.0), torque_loop("load", "ts", **torque)],
        "sequence": moves,
        "record": {"rate": "10 kHz", "channels": list(channels)},
        **keys,
    }


MOVES: list[Table] = [
    step("speed", "20 rad/s"),
    step("torque", "30 N m"),
    {"do": "hold", "time": "0.15 s"},
    step("torque", "-10 N m"),
]


def controller(run: Simulation, keys: Table, clamp: float) -> dict[str, Array]:
    """The same controller in plain Python, fed with the recorded readings.

    A record shows what the tasks of the instant before have left: reading and speed of the tick of the
    loop are the reading of the sensor at that very tick, and the speeds one record earlier.
    """
    reading, target = run.traces["reading"][1:], run.traces["torque_setpoint"][:-1]
    twist_rate = run.traces["drive_speed"][:-1] - run.traces["load_speed"][:-1]
    count, period = len(reading), 1.0 / RATE
    b, a = signal.butter(1, 60.0, fs=RATE)
    target = signal.lfilter(b, a, target)
    b, a = signal.butter(1, 4.0, "highpass", fs=RATE)
    damping = -0.5 * signal.lfilter(b, a, twist_rate)  # a torque of this loop pushes the load back
    pole, q = math.exp(-2 * math.pi * 400 * period), math.exp(-2 * math.pi * 5 * period)
    lag, times = math.exp(-period / 3e-3), period * np.arange(count + 1)
    rises = [0.6 * (1.0 - np.exp(-np.maximum(times - d * period, 0.0) / 3e-3)) for d in (0.0, 2.3)]
    difference = np.diff(rises[0] - rises[1])
    delayed = np.diff(rises[1])
    low = signal.butter(1, 900.0, fs=RATE)
    memory = integral = derived = before = shown_before = estimate = 0.0
    sent, predicted, disturbance, errors = (np.zeros(count) for _ in range(4))
    for n in range(count):
        # What the commands so far do to the reading with and without the delay: sums over the pulse response.
        past = sent[n - 1 :: -1] if n else sent[:0]
        predicted[n] = reading[n] + past @ difference[:n]
        # Disturbance: invert the lag for reading minus model, then a first-order low-pass.
        shown = reading[n] - past @ delayed[:n]
        estimate = q * estimate + (1.0 - q) * (shown - lag * shown_before) / (0.6 * (1.0 - lag))
        shown_before = shown
        disturbance[n] = estimate
        filtered = low[0][0] * predicted[n] + memory
        memory = low[0][1] * predicted[n] - low[1][1] * filtered
        errors[n] = run.traces["torque_setpoint"][n] - filtered
        error = target[n] - filtered
        derived = pole * derived + 2e-4 * RATE * (1.0 - pole) * (-filtered - before)
        before = -filtered
        u = 0.2 * error + integral + 0.5 * target[n] + derived + damping[n] - disturbance[n]
        sent[n] = min(max(u, -clamp), clamp)
        integral += period * (50.0 * error + 250.0 * (sent[n] - u))
    return dict(zip(SENT, (damping, disturbance, predicted, sent, errors), strict=True))


@pytest.mark.compiled
@pytest.mark.parametrize("clamp", [1000.0, 22.0])
def test_everything_at_once_is_the_plain_controller(clamp: float) -> None:
    """Every tick of 0.4 s; with the low clamp the command is cut for part of it, and nothing winds up."""
    run = simulate(describe(document({**ALL, "clamp": f"{clamp} N m"}, MOVES, *SENT)))
    expected = controller(run, ALL, clamp)
    cut = np.abs(run.traces["torque.sent"]) == clamp
    assert cut.any() == (clamp < 100.0) and cut.mean() < 0.5
    for name in SENT:
        assert run.traces[name][1:] == pytest.approx(expected[name], rel=1e-9, abs=1e-9), name


def test_derivative_of_the_reading_spares_the_kick() -> None:
    keys = {**PI, "feedforward": 0.0, "kd": "0.5 ms", "derivative_cutoff": "400 Hz"}
    first = []
    for of in ("reading", "error"):
        run = simulate(describe(document({**keys, "derivative_of": of}, MOVES, duration="2 ms")))
        first.append(run.traces["torque_command"][1])
    pole = math.exp(-2 * math.pi * 400 / RATE)
    assert first == pytest.approx([0.2 * 30.0, 0.2 * 30.0 + 5e-4 * RATE * (1.0 - pole) * 30.0], rel=1e-12)


@pytest.mark.compiled
def test_a_limited_loop_sends_what_its_limiter_leaves() -> None:
    """The load alone drives the line to the limit of its speed; the model sees the torque of the limiter."""
    guard = {
        "name": "guard",
        "acts_on": "load",
        "reads": "load",
        "rate": "10 kHz",
        "kp": "10 N m s/rad",
        "ki": "50 N m/rad",
        "clamp": "100 N m",
        "output_latency": "0 s",
        "limiter_of": "torque",
        "limit_speed": "50 rad/s",
    }
    observer = {**MODEL, "cutoff": "5 Hz"}
    keys = {**PI, "feedforward": 0.0, "clamp": "100 N m", "disturbance_observer": observer}
    moves = [step("speed", "200 rad/s"), step("torque", "-20 N m")]
    doc = document(keys, moves, "torque.sent", "load.command_active", "torque.request")
    doc["loop"].append(guard)
    run = simulate(describe(doc))
    active, request = run.traces["load.command_active"], run.traces["torque.request"]
    limited = active != request
    assert limited.any() and not limited.all()
    sign = -1.0  # the load machine sits right of the sensor
    assert np.array_equal(run.traces["torque.sent"], sign * active)


def ringing(gain: float) -> tuple[complex, complex]:
    """Torsional pole from the eigenvalues of the bench, and as it decays in a run after a step."""
    damping = {"gain": f"{gain} N m s/rad", "left": "drive", "right": "load"}
    line = [
        servo("drive", 0.02),
        coupling("c1", 40.0, damping="0.002 N m s/rad", inertia_right="1e-6 kg m^2"),
        sensor("ts", 1e5),
        servo("load", 0.05),
    ]
    loops = [torque_loop("load", "ts", active_damping=damping), torque_loop("drive", "ts", name="other")]
    doc: Table = {"line": line, "loop": loops, "record": {"rate": "10 kHz"}, "duration": "1.2 s"}
    description = describe({**doc, "sequence": [step("torque", "1 N m")]})
    run = simulate(description)
    still = describe({**doc, "sequence": [{"do": "hold", "time": "0.1 s"}]})
    bench = HyperMap(still)
    found = np.linalg.eigvals(bench.jacobian(np.array(bench.bench.model.layout.initial)))
    poles = np.log(found[np.abs(found) > 0.5].astype(np.complex128)) / bench.hyperperiod
    (pole,) = poles[(poles.imag > 20.0) & (poles.imag < 200.0)]
    # The speeds of the two ends differ by a decaying sine: its zeros and peaks.
    twist = run.traces["drive_speed"] - run.traces["load_speed"]
    peaks = [i for i in range(1, len(twist) - 1) if abs(twist[i]) > max(abs(twist[i - 1]), abs(twist[i + 1]))]
    times, heights = run.time[peaks], np.abs(twist[peaks])
    good = heights > 1e-3 * heights[0]
    slope = np.polyfit(times[good], np.log(heights[good]), 1)[0]
    turn = math.pi * (good.sum() - 1) / (times[good][-1] - times[good][0])
    return complex(pole), complex(slope, turn)


@pytest.mark.compiled
def test_active_damping_damps_a_run_as_the_eigenvalues_say() -> None:
    free, measured_free = ringing(0.0)
    damped, measured = ringing(0.3)
    assert measured_free == pytest.approx(free, rel=3e-3) and measured == pytest.approx(damped, rel=3e-3)
    ratio = [-pole.real / abs(pole) for pole in (measured_free, measured)]
    assert ratio[0] < 0.002 and ratio[1] > 0.05
    assert -measured.real == pytest.approx(0.5 * 0.3 / 0.05 - free.real, rel=0.02)


@pytest.mark.compiled
def test_the_observer_rejects_a_constant_load_that_a_p_controller_does_not() -> None:
    """The drag at 50 rad/s puts 1 N m on the sensor; the estimate finds it with the time constant of Q."""
    keys: Table = {"kp": 0.2, "ki": "0 1/s", "feedforward": 1.0}
    model = {"model_gain": 1, "time_constant": "1 ms", "delay": "0 s", "cutoff": "1 Hz"}
    moves = [step("speed", "50 rad/s"), {"do": "hold", "time": "0.1 s"}, step("torque", "20 N m")]
    rest = []
    for extra in ({}, {"disturbance_observer": model}):
        channels = ["torque.disturbance"] if extra else []
        doc = document({**keys, **extra}, moves, *channels, duration="4 s")
        run = simulate(describe(doc))
        rest.append(np.mean(run.traces["reading"][-100:]) - 20.0)
    # Within what the slow end of the speed loop (2 s) and the estimate leave.
    assert rest[0] == pytest.approx(1.0 / 1.2, rel=1e-3) and abs(rest[1]) < 1e-3
    assert run.traces["torque.disturbance"][-1] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.compiled
@pytest.mark.parametrize("samples", [4, 15])
def test_a_right_predictor_is_the_loop_without_delay_that_much_later(samples: int) -> None:
    """Smith's promise, on a line so light that the sensor shows the lag of the machine and no more."""
    lag: Table = {"model_gain": 1, "time_constant": "5 ms", "delay": f"{samples} samples"}
    runs = []
    for delay, extra in ((0, {}), (samples, {"predictor": lag}), (samples, {})):
        loop = torque_loop(
            "load", "ts", **{**PI, "feedforward": 0.0, "kp": 3.0, "ki": "2400 1/s", "clamp": "1 kN m"}
        )
        loop |= {"output_latency": f"{delay} samples", **extra}
        line = [
            servo("drive", 1000.0),
            sensor("ts", 1e7, damping="2 N m s/rad"),
            servo("load", 1e-6, time_constant="5 ms"),
        ]
        doc = {"line": line, "loop": [loop], "sequence": [step("torque", "10 N m")], "duration": "60 ms"}
        runs.append(simulate(describe({**doc, "record": {"rate": "10 kHz"}})).traces["reading"])
    plain, predicted, delayed = runs
    assert np.max(plain) > 10.2
    assert predicted[:samples] == pytest.approx(np.zeros(samples), abs=1e-9)
    assert predicted[samples:] == pytest.approx(plain[:-samples], abs=2e-3)
    assert np.max(np.abs(delayed[samples:] - plain[:-samples])) > 0.3


@pytest.mark.compiled
def test_settle_waits_for_the_set_point_and_not_for_its_filter() -> None:
    keys = {**PI, "feedforward": 1.0, "kp": 0.0, "ki": "0 1/s", "anti_windup": "conditional"}
    settle = {"do": "settle", "loop": "torque", "within": "1 N m", "dwell": "1 ms", "timeout": "0.3 s"}
    moves = [step("torque", "30 N m"), settle, {"do": "end"}]
    run = simulate(describe(document({**keys, "setpoint_filter": "5 Hz"}, moves)))
    assert 30.0 - run.traces["reading"][-1] < 1.0
    assert run.time[-1] > math.log(30.0) / (2.0 * math.pi * 5.0)


def test_set_point_filter_comes_behind_the_rate() -> None:
    keys = {"setpoint_filter": "60 Hz", "setpoint_rate": "1 kN m/s"}
    run = simulate(describe(document(keys, [step("torque", "20 N m")], duration="50 ms")))
    ramp = np.minimum(0.1 * np.arange(1, len(run.time)), 20.0)
    expected = signal.lfilter(*signal.butter(1, 60.0, fs=RATE), ramp)
    assert run.traces["torque_command"][1:] == pytest.approx(expected, rel=1e-12)


def test_a_run_with_structures_is_replayed_bit_by_bit() -> None:
    model = 'model_gain=0.8, time_constant="2 ms", delay="1.4 ms"'
    settings = (
        "loop.torque.kd=0.1 ms",
        "loop.torque.derivative_cutoff=200 Hz",
        "loop.torque.setpoint_filter=40 Hz",
        'loop.torque.active_damping={gain="0.3 N m s/rad", left="enc", right="load", cutoff="3 Hz"}',
        f'loop.torque.disturbance_observer={{{model}, cutoff="4 Hz"}}',
        f"loop.torque.predictor={{{model}}}",
        "sequence.0.over=2 ms",
        "sequence.1.time=1 ms",
    )
    bench = build_bench(shipped("wheel-hub", *settings))
    run = start(bench)
    run.advance(ticks(run, 3e-3) + 17, exact=True)
    saved = run.save()
    results = []
    for _ in range(2):
        run.advance(ticks(run, 6e-3), guarded=True)
        results.append((run.state.copy(), run.recording[: run.records].copy(), run.position))
        run.restore(saved)
    assert results[0][0][slot(bench, "torque.disturbance")] != 0.0
    assert np.array_equal(results[0][0], results[1][0]) and np.array_equal(results[0][1], results[1][1])
    assert results[0][2] == results[1][2]
    assert operating_point(bench).torque != 0.0


@pytest.mark.parametrize("pair", [("drive", "load"), ("drive", "enc"), ("enc", "load")])
def test_active_damping_takes_the_two_speeds_that_it_names(pair: tuple[str, str]) -> None:
    """The reading of the encoder is one that it had before; the machines are read as they turn."""
    speeds = {"drive": 10.0, "enc": 25.0, "load": 70.0}
    damping = {"gain": "0.5 N m s/rad", "left": pair[0], "right": pair[1]}
    table = document({"active_damping": damping}, [step("torque", "0 N m")])
    encoder = {"part": "encoder", "name": "enc", "lines": 1000, "inertia": "0.01 kg m^2"}
    drive, sensing, load = table["line"]
    late = {"sampling": "10 kHz", "phase": "50 us", "latency": "20 us"}
    table["line"] = [drive, coupling("c", 2e4), {**encoder, **late}, sensing, load]
    hyper = HyperMap(describe(table))
    state = hyper.steady(operating_point(hyper.bench))
    slots = hyper.bench.model.layout.slots
    held = [i for i, entry in enumerate(slots) if entry.name == "enc.speed" and entry.kind == SlotKind.HELD]
    state[held] = speeds["enc"]
    for name, machine in hyper.bench.machines.items():
        state[machine.node.speed.index] = speeds[name]
    found = hyper.walk(state, np.array([1]))[0][slot(hyper.bench, "torque.damping")]
    assert abs(found) == pytest.approx(0.5 * abs(speeds[pair[0]] - speeds[pair[1]]), rel=1e-9)
