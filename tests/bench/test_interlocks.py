"""What interlocks watch and do, and faults that wait for a condition; judged from dense records."""

from typing import Any

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from heatbench import document
from rigs import (
    RECTIFIER,
    Table,
    coupling,
    describe,
    disc,
    fed_bench,
    hold,
    ramp,
    sensor,
    servo,
    shipped,
    speed_loop,
    step,
    torque_loop,
)
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description

LAG = {"time_constant": "1 ms"}
BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}


def bench(**keys: Any) -> Description:
    """Return two machines on a soft coupling and a sensor, sped up while a torque is asked for."""
    line = [servo("drive", 0.05, **LAG), coupling("c", 2e3, damping="1 N m s/rad"), disc("hub", 0.01)]
    document: Table = {
        "duration": "60 ms",
        "line": [*line, sensor("ts", 6e4), servo("load", 0.1, **LAG)],
        "loop": [torque_loop("load", "ts"), speed_loop("drive", 2.0, 0.0)],
        "sequence": [step("torque", "30 N m"), step("speed", "300 rpm")],
        "record": {"rate": "100 kHz"},
    }
    return describe({**document, **keys})


def limit(watches: str, **keys: Any) -> Table:
    return {"name": "l", "watches": watches, **keys}


def closing(run: Simulation) -> Simulation:
    """Return a run whose energy must close."""
    assert run.energies.residual < 1e-5
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)
    return run


def told(run: Simulation) -> list[tuple[str, str]]:
    return [(event.kind, event.name) for event in run.events]


@pytest.mark.parametrize("watches", ["c", "ts"])
def test_a_difference_of_speeds_trips_at_a_tick_of_the_fastest_machine(watches: str) -> None:
    """The record shows both speeds; the sensor's own spring is far stiffer than the coupling."""
    free = simulate(bench())
    ends = ("drive_speed", "load_speed")
    apart = np.abs(free.traces[ends[0]] - free.traces[ends[1]])
    level = 0.5 * float(apart.max()) if watches == "c" else 0.05
    run = closing(
        simulate(bench(limit=[limit(watches, quantity="speed_difference", above=f"{level} rad/s")]))
    )
    assert [kind for kind, _ in told(run)] == ["exceeded", "tripped", "torque_off"]
    assert run.events[0].tick % 100_000 == 0
    if watches == "c":
        seen = free.time[np.argmax(apart > level)]
        # The hub rides on the sensor's spring beside the load.
        assert run.events[0].time == pytest.approx(seen, abs=3e-4)


def test_a_level_below_counts_once_it_has_been_reached() -> None:
    """The speed rises past the level, and trips where it falls below again."""
    moves = [step("speed", "300 rpm"), hold("30 ms"), step("speed", "0 rpm")]
    keys: dict[str, Any] = {"sequence": moves, "loop": [speed_loop("drive", 5.0, 0.0)]}
    level = 10.0
    free = simulate(bench(**keys))
    spline = CubicSpline(free.time, free.traces["load_speed"])
    roots = [root for root in spline.solve(level, extrapolate=False) if spline(root, 1) < 0.0]
    run = closing(simulate(bench(limit=[limit("load", below=f"{level} rad/s")], **keys)))
    assert [kind for kind, _ in told(run)] == ["exceeded", "tripped", "torque_off"]
    assert run.events[0].time == pytest.approx(roots[0], abs=2e-8)


def test_a_level_that_is_never_reached_is_not_left_downwards() -> None:
    assert told(simulate(bench(limit=[limit("load", below="1000 rad/s")]))) == []


