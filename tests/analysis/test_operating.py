"""The operating point and the ranges of a sequence that brakes."""

import pytest

from rigs import describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.operating import operating_point, setpoint_ranges
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench


def braking(*moves: dict[str, object]) -> Bench:
    line = [servo("drive", 0.1), sensor("ts", 2e4, damping="1 N m s/rad"), servo("load", 0.1)]
    loops = [speed_loop("drive", 2.0, 4.0), torque_loop("load", "ts")]
    return build_bench(describe({"line": line, "loop": loops, "sequence": list(moves), "duration": "1 s"}))


def test_the_hold_of_highest_torque_may_be_a_brake() -> None:
    pulse = {"do": "periodic_step", "loop": "torque", "low": "-80 N m", "high": "20 N m"}
    times = {"period": "20 ms", "rise": "1 ms", "fall": "9 ms", "time": "0.1 s"}
    bench = braking(step("speed", "-50 rad/s"), {**pulse, **times}, step("torque", "30 N m"))
    point = operating_point(bench)
    assert (point.torque, point.speed) == (-80.0, -50.0)
    assert point.setpoints == {"speed": -50.0, "torque": -80.0}
    assert setpoint_ranges(bench) == {"speed": (-50.0, 0.0), "torque": (-80.0, 30.0)}


def test_of_holds_with_the_same_torque_the_last_counts() -> None:
    """The speed of the first is not there yet."""
    point = operating_point(braking(step("torque", "30 N m"), step("speed", "-50 rad/s")))
    assert (point.torque, point.speed) == (30.0, -50.0)


def test_a_sine_brakes_with_its_lower_end() -> None:
    wave = {"do": "sine", "loop": "torque", "mean": "-30 N m", "amplitude": "40 N m", "frequency": "5 Hz"}
    assert operating_point(braking({**wave, "time": "0.2 s"})).torque == pytest.approx(-70.0)


@pytest.mark.parametrize("last", ["trip", "end"])
def test_what_comes_after_the_end_of_control_is_no_operating_point(last: str) -> None:
    bench = braking(step("torque", "30 N m"), {"do": last}, step("torque", "50 N m"))
    assert operating_point(bench).torque == 30.0
    assert setpoint_ranges(bench)["torque"] == (0.0, 30.0)
