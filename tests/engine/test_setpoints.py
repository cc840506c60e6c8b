"""Set-point profiles: each kind of segment, and what a sequence makes of them."""

import math
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from rigs import Table, coupling, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine.compiled.setpoints import HOLD, PERIODIC, RAMP, SINE, TRACE, profile_value
from shaftloop.engine.model import Segment
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping
from shaftloop.scenario.reading import read_scenario

LINE = [servo("drive", 0.05), coupling("c1", 2e4), servo("load", 0.1)]
TORQUE_LINE = [servo("drive", 0.05), sensor("ts", 2e4), servo("load", 0.1)]


def sequence(*steps: Table, duration: str = "4 ms") -> Simulation:
    loop = speed_loop("drive", 1.0, 10.0)
    return simulate(
        describe(
            {
                "duration": duration,
                "line": LINE,
                "loop": [loop],
                "sequence": list(steps),
                "record": {"rate": "10 kHz"},
            }
        )
    )


@pytest.fixture
def run() -> Run:
    steps = [step("speed", f"{i} rpm") for i in range(9)]
    bench = build_bench(
        describe(
            {"duration": "1 s", "line": LINE, "loop": [speed_loop("drive", 1.0, 0.0)], "sequence": steps}
        )
    )
    bench.model.traces.append(((0.5, 1.0, 1.5, 3.5), (2.0, 4.0, 4.0, -4.0)))
    return Run(bench.model, Stepping(0, 1.0), 1)


def value(run: Run, seconds: float) -> float:
    tick = round(seconds * run.clock.ticks_per_second)
    return float(profile_value(run.tables.it, run.tables.ft, 0, tick))


def test_profile_is_zero_before_its_first_segment(run: Run) -> None:
    second = run.clock.ticks_per_second
    assert value(run, 0.5) == 0.0
    run.add_segment(0, Segment(second, HOLD, (), (3.0,)))
    run.add_segment(0, Segment(2 * second, HOLD, (), (5.0,)))
    assert [value(run, t) for t in (0.0, 0.999, 1.0, 1.999, 2.0, 9.0)] == [0, 0, 3, 3, 5, 5]


def test_profile_can_be_replaced(run: Run) -> None:
    run.add_segment(0, Segment(0, HOLD, (), (3.0,)))
    run.set_profile(0, Segment(0, HOLD, (), (7.0,)))
    assert value(run, 1.0) == 7.0


def test_ramp(run: Run) -> None:
    second = run.clock.ticks_per_second
    run.add_segment(0, Segment(second, RAMP, (2 * second,), (1.0, 5.0)))
    assert [value(run, t) for t in (1.0, 1.5, 2.0, 3.0, 8.0)] == [1.0, 2.0, 3.0, 5.0, 5.0]