@pytest.mark.parametrize("key", ["above", "jump"])
@pytest.mark.parametrize("latency", [0, 37_500, 125_000, 180_000])
def test_a_reading_counts_at_the_tick_at_which_it_is_there(latency: int, key: str) -> None:
    """Samples at 8 kHz from records at 80 kHz of the free run, each there a latency later."""
    part = sensor("ts", 6e4, sampling="8 kHz", latency=f"{latency} ns")
    line = [servo("drive", 0.05, **LAG), part, servo("load", 0.1, **LAG)]
    keys: dict[str, Any] = {"line": line, "record": {"rate": "80 kHz"}}
    sampled = simulate(bench(**keys)).traces["true_torque"][::10]
    seen = np.abs(np.diff(sampled, prepend=0.0) if key == "jump" else sampled)
    level = 0.6 * float(seen.max())
    run = simulate(bench(limit=[limit("ts", **{key: f"{level} N m"})], **keys))
    assert [kind for kind, _ in told(run)] == ["exceeded", "tripped", "torque_off"]
    assert run.events[0].tick == int(np.argmax(seen > level)) * 125_000 + latency


FIRST = [step("speed", "300 rpm"), hold("30 ms")]
RISES, FALLS = [*FIRST, step("speed", "600 rpm")], [*FIRST, step("speed", "-1200 rpm")]
BANDS = [
    ("load", "speed", "4 rad/s", "24 rad/s"),
    ("load", "reading", "4 rad/s", "24 rad/s"),
    ("ts", "true_torque", "2 N m", "5 N m"),
    ("ts", "reading", "2 N m", "5 N m"),
]


@pytest.mark.parametrize(("watches", "quantity", "low", "high"), BANDS)
def test_a_band_trips_at_the_tick_of_a_single_level_on_either_side(
    watches: str, quantity: str, low: str, high: str
) -> None:
    """Up into it and out above as `above` trips at its upper level, back down as `below` at its lower one."""
    quick = {"loop": [torque_loop("load", "ts"), speed_loop("drive", 5.0, 0.0)]}
    for to, key, level in (("12 N m", "above", high), ("1 N m", "below", low)):
        torques = [step("torque", "6 N m"), hold("30 ms"), step("torque", to)]
        moves = torques if watches == "ts" else RISES if key == "above" else FALLS
        keys: dict[str, Any] = {"sequence": moves, "duration": "0.12 s"} | (
            quick if watches == "load" else {}
        )
        banded = closing(
            simulate(bench(limit=[limit(watches, quantity=quantity, outside=[low, high])], **keys))
        )
        single = simulate(bench(limit=[limit(watches, quantity=quantity, **{key: level})], **keys))
        trips = [[event for event in run.events if event.kind == "tripped"] for run in (banded, single)]
        assert len(trips[0]) == 1 and trips[0] == trips[1], (key, banded.events, single.events)
        assert trips[0][0].time > 0.03


def test_a_band_counts_with_its_sign_and_once_inside() -> None:
    never = [limit("load", quantity="speed", outside=["500 rad/s", "600 rad/s"])]
    assert told(simulate(bench(limit=never))) == []
    free, inside = (
        simulate(bench(**keys))
        for keys in ({}, {"limit": [limit("ts", quantity="true_torque", outside=["-900 N m", "900 N m"])]})
    )
    assert told(inside) == []
    assert all(np.array_equal(free.traces[name], inside.traces[name]) for name in free.traces)
    low = simulate(bench(limit=[limit("ts", quantity="true_torque", outside=["-900 N m", "20 N m"])]))
    high = simulate(bench(limit=[limit("ts", quantity="true_torque", above="20 N m")]))
    assert told(low)[0] == ("exceeded", "l") and low.events == high.events


def test_a_band_may_break_a_coupling_at_its_tick_and_without_it_the_bits_stay() -> None:
    broken = {"name": "f", "on": "c", "kind": "broken"}
    ends = []
    for condition in (
        {"outside": ["-900 N m", "20 N m"]},
        {"above": "20 N m"},
        {"outside": ["-1 kN m", "1 kN m"]},
    ):
        when = {"watches": "ts", "quantity": "true_torque", **condition}
        ends.append(closing(simulate(bench(fault=[{**broken, "when": when}]))))
    assert ends[0].events == ends[1].events and told(ends[0]) == [("failed", "f")]
    assert all(np.array_equal(ends[0].traces[name], ends[1].traces[name]) for name in ends[0].traces)
    free = simulate(bench())
    assert all(np.array_equal(free.traces[name], ends[2].traces[name]) for name in free.traces)


