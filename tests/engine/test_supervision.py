"""Interlocks, waiting and stopping: every event at its exact tick, worked out from recorded traces."""

import math
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from rigs import Table, coupling, describe, sensor, servo, shipped, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.engine.events import Event

TICK = 1e-9
LEVEL = 30.0
RAMP = {"do": "ramp", "loop": "torque", "to": "100 N m", "over": "5 ms"}


def rig(
    *limits: Table,
    duration: str = "12 ms",
    record: str = "10 kHz",
    moves: tuple[Table, ...] = (RAMP,),
    faults: tuple[Table, ...] = (),
) -> Simulation:
    """Two machines and a sensor that rings at 123 Hz; all linear, so exact whatever the gaps."""
    path: dict[str, Any] = {
        "filter": {"kind": "bessel", "order": 2, "cutoff": "2 kHz"},
        "latency": "2 samples",
    }
    line = [servo("drive", 0.05), sensor("ts", 2e4, damping="1 N m s/rad", **path), servo("load", 0.1)]
    return simulate(
        describe(
            {
                **({"duration": duration} if duration else {}),
                "line": line,
                "loop": [torque_loop("drive", "ts")],
                "sequence": list(moves),
                "limit": list(limits),
                "fault": list(faults),
                "record": {"rate": record},
            }
        )
    )


def limit(name: str = "high", **keys: Any) -> Table:
    return {"name": name, "watches": "ts", "above": f"{LEVEL} N m", **keys}


def told(result: Simulation) -> list[tuple[str, str]]:
    return [(event.kind, event.name) for event in result.events]


def at(result: Simulation, kind: str) -> Event:
    return next(event for event in result.events if event.kind == kind)


def crossings(result: Simulation, level: float) -> NDArray[np.float64]:
    """Instants at which the true torque passes a level, either sign, from a dense record [s]."""
    spline = CubicSpline(result.time, result.traces["true_torque"])
    return np.sort(
        np.concatenate([spline.solve(level, extrapolate=False), spline.solve(-level, extrapolate=False)])
    )


@pytest.fixture(scope="module")
def dense() -> Simulation:
    """The same bench without limits, recorded at 200 kHz."""
    return rig(record="200 kHz", duration="20 ms")


def test_reading_trips_at_the_tick_it_was_seen() -> None:
    """A record shows what the instant before has made of the reading."""
    free = rig()
    tripped = rig(limit())
    first = int(np.argmax(np.abs(free.traces["reading"]) > LEVEL))
    assert 10 < first < 100
    expected = (first - 1) * 100_000
    assert told(tripped) == [("exceeded", "high"), ("tripped", "high"), ("torque_off", "high")]
    assert [event.tick for event in tripped.events] == [expected] * 3
    assert [event.time for event in tripped.events] == [expected * TICK] * 3


def test_torque_is_off_from_the_next_tick_of_the_machine_on() -> None:
    """The machine's task of the tick of the trip has already run; its lag is 1 µs."""
    tripped = rig(limit())
    last = at(tripped, "torque_off").tick // 100_000
    torque = tripped.traces["drive_torque"]
    assert torque[last] > 10.0 and torque[last + 1] > torque[last]
    assert np.abs(torque[last + 2 :]).max() < 1e-12
    assert tripped.traces["torque_command"][-1] > 50.0


@pytest.mark.compiled
def test_true_torque_trips_at_the_very_tick(dense: Simulation) -> None:
    known = crossings(dense, LEVEL)[0]
    tripped = rig(limit(quantity="true_torque"))
    assert abs(at(tripped, "exceeded").tick - known / TICK) < 2.0
    assert at(tripped, "exceeded").tick % 100_000 != 0