def test_periodic(run: Run) -> None:
    second = run.clock.ticks_per_second
    run.add_segment(0, Segment(second, PERIODIC, (second, second // 4, second // 2), (-1.0, 6.0)))
    assert [value(run, t) for t in (1.0, 1.2499, 1.25, 1.4999, 1.5, 5.3)] == [-1, -1, 6, 6, -1, 6]


def test_sine(run: Run) -> None:
    second = run.clock.ticks_per_second
    run.add_segment(0, Segment(second, SINE, (), (2.0, 3.0, 5.0)))
    for t in (1.0, 1.03, 1.05, 7.77):
        assert value(run, t) == pytest.approx(2.0 + 3.0 * math.sin(10.0 * math.pi * (t - 1.0)), abs=1e-11)


def test_trace_is_interpolated_and_held_at_its_ends(run: Run) -> None:
    run.add_segment(0, Segment(0, TRACE, (0,), ()))
    times = np.array([0.0, 0.5, 0.75, 1.0, 1.2, 1.5, 2.0, 3.4, 3.5, 3.7, 9.0])
    known = np.interp(times, [0.5, 1.0, 1.5, 3.5], [2.0, 4.0, 4.0, -4.0])
    assert [value(run, t) for t in times] == pytest.approx(known.tolist(), abs=1e-12)


def test_ramp_of_a_sequence_starts_from_the_set_point_of_its_moment() -> None:
    """A second ramp takes over half way through the first."""
    result = sequence(
        {"do": "ramp", "loop": "speed", "to": "100 rad/s", "over": "2 ms", "wait": False},
        {"do": "hold", "time": "1 ms"},
        {"do": "ramp", "loop": "speed", "to": "20 rad/s", "over": "1 ms"},
    )
    t = result.time * 1e3
    known = np.interp(t, [0.0, 1.0, 2.0, 4.0], [0.0, 50.0, 20.0, 20.0])
    assert np.allclose(result.traces["speed_setpoint"], known, atol=1e-9)


def test_sine_and_step_of_a_sequence() -> None:
    result = sequence(
        {
            "do": "sine",
            "loop": "speed",
            "mean": "10 rad/s",
            "amplitude": "4 rad/s",
            "frequency": "200 Hz",
            "time": "2 ms",
        },
        step("speed", "3 rad/s"),
    )
    t = result.time
    known = np.where(t < 1.99e-3, 10.0 + 4.0 * np.sin(400.0 * math.pi * t), 3.0)
    assert np.allclose(result.traces["speed_setpoint"], known, atol=1e-9)


def test_periodic_step_of_a_sequence() -> None:
    pulse = {"period": "1 ms", "rise": "0.2 ms", "fall": "0.5 ms"}
    move = {"do": "periodic_step", "loop": "speed", "low": "1 rad/s", "high": "2 rad/s", **pulse}
    result = sequence({"do": "hold", "time": "0.5 ms"}, move)
    tick = np.round(result.time * 1e4).astype(int)
    phase = (tick - 5) % 10
    known = np.where(tick < 5, 0.0, np.where((phase >= 2) & (phase < 5), 2.0, 1.0))
    assert np.array_equal(result.traces["speed_setpoint"], known)


def test_trace_of_a_sequence(tmp_path: Path) -> None:
    """Two traces, so that each finds its own; the run is as long as both."""
    (tmp_path / "up.csv").write_text("time [s],speed [rad/s]\n0,0\n0.001,10\n", encoding="utf-8")
    (tmp_path / "down.csv").write_text("time [s],speed [rad/s]\n0,10\n0.001,4\n0.002,4\n", encoding="utf-8")
    moves = [
        {"do": "trace", "loop": "speed", "file": f"{name}.csv", "column": "speed [rad/s]"}
        for name in ("up", "down")
    ]
    document = {
        "title": "Traces",
        "line": LINE,
        "loop": [speed_loop("drive", 1.0, 0.0)],
        "sequence": moves,
        "record": {"rate": "10 kHz"},
    }
    path = tmp_path / "traces.toml"
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    result = simulate(read_scenario(path).description)
    assert result.duration == pytest.approx(3e-3, rel=1e-12)
    known = np.interp(result.time, [0.0, 1e-3, 2e-3], [0.0, 10.0, 4.0])
    assert np.allclose(result.traces["speed_setpoint"], known, atol=1e-9)


def test_rate_of_the_set_point_is_limited() -> None:
    """2 N m per millisecond at 10 kHz: 0.2 N m a tick, up and down."""
    loop = torque_loop("drive", "ts", setpoint_rate="2000 N m/s")
    moves = [step("torque", "1 N m"), {"do": "hold", "time": "1 ms"}, step("torque", "0.5 N m")]
    document = {"duration": "2 ms", "line": TORQUE_LINE, "loop": [loop], "sequence": moves}
    result = simulate(describe(document))
    command = result.traces["torque_command"]
    known = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.6, 0.5, 0.5]
    assert command[:15] == pytest.approx(known, abs=1e-12)