OUTSIDE = {"watches": "load", "quantity": "speed", "name": "o"}
CROSSED = [
    ({"outside": ["20 rad/s", "10 rad/s"]}, None, "is no band; state the lower level first"),
    ({"outside": ["20 V", "30 V"]}, None, "watches a speed"),
    ({"outside": ["20 rad/s"]}, None, "outside"),
    ({"outside": "20 rad/s"}, None, "outside"),
    ({"outside": ["1 rad/s", "2 rad/s"], "above": "3 rad/s"}, None, "contradict each other; state one of"),
    ({"outside": ["1 rad/s", "2 rad/s"]}, {"outside": ["3 rad/s", "4 rad/s"]}, "rad/s; move this band"),
    ({"outside": ["4 rad/s", "5 rad/s"]}, {"above": "3 rad/s"}, "always trips one"),
    ({"outside": ["-5 rad/s", "-4 rad/s"]}, {"above": "3 rad/s"}, "always trips one"),
    ({"outside": ["-2 rad/s", "2 rad/s"]}, {"below": "3 rad/s"}, "always trips one"),
]


@pytest.mark.parametrize(("one", "other", "says"), CROSSED)
def test_wrong_bands_are_refused(one: Table, other: Table | None, says: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        bench(limit=[{**OUTSIDE, **one}, *([{**OUTSIDE, "name": "p", **other}] if other else [])])
    assert says in str(raised.value)


def test_a_reading_that_jumps_trips_at_the_sample_after_its_cable_came_off() -> None:
    """It reads zero from one sample to the next; without the fault nothing is as quick."""
    off = {"name": "off", "on": "ts", "kind": "zero", "at": "0.0300005 s"}
    jump = limit("ts", jump="8 N m")
    assert "tripped" not in [kind for kind, _ in told(simulate(bench(limit=[jump])))]
    run = closing(simulate(bench(limit=[jump], fault=[off])))
    assert told(run)[:3] == [("failed", "off"), ("exceeded", "l"), ("tripped", "l")]
    assert 0.0 < run.events[1].time - 0.03 <= 1.1e-4


@pytest.mark.parametrize("debounce", ["0 s", "0.2 ms", "30 us"])
def test_a_coupling_breaks_at_the_very_tick_at_which_its_condition_is_met(debounce: str) -> None:
    """The run goes back to the crossing inside the gap and on with other equations from there."""
    level, wait = 20.0, float(debounce.split()[0]) * {"s": 1.0, "ms": 1e-3, "us": 1e-6}[debounce.split()[1]]
    free = simulate(bench())
    roots = CubicSpline(free.time, np.abs(free.traces["true_torque"])).solve(level, extrapolate=False)
    when = {"watches": "ts", "quantity": "true_torque", "above": f"{level} N m", "debounce": debounce}
    run = closing(simulate(bench(fault=[{"name": "b", "on": "c", "kind": "broken", "when": when}])))
    (event,) = run.events
    assert (event.kind, event.name) == ("failed", "b")
    assert event.time == pytest.approx(roots[0] + wait, abs=2e-8)
    same = {"name": "b", "on": "c", "kind": "broken", "at": f"{event.tick} ns"}
    known = closing(simulate(bench(fault=[same])))
    for name, trace in known.traces.items():
        assert np.allclose(run.traces[name], trace, rtol=1e-9, atol=1e-9), name
    after = run.time > event.time
    assert np.all(run.traces["c_torque"][after] == 0.0) and np.any(run.traces["c_torque"][~after] != 0.0)
    assert run.energies.losses["c.failure"] > 0.0


def test_a_crossing_just_ahead_of_a_failure_in_the_same_gap_is_not_lost() -> None:
    free = simulate(bench())
    root = CubicSpline(free.time, np.abs(free.traces["true_torque"])).solve(20.0, extrapolate=False)[0]
    broken = {"name": "b", "on": "c", "kind": "broken", "at": f"{round(root * 1e9) + 500} ns"}
    keys: dict[str, Any] = {"record": {"rate": "10 kHz"}, "fault": [broken]}
    run = closing(simulate(bench(limit=[limit("ts", quantity="true_torque", above="20 N m")], **keys)))
    assert told(run)[:2] == [("exceeded", "l"), ("tripped", "l")]
    assert run.events[0].time == pytest.approx(root, abs=2e-8)


UP = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.5 s")]
DOWN = [*UP, step("torque", "0 N m"), ramp("0 rpm", "0.1 s"), hold("0.05 s")]


def test_link_voltage_switches_the_resistor_on_and_the_contactor_off() -> None:
    """The resistor stays on; with the grid off, the link runs down through it."""
    bound = {"watches": "supply", "quantity": "voltage", "above": "600 V"}
    limits = [
        {"name": "r", **bound, "action": "resistor_on"},
        {"name": "k", **bound, "action": "contactor_open", "reaction": "2 ms"},
    ]
    free = simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE]))
    spline = CubicSpline(free.time, free.traces["link_voltage"])
    known = spline.solve(600.0, extrapolate=False)[0]
    run = closing(simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE], limit=limits)))
    times = {event.kind: event.time for event in run.events}
    assert times["exceeded"] == pytest.approx(known, abs=2e-6)
    assert times["contactor_open"] == pytest.approx(times["resistor_on"] + 2e-3, abs=1e-9)
    volts, watts = run.traces["link_voltage"], run.traces["brake_power"]
    late = run.time > times["resistor_on"] + 2e-4
    assert np.allclose(watts[late], volts[late] ** 2 / 20.0)
    assert volts[-1] < 0.5 * free.traces["link_voltage"][-1]