@pytest.mark.compiled
def test_an_excursion_between_two_samples_is_found_with_both_its_ticks(dense: Simulation) -> None:
    """The torque passes the level for less than a gap, and is back below it at the next sample."""
    top = CubicSpline(dense.time, dense.traces["true_torque"])
    peak = max(float(top(instant)) for instant in top.derivative().roots(extrapolate=False))
    level = round(peak * (1.0 - 2e-5), 9)
    known = crossings(dense, level)
    assert len(known) >= 2 and known[1] - known[0] < 1e-4
    assert int(known[0] * 1e4) == int(known[1] * 1e4)
    result = rig(limit(above=f"{level} N m", quantity="true_torque", debounce="1 ms"), duration="20 ms")
    assert [event.kind for event in result.events] == ["exceeded", "cleared"]
    assert [event.tick * TICK for event in result.events] == pytest.approx(known[:2], abs=5e-8)
    tripped = rig(limit(above=f"{level} N m", quantity="true_torque"), duration="20 ms")
    assert at(tripped, "tripped").tick == result.events[0].tick


def test_true_torque_of_either_sign_trips() -> None:
    down = {**RAMP, "to": "-100 N m"}
    events = [rig(limit(quantity="true_torque"), moves=(move,)).events for move in (RAMP, down)]
    assert len(events[0]) == 3 and events[0] == events[1]


@pytest.mark.compiled
def test_debounce_that_is_not_used_up_clears(dense: Simulation) -> None:
    """The torque rings through the level; an excursion shorter than the debounce time does not count."""
    high = 85.0
    known = crossings(dense, high)
    lengths = np.diff(known)[::2]
    assert len(known) >= 3 and lengths.max() < 4e-3
    result = rig(limit(above=f"{high} N m", quantity="true_torque", debounce="5 ms"), duration="20 ms")
    kinds = ["exceeded", "cleared"] * len(known)
    assert [event.kind for event in result.events] == kinds[: len(known)]
    assert all(
        abs(event.tick - instant / TICK) < 2.0 for event, instant in zip(result.events, known, strict=True)
    )


def test_debounce_and_reaction_add_up() -> None:
    result = rig(limit(debounce="0.3 ms", reaction="0.7 ms"))
    start = at(result, "exceeded").tick
    assert at(result, "tripped").tick == start + 300_000
    assert at(result, "torque_off").tick == start + 1_000_000
    assert told(result) == [("exceeded", "high"), ("tripped", "high"), ("torque_off", "high")]
    torque, last = result.traces["drive_torque"], (start + 1_000_000) // 100_000
    assert torque[last + 1] > 0.0
    assert np.abs(torque[last + 2 :]).max() < 1e-12


