"""The speed limiter of a torque-controlled machine: idle below its limit, a catch without a bump above."""

from typing import Any

import numpy as np
import pytest

from rigs import Table, describe, sensor, servo, speed_loop, step
from shaftloop.analysis.simulation import Simulation, simulate

LIMIT = 100.0
"""[rad/s]"""


def rig(
    limited: bool, moves: list[Table], *, clamp: str = "40 N m", drive_clamp: str = "80 N m", **limiter: Any
) -> Simulation:
    """A drive machine that keeps the speed and a load machine that keeps the torque."""
    line = [
        servo("drive", 0.05, time_constant="1 ms"),
        sensor("ts", 2e4, damping="3 N m s/rad"),
        servo("load", 0.1, time_constant="1 ms"),
    ]
    torque: Table = {
        "name": "torque",
        "acts_on": "load",
        "reads": "ts",
        "rate": "4 kHz",
        "kp": 0.05,
        "ki": "60 1/s",
        "clamp": clamp,
    }
    guard: Table = {
        "name": "overspeed",
        "acts_on": "load",
        "reads": "load",
        "rate": "4 kHz",
        "kp": "10 N m s/rad",
        "ki": "50 N m/rad",
        "clamp": clamp,
        "limiter_of": "torque",
        "limit_speed": f"{LIMIT} rad/s",
        **limiter,
    }
    loops = [speed_loop("drive", 5.0, 50.0, clamp=drive_clamp), torque, *([guard] if limited else [])]
    record = {"rate": "4 kHz", "channels": ["load.command_active"]}
    document = {"duration": "1.5 s", "line": line, "loop": loops, "sequence": moves, "record": record}
    return simulate(describe(document))


LOADED = [step("speed", "60 rad/s"), {"do": "hold", "time": "0.3 s"}, step("torque", "20 N m")]

SIGNS = pytest.mark.parametrize("sign", [1, -1])


def runaway(sign: int, **keys: Any) -> Simulation:
    """The drive asks for less speed than the limit, then loses its torque: the load machine drives alone."""
    moves = [
        step("speed", f"{sign * 60} rad/s"),
        step("torque", f"{-sign * 20} N m"),
        {"do": "hold", "time": "0.5 s"},
        step("speed", f"{sign * 400} rad/s"),
    ]
    return rig(True, moves, drive_clamp="30 N m", **keys)


@pytest.mark.compiled
def test_limiter_changes_nothing_below_its_limit() -> None:
    plain, limited = rig(False, LOADED), rig(True, LOADED)
    assert np.abs(plain.traces["load_speed"]).max() < LIMIT
    for name in plain.traces:
        assert np.array_equal(plain.traces[name], limited.traces[name]), name


@pytest.mark.compiled
@SIGNS
def test_speed_stays_near_the_limit_when_the_other_side_runs_away(sign: int) -> None:
    result = runaway(sign)
    speed = sign * result.traces["load_speed"]
    before = result.time < 0.5
    assert speed[before].max() < LIMIT
    assert speed.max() < 1.15 * LIMIT
    assert speed[-400:] == pytest.approx(LIMIT, rel=2e-2)
    # The drive pushes with all it has; the limiter holds against it.
    assert sign * result.traces["load.command_active"][-1] == pytest.approx(-30.0, rel=0.05)


@pytest.mark.compiled
@SIGNS
def test_limiter_takes_over_without_a_bump(sign: int) -> None:
    """From tick to tick the command moves by what kp makes of the change of speed, and no more."""
    result = runaway(sign)
    speed, command = result.traces["load_speed"], result.traces["load.command_active"]
    late = result.time > 0.52
    crossing = int(np.argmax((sign * speed > LIMIT) & late))
    assert 0.5 < result.time[crossing] < 1.4
    around = slice(crossing - 4, crossing + 40)
    jumps, moves = np.abs(np.diff(command[around])), np.abs(np.diff(speed[around]))
    assert jumps.max() < 1.2 * 10.0 * moves.max() + 0.3
    assert jumps.max() < 0.1 * np.ptp(command[late])


@pytest.mark.compiled
def test_limiter_hands_back_when_the_speed_falls() -> None:
    moves = [
        step("speed", "60 rad/s"),
        step("torque", "-20 N m"),
        {"do": "hold", "time": "0.2 s"},
        step("speed", "400 rad/s"),
        {"do": "hold", "time": "0.5 s"},
        step("speed", "60 rad/s"),
    ]
    result = rig(True, moves, drive_clamp="30 N m")
    assert result.traces["load_speed"].max() > LIMIT
    assert result.traces["load_speed"][-1] == pytest.approx(60.0, rel=1e-3)
    assert result.traces["reading"][-1] == pytest.approx(-20.0, rel=1e-3)


@pytest.mark.compiled
@SIGNS
def test_limiter_stays_inside_its_clamp(sign: int) -> None:
    """A gain that asks for 40 times the clamp at the first overshoot."""
    result = runaway(sign, kp="300 N m s/rad")
    command = result.traces["load.command_active"]
    assert (command.min(), command.max()) == (-40.0, 40.0)