def test_a_resistor_that_burnt_does_not_conduct_though_an_interlock_asks_for_it() -> None:
    bound = {"watches": "supply", "quantity": "voltage", "above": "600 V", "action": "resistor_on"}
    burnt = {"name": "burnt", "on": "brake", "kind": "open", "at": "0.1 s"}
    keys: dict[str, Any] = {"brake_resistor": [BRAKE], "limit": [{"name": "r", **bound}], "fault": [burnt]}
    run = closing(simulate(fed_bench(RECTIFIER, DOWN, **keys)))
    assert ("resistor_on", "r") in told(run) and run.energies.losses["brake.heat"] == 0.0


@pytest.mark.compiled
@pytest.mark.parametrize("on", [{}, {"on": "load"}])
def test_a_current_shorts_the_terminals(on: Table) -> None:
    """From then on the current brakes; what is shorted has the run of a machine that fails so."""
    free = simulate(shipped("wheel-hub", "duration=1 s"))
    text = {"watches": "load", "quantity": "current", "above": "40 A", "action": "short", **on}
    settings = [f"limit.overtorque.{key}={value}" for key, value in text.items()]
    # Two machines shorted at once swing at steps of a quarter of a radian: the energy of half of them closes.
    run = closing(simulate(shipped("wheel-hub", "duration=1 s", *settings), factor=2))
    (event,) = [event for event in run.events if event.kind == "shorted"]
    assert free.events == () and event.time > 0.1
    names = ["load"] if on else ["drive", "load"]
    for machine in names:
        slots = run.bench.machines[machine].terminals
        assert [run.run.state[slot] for slot in slots] == [0.0, 0.0]


def test_a_winding_that_is_too_hot_trips_at_the_thermal_tick_at_which_it_is() -> None:
    """The copper loss heats it until then; from there on it cools, for the torque is gone."""
    level = 60.0
    limit = {"name": "hot", "watches": "m", "quantity": "temperature", "above": f"{level} degC"}
    heated = document({}, [step("torque", "90 N m"), hold("8 s")]) | {"limit": [limit]}
    run = closing(simulate(describe(heated)))
    assert told(run) == [("exceeded", "hot"), ("tripped", "hot"), ("torque_off", "hot")]
    heat = run.heat
    assert heat is not None
    winding = heat.temperature[:, [body.name for body in heat.heat.bodies].index("m.winding")]
    first = np.argmax(winding > level)
    assert run.events[0].time == pytest.approx(heat.time[first], abs=1e-6) and 0.0 < heat.time[first] < 8.0
    assert winding[-1] < winding[first + 1]