def test_reading_that_falls_during_the_debounce_clears_at_its_tick() -> None:
    pulse = {"do": "periodic_step", "loop": "torque", "low": "0 N m", "high": "60 N m", "wait": False}
    move = {**pulse, "period": "50 ms", "rise": "0.5 ms", "fall": "2 ms"}
    result = rig(limit(debounce="6 ms"), moves=(move,), duration="10 ms")
    high = np.abs(result.traces["reading"]) > LEVEL
    changes = np.flatnonzero(np.diff(high.astype(int)))
    kinds = [event.kind for event in result.events]
    assert kinds == ["exceeded", "cleared"] * (len(changes) // 2) + ["exceeded"] * (len(changes) % 2)
    assert len(changes) >= 2
    assert [event.tick for event in result.events] == [100_000 * int(k) for k in changes]


def test_ramp_down_takes_the_torque_out_in_a_straight_line() -> None:
    result = rig(limit(action="ramp_down", ramp_time="3 ms"))
    trip = at(result, "ramp_down").tick
    now = np.arange(len(result.time)) * 100_000
    share = np.clip(1.0 - (now - trip) / 3e6, 0.0, 1.0)
    later = np.flatnonzero(now > trip)
    # The record shows the torque that the tick before has set.
    asked = result.traces["torque_setpoint"] * share
    assert result.traces["drive_torque"][later[1:]] == pytest.approx(asked[later[:-1]], abs=1e-9)
    assert result.traces["drive_torque"][-1] == pytest.approx(0.0, abs=1e-12)


def test_second_limit_whose_ramp_ends_later_is_told_but_changes_nothing() -> None:
    first = limit("a", action="ramp_down", ramp_time="5 ms")
    second = limit("b", action="ramp_down", ramp_time="4.6 ms", reaction="0.5 ms")
    result = rig(first, second)
    assert told(result) == [
        ("exceeded", "a"),
        ("exceeded", "b"),
        ("tripped", "a"),
        ("tripped", "b"),
        ("ramp_down", "a"),
    ]
    alone = rig(first)
    assert np.array_equal(result.traces["drive_torque"], alone.traces["drive_torque"])


def test_torque_off_wins_over_a_ramp_that_is_under_way() -> None:
    """A soft limit ramps down, the torque rings on past a hard one: the rest of the torque goes at once."""
    soft = limit("soft", action="ramp_down", ramp_time="100 ms")
    result = rig(soft, limit("hard", above="60 N m", reaction="0.2 ms"))
    assert told(result)[-3:] == [("exceeded", "hard"), ("tripped", "hard"), ("torque_off", "hard")]
    off = at(result, "torque_off")
    assert off.tick > at(result, "ramp_down").tick
    torque, last = result.traces["drive_torque"], off.tick // 100_000
    assert torque[last] > 40.0
    assert np.abs(torque[last + 1 :]).max() < 1e-12


def test_a_quicker_ramp_goes_on_from_what_a_slow_one_has_left() -> None:
    slow = limit("slow", action="ramp_down", ramp_time="10 ms")
    quick = limit("quick", action="ramp_down", ramp_time="2 ms", reaction="3 ms")
    result = rig(slow, quick)
    begin = at(result, "ramp_down").tick
    now = np.arange(len(result.time)) * 100_000
    left = np.where(now < begin + 3e6, 1.0 - (now - begin) / 1e7, 0.7 * (1.0 - (now - begin - 3e6) / 2e6))
    later = np.flatnonzero(now > begin)
    asked = result.traces["torque_setpoint"] * np.clip(left, 0.0, 1.0)
    assert result.traces["drive_torque"][later[1:]] == pytest.approx(asked[later[:-1]], abs=1e-9)
    assert [event.name for event in result.events if event.kind == "ramp_down"] == ["slow", "quick"]


@pytest.mark.parametrize("off", ["limit", "sequence"])
def test_all_orders_of_what_takes_the_torque_away_at_one_tick(off: str) -> None:
    """Two ramps and a torque off at one tick: the torque is off, whoever comes first in the file."""
    tick = at(rig(limit()), "tripped").tick
    ramps = [limit(f"ramp_{time}", action="ramp_down", ramp_time=f"{time} ms") for time in (3, 8)]
    moves: tuple[Table, ...] = ({**RAMP, "wait": False}, {"do": "hold", "time": f"{tick} ns"})
    moves += ({"do": "trip"},) if off == "sequence" else ()
    ramps += [limit("off", above=f"{LEVEL + 1e-3} N m")] if off == "limit" else []
    found = [rig(*order, moves=moves) for order in permutations(ramps)]
    alone = rig(limit()) if off == "limit" else rig(moves=moves)
    torque = alone.traces["drive_torque"]
    for result in found:
        assert np.array_equal(result.traces["drive_torque"], torque)
        assert {event.tick for event in result.events} == {tick}
        assert ("torque_off", off if off == "sequence" else "off") in told(result)


def test_a_controlled_stop_ends_without_torque_though_a_slower_ramp_is_under_way() -> None:
    """The end of a category 1 stop takes what a ramp has left."""
    stop = {"do": "emergency_stop", "category": 1, "over": "5 ms"}
    soft = limit("soft", action="ramp_down", ramp_time="1 s")
    moves = ({**RAMP, "wait": False}, {"do": "hold", "time": "2 ms"}, stop)
    result = rig(soft, moves=moves)
    assert [kind for kind, _ in told(result)] == ["exceeded", "tripped", "ramp_down", "torque_off"]
    assert at(result, "torque_off").tick == 7_000_000
    assert np.abs(result.traces["drive_torque"][72:]).max() < 1e-12


def test_an_interlock_that_trips_during_a_controlled_stop_takes_the_torque_off() -> None:
    stop = {"do": "emergency_stop", "category": 1, "over": "8 ms"}
    moves = ({**RAMP, "wait": False}, {"do": "hold", "time": "2 ms"}, stop)
    result = rig(limit(above="40 N m"), moves=moves)
    assert [(e.kind, e.name) for e in result.events][-1] == ("torque_off", "high")
    assert 2_000_000 < at(result, "torque_off").tick < 10_000_000
    last = at(result, "torque_off").tick // 100_000
    assert np.abs(result.traces["drive_torque"][last + 2 :]).max() < 1e-12


@pytest.mark.parametrize(("later", "acts"), [(-1, False), (0, False), (1, True)])
def test_an_interlock_whose_output_fails_before_it_acts_does_not_act(later: int, acts: bool) -> None:
    """Failures come before anything else at their tick, so that one at the very tick of the action counts."""
    slow = limit(reaction="0.7 ms")
    action = at(rig(slow), "torque_off").tick
    fault = {"name": "f", "on": "high", "kind": "does_not_act", "at": f"{action + later} ns"}
    kinds = [event.kind for event in rig(slow, faults=(fault,)).events]
    assert kinds[:2] == ["exceeded", "tripped"]
    assert ("torque_off" in kinds, "did_not_act" in kinds) == (acts, not acts)


@pytest.mark.compiled
def test_tripped_pm_machines_make_no_torque() -> None:
    result = simulate(shipped("wheel-hub", "limit.overtorque.above=30 N m", "duration=1.5 s"))
    assert [kind for kind, _ in told(result)][-3:] == ["exceeded", "tripped", "torque_off"]
    later = result.time > at(result, "torque_off").time + 5e-3
    for name in ("drive_torque", "load_torque"):
        assert np.abs(result.traces[name][~later]).max() > 20.0
        assert np.abs(result.traces[name][later]).max() < 0.5


SPEED_LINE = [servo("drive", 0.05), coupling("c1", 2e4, damping="3 N m s/rad"), servo("load", 0.1)]


def speed_rig(*moves: Table, kp: float = 20.0) -> Simulation:
    return simulate(
        describe(
            {
                "duration": "120 ms",
                "line": SPEED_LINE,
                "loop": [speed_loop("drive", kp, 400.0, rate="1 kHz")],
                "sequence": list(moves),
                "record": {"rate": "1 kHz", "channels": ["speed.error"]},
            }
        )
    )


def settle(**keys: str) -> Table:
    return {
        "do": "settle",
        "loop": "speed",
        "within": "0.5 rad/s",
        "dwell": "12 ms",
        "timeout": "90 ms",
        **keys,
    }


def test_settled_at_the_end_of_the_first_long_enough_stay() -> None:
    result = speed_rig(step("speed", "10 rad/s"), settle(), step("speed", "4 rad/s"))
    assert told(result) == [("settled", "speed")]
    error = result.traces["speed.error"][1:]  # a record shows the error of the tick before
    setpoint = result.traces["speed_setpoint"][:-1]
    inside = np.abs(error) <= 0.5
    inside[setpoint < 10.0] = False
    starts = [int(k) for k in np.flatnonzero(np.diff(inside.astype(int), prepend=0) == 1)]
    ends = [int(k) for k in np.flatnonzero(np.diff(inside.astype(int), append=0) == -1)]
    first = next(a for a, b in zip(starts, ends, strict=True) if b - a >= 11)
    assert result.events[0].tick == (first + 12) * 1_000_000
    after = result.time >= result.events[0].time
    assert set(result.traces["speed_setpoint"][after]) == {4.0}
    assert set(result.traces["speed_setpoint"][~after]) == {10.0}


def test_step_and_settle_at_one_instant_waits_for_the_error_to_show() -> None:
    """When the wait begins the controller has not yet seen the step."""
    result = speed_rig(step("speed", "10 rad/s"), settle(dwell="2 ms"))
    assert result.events[0].kind == "settled" and result.events[0].time > 4e-3


def test_not_settled_when_the_time_is_up() -> None:
    result = speed_rig(
        step("speed", "10 rad/s"), settle(within="1e-9 rad/s", timeout="30 ms"), step("speed", "0 rpm")
    )
    assert told(result) == [("not_settled", "speed")]
    assert result.events[0].tick == 30_000_000
    assert result.traces["speed_setpoint"][29:32].tolist() == [10.0, 0.0, 0.0]


def test_end_ends_the_run() -> None:
    result = speed_rig(step("speed", "10 rad/s"), {"do": "hold", "time": "20 ms"}, {"do": "end"})
    assert told(result) == [("ended", "sequence")]
    assert result.events[0].tick == 20_000_000
    assert result.duration == pytest.approx(0.02, abs=1e-12)
    assert len(result.time) == 20


@pytest.mark.parametrize("ramp", [0.0, 2.0])
def test_a_trip_of_the_sequence_is_that_of_an_interlock(ramp: float) -> None:
    """One limit acts at once where the sequence trips: the same torque, and the same ramp."""
    how = {"action": "ramp_down", "ramp_time": f"{ramp} ms"} if ramp else {"action": "torque_off"}
    wait = {**RAMP, "wait": False}
    by_limit = rig(limit(quantity="true_torque", **how), moves=(wait,))
    tripped = at(by_limit, "ramp_down" if ramp else "torque_off")
    moves = (wait, {"do": "hold", "time": f"{tripped.tick} ns"}, {"do": "trip", **how})
    by_sequence = rig(moves=moves)
    assert told(by_sequence) == [("ramp_down" if ramp else "torque_off", "sequence")]
    assert by_sequence.events[0].tick == tripped.tick
    np.testing.assert_array_equal(by_sequence.traces["true_torque"], by_limit.traces["true_torque"])
    assert abs(by_sequence.traces["drive_torque"][-1]) < 1e-9 < abs(by_sequence.traces["torque_command"][-1])


def test_a_trip_of_the_sequence_comes_once() -> None:
    moves = ({**RAMP, "wait": False}, {"do": "hold", "time": "1 ms"}, {"do": "trip"})
    result = rig(limit(quantity="true_torque", above="1 N m", reaction="5 ms"), moves=moves)
    assert told(result) == [("exceeded", "high"), ("tripped", "high"), ("torque_off", "sequence")]


@pytest.mark.parametrize(
    ("moves", "milliseconds"),
    [
        (({**RAMP, "over": "4 ms", "wait": False}, {"do": "hold", "time": "3 ms"}), 4),
        (({"do": "hold", "time": "3 ms"}, {**RAMP, "over": "4 ms", "wait": False}), 7),
        (({**RAMP, "over": "4 ms", "wait": False}, {"do": "hold", "time": "5 ms"}), 5),
        (
            (
                {**RAMP, "over": "4 ms"},
                {**RAMP, "over": "2 ms", "wait": False},
                {"do": "hold", "time": "1 ms"},
            ),
            6,
        ),
        (({**RAMP, "over": "4 ms", "wait": False}, {"do": "hold", "time": "3 ms"}, {"do": "end"}), 3),
    ],
)
def test_a_run_lasts_until_steps_that_overlap_are_over(moves: tuple[Table, ...], milliseconds: int) -> None:
    assert rig(duration="", moves=moves).duration == pytest.approx(1e-3 * milliseconds, abs=1e-12)


def test_end_after_a_wait_that_depends() -> None:
    result = speed_rig(step("speed", "10 rad/s"), settle(), {"do": "end"})
    assert told(result) == [("settled", "speed"), ("ended", "sequence")]
    assert result.events[1].tick == result.events[0].tick
    assert result.duration == pytest.approx(result.events[1].time, abs=1e-12)


def test_events_come_in_the_order_of_time() -> None:
    moves = ({**RAMP, "wait": False}, {"do": "hold", "time": "9 ms"}, {"do": "end"})
    result = rig(limit(debounce="0.2 ms", reaction="0.3 ms"), moves=moves)
    assert told(result)[-1] == ("ended", "sequence")
    assert len(result.events) == 4
    assert all(a.tick <= b.tick for a, b in pairwise(result.events))
    assert math.isclose(result.duration, 9e-3)
