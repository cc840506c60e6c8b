"""What a bench tells of itself, its recorded channels, and options of parts that few scenarios use."""

from typing import Any

import numpy as np
import pytest

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
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.control.current_control import turn
from shaftloop.engine.layout import SlotKind

LINE: list[Table] = [servo("drive", 0.05), coupling("c", 2e4), servo("load", 0.1)]


def test_bodies_of_one_part_are_numbered_by_their_place() -> None:
    shaft: Table = {"part": "shaft", "name": "s", "diameter": "40 mm", "length": "0.2 m"}
    line = [servo("drive", 0.05), coupling("a", 2e4), shaft, coupling("b", 2e4), servo("load", 0.1)]
    bench = build_bench(describe({"duration": "1 ms", "line": line}))
    assert [node.name for node in bench.line.nodes] == ["drive", "s.2", "s.3", "load"]


def test_loops_are_found_by_what_they_control() -> None:
    bench = build_bench(shipped("wheel-hub"))
    torque, speed = bench.torque_loop(), bench.speed_loop()
    assert torque is not None and (torque.parameters.name, torque.source, torque.sign) == (
        "torque",
        "ts",
        -1.0,
    )
    assert speed is not None and (speed.parameters.name, speed.source, speed.sign) == ("speed", "enc", 1.0)
    sensor_ = bench.main_sensor()
    assert sensor_ is not None and sensor_.parameters.name == "ts"


def test_bench_without_sensor_has_no_torque_loop() -> None:
    bench = build_bench(describe({"duration": "1 s", "line": LINE, "loop": [speed_loop("drive", 1.0, 0.0)]}))
    assert bench.torque_loop() is None and bench.main_sensor() is None
    assert bench.record_period * 1000 == 1


def test_output_of_a_torque_loop_raises_the_twist_from_either_side() -> None:
    for machine, sign in (("drive", 1.0), ("load", -1.0)):
        line = [servo("drive", 0.05), sensor("ts", 2e4), servo("load", 0.1)]
        moves = [step("torque", "6 N m")]
        document = {"duration": "3 ms", "line": line, "loop": [torque_loop(machine, "ts")], "sequence": moves}
        result = simulate(describe(document))
        assert result.bench.loops["torque"].sign == sign
        assert result.traces["true_torque"][1:30].min() > 0.0
        assert result.traces[f"{machine}_torque"][-1] == pytest.approx(6.0 * sign)
        assert result.traces["torque_command"][-1] == 6.0


def test_second_sensor_and_asked_slots_are_recorded() -> None:
    line = [
        servo("drive", 0.05),
        sensor("a", 2e4, inertia_right="0.01 kg m^2"),
        sensor("b", 3e4),
        servo("load", 0.1),
    ]
    document: dict[str, Any] = {
        "duration": "2 ms",
        "line": line,
        "loop": [torque_loop("drive", "b")],
        "sequence": [step("torque", "5 N m")],
        "record": {"rate": "20 kHz", "channels": ["b.twist", "torque.error"]},
    }
    result = simulate(describe(document))
    assert {"true_torque", "reading", "a_true_torque", "a_reading", "drive_energy", "grid_energy"} <= set(
        result.traces
    )
    assert (result.units["b.twist"], result.units["drive_energy"]) == ("rad", "J")
    assert np.allclose(result.traces["true_torque"], 3e4 * result.traces["b.twist"], rtol=1e-12)
    assert np.array_equal(result.traces["b_torque"], result.traces["true_torque"])
    assert not np.array_equal(result.traces["a_true_torque"], result.traces["true_torque"])


def test_voltage_of_a_machine_without_angle_advance_lags_by_one_and_a_half_periods() -> None:
    """The held vector is seen turned back by what the rotor covers: 1.5·p·ω·T."""
    emitted = []
    for advance in ("true", "false"):
        setting = f"line.drive.current_control.angle_advance={advance}"
        bench = build_bench(shipped("reference-bench", setting))
        run = start(bench)
        for name, value in (("drive.speed", 120.0), ("drive.current_q", 30.0), ("speed.command.line", 40.0)):
            run.state[slot(bench, name)] = value
        run.advance(1)
        first = slot(bench, "drive.voltage.line[0]")
        emitted.append(run.state[first : first + 2].copy())
    assert np.hypot(*emitted[0]) > 50.0
    assert emitted[1] == pytest.approx(turn(*emitted[0], 1.5 * 4 * 120.0 * 1.25e-4), rel=1e-12)


def test_limiter_in_charge_pulls_the_integral_of_the_loop_it_limits() -> None:
    """So that the loop starts from where the limiter leaves it."""
    bench = build_bench(shipped("wheel-hub"))
    run = start(bench)
    for node in bench.line.nodes:
        run.state[node.speed.index] = 160.0  # the limit is 146.6 rad/s
    run.state[slot(bench, "torque.integral")] = -50.0
    run.advance(1)
    used, request = run.state[slot(bench, "overspeed.command.line")], run.state[slot(bench, "torque.request")]
    assert request == pytest.approx(50.0) and used == pytest.approx(50.0 - (160.0 - 146.6077), rel=1e-5)
    loop = bench.loops["torque"].parameters
    pulled = -50.0 - (used - request) * loop.ki.value / loop.kp.value / 2000.0
    assert run.state[slot(bench, "torque.integral")] == pytest.approx(pulled, rel=1e-12)


@pytest.mark.parametrize("name", ["reference-bench", "wheel-hub"])
def test_smooth_bench_has_no_steps_in_it(name: str) -> None:
    """No quantiser, clamp, counting, noise or recorder: a small change makes a small change."""
    bench = build_bench(shipped(name), smooth=True)
    assert bench.model.noises == []
    assert "record" not in [task.name for task in bench.model.tasks]
    rough = build_bench(shipped(name))
    assert [s.name for s in bench.model.layout.slots] == [s.name for s in rough.model.layout.slots]
    ends = []
    for change in (0.0, 1e-7, 2e-7):
        run = start(bench)
        run.state[bench.line.nodes[0].speed.index] += change
        run.advance(ticks(run, 1.5e-3))
        kinds = [s.kind for s in bench.model.layout.slots]
        moving = [
            i for i, kind in enumerate(kinds) if kind in (SlotKind.CONTINUOUS, SlotKind.HELD, SlotKind.DELAY)
        ]
        ends.append(run.state[moving])
    first, second = ends[1] - ends[0], ends[2] - ends[1]
    assert np.abs(first).max() > 1e-7
    assert np.allclose(first, second, rtol=1e-4, atol=1e-5 * np.abs(first).max())


def test_encoder_reports_whole_edges() -> None:
    """4·2048 edges a turn at 2 kHz: a quantum of 1.534 rad/s; what is left over stays below an edge."""
    bench = build_bench(shipped("wheel-hub", "sequence.0.over=20 ms"))
    run = start(bench)
    reported: list[float] = []
    quantum = 2.0 * np.pi / 8192.0 * 2000.0
    for k in range(1, 33):
        run.advance(ticks(run, k * 5e-4) + 1)
        reported.append(run.state[slot(bench, "enc.speed")])
        speed = run.state[bench.machines["drive"].node.speed.index]
        since = run.position.tick / run.clock.ticks_per_second - k * 5e-4
        assert 0.0 <= run.state[slot(bench, "enc.angle")] < 2.0 * np.pi / 8192.0 + 1.1 * speed * since
    counts = np.array(reported) / quantum
    assert counts.max() > 5.0 and np.allclose(counts, np.rint(counts), atol=1e-9)
    assert reported[-1] == pytest.approx(speed, abs=0.05 * speed + quantum)
