"""Margins over the operating range and over the phases of free-running clocks."""

from dataclasses import replace

import pytest

from changed import changed
from rigs import shipped
from shaftloop.analysis.operating import setpoint_ranges
from shaftloop.analysis.worstcase import (
    MapPoint,
    analyse_loops,
    far_ends,
    operating_map,
    worse_elsewhere,
    worst_cases,
)
from shaftloop.bench.assemble import build_bench
from shaftloop_models.torque_sensor import TorqueSensor

pytestmark = pytest.mark.compiled


def test_ranges_of_the_set_points() -> None:
    ranges = setpoint_ranges(build_bench(shipped("wheel-hub")))
    assert ranges["torque"] == (-45.0, 90.0)
    assert ranges["speed"] == (0.0, pytest.approx(83.77580, rel=1e-6))
    # A sine counts with its amplitude, a periodic step with both levels.
    assert setpoint_ranges(build_bench(shipped("micro-spindle")))["torque"] == (0.0, pytest.approx(0.2))
    assert setpoint_ranges(build_bench(shipped("reference-bench")))["torque"] == (0.0, 80.0)


def test_the_map_covers_standstill_and_both_signs_of_torque() -> None:
    points = operating_map(analyse_loops(shipped("wheel-hub", "loop.torque.clamp=92 N m"), ("torque",)), 3)
    assert {round(p.torque) for p in points} == {-90, 0, 90}
    assert len({p.speed for p in points}) == 3 and min(p.speed for p in points) == 0.0
    worst = {entry.figure: entry for entry in worst_cases(points, "torque")}
    held = [p for p in points if p.margins]
    assert worst["ms"].value == max(p.margins["torque"].ms for p in held)
    assert worst["gain_margin"].value == min(p.margins["torque"].gain_margin or 1e9 for p in held)
    assert worst["phase_margin"].point in held


def test_the_map_of_a_bench_that_turns_backwards() -> None:
    points = operating_map(
        analyse_loops(shipped("reference-bench", "sequence.0.to=-1500 rpm"), ("torque",)), 2
    )
    assert sorted({round(p.speed) for p in points}) == [-157, 0]
    assert all(p.margins["torque"].stable for p in points)


def test_points_that_a_limit_prevents_are_listed() -> None:
    found = analyse_loops(shipped("wheel-hub"), ("torque",))["torque"]
    clamped = replace(found, description=shipped("wheel-hub", "loop.torque.clamp=50 N m"))
    points = operating_map({"torque": clamped}, 2)
    prevented = [point for point in points if not point.margins]
    assert len(prevented) == 4 == len(points)
    assert all("clamp of loop torque" in point.reason for point in prevented)
    assert [entry.value for entry in worst_cases(points, "torque")] == [None, None, None]


def test_what_is_worse_at_standstill_is_found_at_two_points() -> None:
    """Not where torque is highest: the gain margin of the torque loop is 9.5 at standstill, 11.1 there."""
    found = analyse_loops(shipped("micro-spindle"), ("speed", "torque"))
    ends = far_ends(found)
    assert [(p.speed, p.torque) for p in ends] == [(0.0, 0.2), (pytest.approx(2094.395, rel=1e-6), -0.2)]
    (worse,) = worse_elsewhere(ends, found["torque"].margins)
    assert worse.figure == "gain_margin" and worse.point is ends[0]
    assert worse.value == pytest.approx(9.517, abs=1e-3)
    assert found["torque"].margins.gain_margin == pytest.approx(11.138, abs=1e-3)
    assert worse_elsewhere(ends, found["speed"].margins) == ()


def test_only_what_is_worse_by_more_than_five_percent_is_told() -> None:
    here = analyse_loops(shipped("reference-bench"), ("torque",))["torque"].margins

    def told(**changes: object) -> list[str]:
        there = MapPoint(1.0, 0.0, {"torque": changed(here, **changes)}, "")
        return [worst.figure for worst in worse_elsewhere([there], here)]

    assert told(ms=1.04 * here.ms, gain_margin=2.0 * (here.gain_margin or 0.0)) == []
    assert told(ms=1.06 * here.ms) == ["ms"]
    assert told(phase_margin=0.94 * (here.phase_margin or 0.0)) == ["phase_margin"]
    assert told(stable=False, ms=9.0) == ["stable"]
    never = changed(here, gain_margin=None)
    assert [w.figure for w in worse_elsewhere([MapPoint(1.0, 0.0, {"torque": here}, "")], never)] == [
        "gain_margin"
    ]


def test_unstable_points_are_worst_of_all() -> None:
    found = analyse_loops(shipped("wheel-hub"), ("torque",))["torque"].margins
    points = (
        MapPoint(1.0, 0.0, {"torque": changed(found, ms=9.0)}, ""),
        MapPoint(2.0, 0.0, {"torque": changed(found, ms=3.0, stable=False)}, ""),
    )
    worst = worst_cases(points, "torque")[0]
    assert worst.value == 3.0 and worst.point is points[1]


def test_a_free_running_clock_is_taken_at_its_worst_phase() -> None:
    description = shipped("reference-bench", "line.ts.latency=20 us")
    line = tuple(
        replace(p, free_running=True) if isinstance(p, TorqueSensor) else p for p in description.line
    )
    fixed = analyse_loops(description, ("torque",))["torque"]
    swept = analyse_loops(replace(description, line=line), ("torque",))["torque"]
    assert fixed.phases == {} and set(swept.phases) == {"ts"}
    assert swept.margins.ms >= fixed.margins.ms
