"""Free-running clocks: the range of their phases, both sides of every near miss, several at once."""

import random
from dataclasses import replace
from fractions import Fraction

import pytest

from rigs import shipped
from shaftloop.analysis.freerunning import MOST_VARIANTS, phase_variants, sweep_note, swept_clocks
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops, operating_map
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled

MICRO = Fraction(1, 10**6)
BUS = ("hop.bus.free_running=true",)


def phases(description: Description, clock: str) -> list[float]:
    """Return the phases at which a clock is looked at [µs]."""
    return [float(found[clock] / MICRO) for found, _ in phase_variants(description)]


def badness(margins: Margins) -> tuple[bool, float]:
    return not margins.stable, margins.ms if margins.stable else margins.largest_eigenvalue


def at_phase(name: str, path: str, phase: float, *settings: str) -> LoopAnalysis:
    return analyse_loops(shipped(name, f"{path}={phase:.6f} us", *settings), ("torque",))["torque"]


def test_without_a_free_clock_the_bench_itself_is_the_only_one() -> None:
    description = shipped("reference-bench")
    assert phase_variants(description) == [({}, description)]
    assert sweep_note(description) == ""


def test_two_tasks_of_equal_period_have_their_whole_period_as_relative_phase() -> None:
    swept = phases(shipped("wheel-hub", *BUS), "bus")
    assert max(swept) == pytest.approx(500.0, abs=0.01)
    assert max(b - a for a, b in zip(sorted(swept), sorted(swept)[1:], strict=False)) <= 500.0 / 8 + 1e-9
    # The sensor hands over every 125 us; what leaves the bus later than 380 us misses its reader, 120 us on.
    for edge in (125.0, 250.0, 375.0, 380.0):
        assert any(edge - 0.01 < value < edge for value in swept)
        assert any(edge < value < edge + 0.01 for value in swept)


@pytest.mark.parametrize(("sampling", "whole"), [("10 kHz", 50.0), ("16 kHz", 62.5), ("2 kHz", 250.0)])
def test_the_range_is_what_own_period_and_that_of_all_others_have_in_common(
    sampling: str, whole: float
) -> None:
    # The loops tick every 250 us, the drives every 125 us.
    settings = ("line.ts.free_running=true", f"line.ts.sampling={sampling}")
    swept = phases(shipped("reference-bench", *settings), "ts")
    assert whole - 0.01 < max(swept) < whole


def test_a_stated_phase_is_where_the_sweep_begins_and_moves_the_near_misses_with_it() -> None:
    description = shipped("wheel-hub", *BUS, "line.ts.phase=30 us", "hop.bus.phase=45 us")
    swept = phases(description, "bus")
    assert swept[0] == 45.0
    assert any(30.0 < value < 30.01 for value in swept) and any(155.0 < value < 155.01 for value in swept)
    assert not any(125.0 < value < 125.01 for value in swept)


def test_a_loop_that_only_one_phase_makes_unstable_is_found() -> None:
    gains = ("loop.torque.kp=0.37", "loop.torque.ki=444 1/s")
    swept = analyse_loops(shipped("wheel-hub", *BUS, *gains), ("torque",))["torque"]
    late = at_phase("wheel-hub", "hop.bus.phase", 400.0, *gains).margins
    assert late.largest_eigenvalue == pytest.approx(1.00092, abs=5e-6)
    assert not swept.margins.stable and swept.margins.largest_eigenvalue >= late.largest_eigenvalue - 1e-8
    assert at_phase("wheel-hub", "hop.bus.phase", 0.0, *gains).margins.stable


def test_no_phase_is_worse_than_the_worst_of_the_sweep() -> None:
    swept = analyse_loops(shipped("wheel-hub", *BUS), ("torque",))["torque"].margins
    every = [at_phase("wheel-hub", "hop.bus.phase", phase).margins.ms for phase in range(3, 500, 28)]
    assert swept.ms >= max(every) * (1.0 - 1e-4) and max(every) > 1.02 * min(every)


def test_three_free_clocks_take_a_bounded_number_of_benches_and_find_the_worst_corner() -> None:
    free = ("line.ts.free_running=true", "loop.speed.free_running=true", "loop.torque.free_running=true")
    description = shipped("reference-bench", *free)
    assert len(phase_variants(description)) <= MOST_VARIANTS + 1
    assert "more than 128 combinations worth a look" in sweep_note(description)
    swept = analyse_loops(description, ("torque",))["torque"]
    assert len(swept_clocks(description, swept.phases)) < 100
    draw, fixed = random.Random(3), shipped("reference-bench")
    for _ in range(8):
        shifts = [Fraction(draw.randrange(10**4), 4 * 10**7) for _ in range(3)]
        line = tuple(replace(p, phase=shifts[0] % (100 * MICRO)) if p.name == "ts" else p for p in fixed.line)
        loop = tuple(replace(p, phase=s) for p, s in zip(fixed.loop, shifts[1:], strict=True))
        some = analyse_loops(replace(fixed, line=line, loop=loop), ("torque",))["torque"].margins
        assert badness(some) <= badness(swept.margins)


def test_a_clock_is_placed_on_both_sides_of_another_free_one() -> None:
    """Sampled every 100 us and read every 250 us: every 50 us a reading just misses its reader."""
    free = ("line.ts.free_running=true", "loop.torque.free_running=true")
    variants = [found for found, _ in phase_variants(shipped("reference-bench", *free))[1:]]
    assert len({found["torque"] for found in variants}) > 8
    for phase in {found["torque"] for found in variants}:
        ahead = {(phase - found["ts"]) % (50 * MICRO) for found in variants if found["torque"] == phase}
        assert {MICRO / 1000, 50 * MICRO - MICRO / 1000} <= ahead


def test_the_bound_holds_for_any_number_of_clocks() -> None:
    clocks = ("line.ts", "line.enc", "hop.bus", "loop.speed", "loop.torque", "loop.overspeed")
    description = shipped("wheel-hub", *(f"{clock}.free_running=true" for clock in clocks))
    found = [phases for phases, _ in phase_variants(description)]
    assert len(found) == MOST_VARIANTS + 1
    assert len({tuple(phases.values()) for phases in found}) > 0.9 * MOST_VARIANTS
    for name in found[0]:  # each clock is spread over its range
        values = sorted(float(phases[name]) for phases in found)
        assert values[-1] - values[0] > 0.5 * values[-1]
    assert len(swept_clocks(description, found[1])) < 150


def test_every_loop_has_its_own_worst_phase_on_the_map() -> None:
    early, late = (
        analyse_loops(shipped("reference-bench", f"line.ts.phase={phase} us"), ("speed", "torque"))
        for phase in (0, 49)
    )
    own = {"speed": early["speed"], "torque": late["torque"]}
    for point, first, second in zip(*(operating_map(x, 2) for x in (own, early, late)), strict=True):
        assert point.margins["speed"].ms == first.margins["speed"].ms != second.margins["speed"].ms
        assert point.margins["torque"].ms == second.margins["torque"].ms
