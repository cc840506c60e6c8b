"""Inside the gaps, on a known parabola: its vertex as a peak, and the tick at which it crosses a level."""

import math

import pytest
from scipy.optimize import brentq

from rigs import describe, sensor, servo, start, ticks
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.engine.locate import crossings
from shaftloop.engine.run import Run

BRAKE, LAG = 1000.0, 1e-6
"""How fast the twist is braked [rad/s^2], and the lag of the machine that does it [s]."""
STIFFNESS = 1e-3
"""Of a spring so soft that it moves nothing. [N m/rad]"""


def thrown(speed: float, level: float = 1e-7) -> tuple[Bench, Run]:
    """Return a run that begins with the left of two bodies thrown, and its machine braking it."""
    line = [servo("drive", 0.1), sensor("ts", STIFFNESS), servo("load", 1e6)]
    limit = {"name": "high", "watches": "ts", "above": f"{level} N m", "quantity": "true_torque"}
    bench = build_bench(describe({"line": line, "duration": "5 ms", "limit": [limit]}))
    run = start(bench)
    run.state[bench.line.nodes[0].speed.index] = speed
    run.state[bench.machines["drive"].command_slot] = -math.copysign(0.1 * BRAKE, speed)
    return bench, run


def guarded(speed: float, level: float) -> tuple[Bench, Run]:
    """Return such a run whose interlock looks."""
    bench, run = thrown(speed, level)
    run.state[bench.model.guard_slot + 1] = 1.0
    return bench, run


def twist(speed: float, time: float) -> float:
    """Return the twist, for a positive speed [rad]."""
    faded = LAG**2 * -math.expm1(-time / LAG)
    return speed * time - BRAKE * (0.5 * time**2 - LAG * time + faded)


@pytest.mark.parametrize("speed", [1.0137, -1.0137])
def test_a_peak_is_the_vertex_of_the_parabola(speed: float) -> None:
    """It lies at 1.0147 ms, between the instants every 100 µs."""
    bench, run = thrown(speed)
    run.advance(ticks(run, 2.0e-3))
    first = bench.model.peak_slot + 2 * [name for name, _ in bench.model.peaks].index("ts.true_torque")
    highest, lowest = run.state[first], run.state[first + 1]
    vertex = STIFFNESS * twist(abs(speed), abs(speed) / BRAKE + LAG)
    assert (highest if speed > 0.0 else -lowest) == pytest.approx(vertex, rel=1e-6)
    # The other end is that of the run or 0 at its start.
    assert abs(lowest if speed > 0.0 else highest) < 0.1 * vertex


@pytest.mark.parametrize("speed", [1.0137, -0.917, 1.2, -0.77])
def test_a_crossing_is_located_at_its_very_tick(speed: float) -> None:
    _, run = guarded(speed, 1e-7)
    assert run.advance(ticks(run, 2.0e-3), guarded=True)
    crossed = brentq(lambda t: STIFFNESS * twist(abs(speed), t) - 1e-7, 0.0, 5e-4, xtol=1e-18)
    assert crossings(run, 0, False) == [(math.ceil(crossed * run.clock.ticks_per_second), True)]


@pytest.mark.parametrize("speed", [1.0137, -1.0137, 1.049])
def test_a_level_exceeded_and_left_inside_one_gap_is_found_at_both_ticks(speed: float) -> None:
    """The vertex passes the level by 1e-4 of it; samples at either end of the gap lie below."""
    top = abs(speed) / BRAKE + LAG
    level = STIFFNESS * twist(abs(speed), top) / 1.0001
    bench, run = guarded(speed, level)
    assert run.advance(ticks(run, 3.0e-3), guarded=True)
    assert run.state[bench.model.guard_slot] == 0.0
    roots = [
        brentq(lambda t: STIFFNESS * twist(abs(speed), t) - level, a, b, xtol=1e-18)
        for a, b in ((0.0, top), (top, 3e-3))
    ]
    assert max(roots) - min(roots) < 5e-5
    expected = [math.ceil(root * run.clock.ticks_per_second) for root in roots]
    assert [tick for tick, _ in crossings(run, 0, False)] == pytest.approx(expected, abs=1)
    assert [above for _, above in crossings(run, 0, False)] == [True, False]


def test_a_level_that_is_only_nearly_reached_changes_nothing() -> None:
    top = STIFFNESS * twist(1.0137, 1.0137 / BRAKE + LAG)
    _, run = guarded(1.0137, top * (1.0 + 1e-6))
    assert run.advance(ticks(run, 3.0e-3), guarded=True)
    assert crossings(run, 0, False) == []