WRONG: list[tuple[Table, str]] = [
    (
        {"watches": "tss", "above": "1 N m"},
        '"tss" is no name in this scenario; it must name a part of the line',
    ),
    ({"watches": "ts"}, "missing: a level; state one of above, below, jump"),
    ({"watches": "ts", "above": "1 N m", "below": "2 N m"}, "above and below contradict each other"),
    ({"watches": "load", "jump": "2 rad/s"}, "only a sampled reading jumps"),
    ({"watches": "c", "above": "2 N m"}, "c has no reading; choose speed_difference"),
    ({"watches": "load", "above": "3 A", "quantity": "current"}, "load has no current"),
    (
        {"watches": "supply", "above": "3 V", "quantity": "voltage"},
        "the voltage of a stiff link never changes",
    ),
    ({"watches": "ts", "above": "3 V"}, "the interlock watches a torque"),
    ({"watches": "ts", "above": "3 N m", "action": "short"}, "has no machine with magnets"),
    (
        {"watches": "ts", "above": "3 N m", "action": "short", "on": "load"},
        "torque-servo machine has no currents",
    ),
    ({"watches": "ts", "above": "3 N m", "action": "resistor_on"}, "has no brake resistor"),
    ({"watches": "ts", "above": "3 N m", "on": "load"}, "torque_off acts on the whole bench"),
    (
        {"watches": "ts", "above": "3 N m", "action": "contactor_open"},
        "a stiff link does not notice the grid",
    ),
]


@pytest.mark.parametrize(("keys", "message"), WRONG)
def test_interlocks_that_make_no_sense_say_what_to_do(keys: Table, message: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        bench(limit=[{"name": "l", **keys}])
    assert message in str(raised.value)


CONTRARY: list[tuple[Table, Table, str]] = [
    ({"above": "20 N m"}, {"below": "25 N m"}, "ts is always above 20 N m or below 25 N m"),
    ({"above": "20 N m", "action": "ramp_down"}, {"above": "20 N m"}, "takes it off at the same level"),
]


@pytest.mark.parametrize(("one", "other", "message"), CONTRARY)
def test_interlocks_that_contradict_each_other_are_refused(one: Table, other: Table, message: str) -> None:
    for first, second in ((one, other), (other, one)):
        with pytest.raises(ScenarioError) as raised:
            bench(limit=[{"name": "a", "watches": "ts", **first}, {"name": "b", "watches": "ts", **second}])
        assert message in str(raised.value) and "contradict" in str(raised.value)


def test_a_ramp_that_is_followed_by_torque_off_later_is_no_contradiction() -> None:
    ramp_down = {"name": "a", "watches": "ts", "above": "20 N m", "action": "ramp_down"}
    off = {"name": "b", "watches": "ts", "above": "20 N m", "reaction": "5 ms"}
    assert told(simulate(bench(limit=[ramp_down, off])))[-1] == ("torque_off", "b")


NEVER: list[tuple[Table, str]] = [
    ({}, "missing: say when"),
    (
        {"at": "1 ms", "when": {"watches": "ts", "above": "3 N m"}},
        "a fault with when begins when its condition is met",
    ),
    ({"when": {"watches": "ts"}}, "missing: a level"),
    ({"when": {"watches": "nope", "above": "1 N m"}}, '"nope" is no name in this scenario'),
    ({"when": {"watches": "ts", "above": "1 rpm"}}, "the fault watches a torque"),
]


@pytest.mark.parametrize(("keys", "message"), NEVER)
def test_faults_with_wrong_conditions_say_what_to_do(keys: Table, message: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        bench(fault=[{"name": "f", "on": "c", "kind": "broken", **keys}])
    assert message in str(raised.value)
