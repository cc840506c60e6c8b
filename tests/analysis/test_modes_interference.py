"""Orders that meet modes: which there are, where they meet, and the margins."""

import math

import pytest

from rigs import coupling, describe, servo, shipped, smooth_bench, speed_loop
from shaftloop.analysis.interference import Excitation, excitations, find_meetings, interference
from shaftloop.analysis.modes import Mode, find_modes, mechanics

RPM = math.pi / 30.0


def mode(frequency: float) -> Mode:
    return Mode(frequency, 0.01, {}, {}, {})


def test_orders_of_the_shipped_benches() -> None:
    found = {entry.order: entry.source for entry in excitations(shipped("micro-spindle"))}
    assert found == {
        1.0: "unbalance",
        2.0: "misalignment, 1x electrical of drive",
        4.0: "2x electrical of drive, 1x electrical of load",
        8.0: "2x electrical of load",
        12.0: "6x electrical of drive",
        24.0: "6x electrical of load",
    }
    twins = [entry.source for entry in excitations(shipped("reference-bench"))]
    assert twins[2:] == [f"{n}x electrical of drive and load" for n in (1, 2, 6)]


def test_orders_of_the_scenario() -> None:
    line = [servo("a", 0.02), coupling("c", 1e4), servo("b", 0.02)]
    document = {"duration": "1 s", "orders": [36, 0.5, 1], "line": line, "loop": [speed_loop("a", 1.0, 0.0)]}
    found = [(entry.order, entry.source) for entry in excitations(describe(document))]
    assert found == [
        (0.5, "as stated"),
        (1.0, "unbalance, as stated"),
        (2.0, "misalignment"),
        (36.0, "as stated"),
    ]


def test_a_meeting_is_where_the_order_has_the_frequency_of_the_mode() -> None:
    orders = (Excitation(1.0, "unbalance"), Excitation(6.0, "as stated"))
    found = find_meetings(orders, [mode(20.0), mode(100.0)], 1100.0 * RPM, 1300.0 * RPM)
    assert [(m.excitation.order, m.mode, m.frequency) for m in found] == [
        (6.0, 1, 20.0),
        (6.0, 2, 100.0),
        (1.0, 1, 20.0),
    ]
    assert [m.speed / RPM for m in found] == pytest.approx([200.0, 1000.0, 1200.0])
    assert [m.margin for m in found] == pytest.approx([-900.0 / 11.0, -100.0 / 11.0, 100.0 / 11.0])
    assert sum(m.nearest for m in found) == 1


def test_the_end_of_the_range_counts_and_what_is_above_does_not() -> None:
    order = (Excitation(1.0, "unbalance"),)
    assert len(find_meetings(order, [mode(10.0)], 1.0, 20.0 * math.pi)) == 1
    assert find_meetings(order, [mode(10.0)], 1.0, 19.99 * math.pi) == ()


def test_at_rest_there_is_no_margin() -> None:
    found = find_meetings((Excitation(1.0, "unbalance"),), [mode(10.0)], 0.0, 100.0)
    assert [(m.margin, m.nearest) for m in found] == [(None, False)]


def test_the_range_ends_with_the_slower_machine_and_turns_either_way() -> None:
    bench = smooth_bench("wheel-hub")
    modes = find_modes(mechanics(bench))
    found = interference(bench, modes, -800.0 * RPM)
    assert found.max_speed / RPM == pytest.approx(1600.0)
    assert found.operating_speed / RPM == pytest.approx(800.0)
    assert found.nearest is not None and found.nearest.excitation.order == 8.0
    assert found == interference(bench, modes, 800.0 * RPM)
    speeds = [meeting.speed for meeting in found.meetings]
    assert speeds == sorted(speeds) and speeds[-1] <= found.max_speed
