"""Frames of bus hops that are lost, late or jitter, and their age: against a replay in plain Python."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

from busframes import Lateness, arrivals, newest
from rigs import Table, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import loads
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.faults import AFTER, run_faults, standard_faults

SAMPLE, LOOP, RECORD = 100_000, 100_000, 10_000
"""Periods [ns]."""
BUS = {"name": "bus", "carries": "ts", "period": "500 us", "phase": "50 us", "transport": "180 us"}
LATE = {"on": "bus", "kind": "late", "lateness": "1.3 ms"}
LAG = {"time_constant": "1 ms"}
SEED = 7


def stated(*faults: Table, hops: tuple[Table, ...] = (BUS,), **keys: Any) -> Table:
    """Return the document of two machines and a sensor, whose torque is controlled over a bus."""
    reads = [hop["name"] for hop in hops if hop["carries"] not in ("torque", "cmd")]
    document: Table = {
        "duration": "40 ms",
        "seed": SEED,
        "line": [
            servo("drive", 0.05, **LAG),
            sensor("ts", 2e4, damping="2 N m s/rad"),
            servo("load", 0.1, **LAG),
        ],
        "loop": [{**torque_loop("load", "ts"), "reads": [*reads, "ts"][0]}, speed_loop("drive", 2.0, 0.0)],
        "hop": list(hops),
        "sequence": [step("torque", "30 N m"), step("speed", "300 rpm")],
        "fault": [{"name": f"f{i}", "at": "10 ms", **fault} for i, fault in enumerate(faults)],
        "record": {"rate": "100 kHz", "channels": ["torque.error", *(f"{hop['name']}.age" for hop in hops)]},
    }
    return {**document, **keys}


def rig(*faults: Table, **keys: Any) -> Description:
    return describe(stated(*faults, **keys))


def late_from(kind: str, late: int, begin: int, end: int) -> Lateness:
    return lambda tick: (kind, late) if begin <= tick < end else ("", 0)


CASES = [
    ("late", 1_300_000, 500_000, 50_000, 180_000, 40_000_000),
    ("late", 1_300_000, 500_000, 50_000, 180_000, 20_000_000),
    ("late", 50_000, 500_000, 50_000, 0, 20_000_000),
    ("late", 10_000_000, 100_000, 0, 100_000, 30_000_000),
    ("late", 123_457, 250_000, 30_000, 1_000_000, 20_000_000),
    ("jittering", 1_300_000, 500_000, 50_000, 180_000, 40_000_000),
    ("jittering", 3_000_000, 200_000, 20_000, 0, 25_000_000),
    ("jittering", 200_000, 500_000, 0, 500_000, 20_000_000),
]


@pytest.mark.parametrize(("kind", "late", "period", "phase", "transport", "end"), CASES)
def test_a_reader_sees_the_last_frame_that_has_arrived_at_its_own_tick(
    kind: str, late: int, period: int, phase: int, transport: int, end: int
) -> None:
    hop = {"name": "bus", "carries": "ts", "period": f"{period} ns", "phase": f"{phase} ns"}
    fault = {"on": "bus", "kind": kind, "lateness": f"{late} ns", "until": f"{end} ns"}
    found = simulate(rig(fault, hops=({**hop, "transport": f"{transport} ns"},)))
    traces, length = found.traces, 40_000_000
    sent = list(range(phase, length, period))
    values = [float(traces["true_torque"][tick // SAMPLE * SAMPLE // RECORD]) for tick in sent]
    come = arrivals(sent, transport, late_from(kind, late, 10_000_000, end), SEED)
    # The receiver looks at the ticks of the loop, of a delivery in time, and of a transfer without transport.
    looks = {*range(0, length, LOOP), *range((phase + transport) % period, length, period)}
    ordered = sorted(tick for tick in looks if tick % RECORD == 0 and tick < length)
    for tick in ordered:
        frame = newest(come, tick)
        record = tick // RECORD + 1
        taken = sent[frame] if frame >= 0 else 0
        assert traces["bus.age"][record] == (tick - taken) / 1e9, tick
        if tick % LOOP == 0:
            seen = values[frame] if frame >= 0 else 0.0
            assert traces["torque.error"][record] == 30.0 - seen, tick
    assert found.energies.residual < 1e-5


def test_a_command_that_comes_late_is_active_late() -> None:
    """The drive looks at its own ticks, every 12.5 us."""
    hop = {"name": "cmd", "carries": "torque", "period": "500 us", "transport": "75 us"}
    line = [servo("drive", 0.05), sensor("ts", 2e4, damping="2 N m s/rad"), servo("load", 0.1)]
    channels = ["load.command_active", "torque.output"]
    record = {"rate": "80 kHz", "channels": channels}
    keys: dict[str, Any] = {"line": line, "record": record}
    late = {"on": "cmd", "kind": "late", "lateness": "0.61 ms"}
    found = simulate(rig(late, hops=(hop,), **keys)).traces
    period, step = 500_000, 12_500
    sent = list(range(0, 40_000_000, period))
    come = arrivals(sent, 75_000, late_from("late", 610_000, 10_000_000, 40_000_000), SEED)
    output = found["torque.output"]
    for tick in range(0, 39_980_000, step):
        frame = newest(come, tick)
        # The loop ran at this very tick, ahead of the hop; a record shows it one later.
        asked = output[sent[frame] // step + 1] if frame >= 0 else 0.0
        assert found["load.command_active"][tick // step + 1] == asked, tick


def test_until_frames_are_late_a_bench_has_the_bits_of_one_that_does_not_ask_when_they_arrive() -> None:
    plain = simulate(rig(record={"rate": "100 kHz", "channels": ["torque.error"]}))
    assert not plain.bench.frames
    watch = {"name": "w", "watches": "bus", "quantity": "age", "above": "1 s"}
    never = {**LATE, "at": "1 s"}
    for other in (rig(never), rig(limit=[watch]), rig({**LATE, "at": "39.99 ms"})):
        found = simulate(other)
        for name, trace in plain.traces.items():
            assert np.array_equal(trace, found.traces[name]), name
        assert found.energies.meters == plain.energies.meters


@pytest.mark.parametrize("late", [300_000, 1_450_000])
def test_a_bus_that_is_always_late_is_one_with_so_much_more_transport(late: int) -> None:
    always = {"on": "bus", "kind": "late", "at": "0 s", "lateness": f"{late} ns"}
    one = simulate(rig(always)).traces
    other = simulate(rig(hops=({**BUS, "transport": f"{180_000 + late} ns"},))).traces
    assert np.array_equal(one["bus.age"][1::10], other["bus.age"][1::10])
    assert np.allclose(one["true_torque"], other["true_torque"], rtol=0.0, atol=1e-9)


def told(found: Simulation) -> list[tuple[str, float]]:
    return [(event.kind, event.time) for event in found.events]


AGE = {"name": "watchdog", "watches": "bus", "quantity": "age", "above": "2 ms"}
"""Frames are taken at 9.55, 10.05 ms, ...; the loop looks every 0.1 ms."""
WATCHED = [
    ({"on": "bus", "kind": "lost"}, 11_600_000),
    ({"on": "bus", "kind": "lost", "at": "10.05 ms"}, 11_600_000),
    ({"on": "bus", "kind": "lost", "at": "10.050001 ms"}, 12_100_000),
    ({"on": "bus", "kind": "late", "lateness": "1.3 ms"}, None),
    # Sent at 10.05 ms, there at 11.73 ms.
    ({"on": "bus", "kind": "late", "lateness": "1.5 ms"}, 11_600_000),
    ({"on": "bus", "kind": "lost", "until": "11.05 ms"}, None),
    ({"on": "bus", "kind": "lost", "until": "11.050001 ms"}, 11_600_000),
]


@pytest.mark.parametrize(("fault", "trips"), WATCHED)
def test_an_interlock_on_the_age_of_a_frame_trips_at_the_tick_of_its_reader(
    fault: Table, trips: int | None
) -> None:
    found = simulate(rig(fault, limit=[AGE]))
    ticks = [event.tick for event in found.events if event.kind == "tripped"]
    assert ticks == ([] if trips is None else [trips])


@pytest.mark.parametrize(("above", "trips"), [("0.45 ms", []), ("0.35 ms", [400_000])])
def test_the_age_is_that_of_what_the_reader_gets_at_its_tick(above: str, trips: list[int]) -> None:
    """Frames without transport are there at the instant at which they are sent, ahead of their reader."""
    hop = {"name": "bus", "carries": "ts", "period": "500 us"}
    found = simulate(rig(hops=(hop,), limit=[{**AGE, "above": above}]))
    assert [event.tick for event in found.events if event.kind == "tripped"] == trips


def test_a_debounce_counts_how_long_the_age_stays_above() -> None:
    """The frame of 10.05 ms is there at 11.73 ms: the age is above 2 ms at two ticks of the loop."""
    fault = {"on": "bus", "kind": "late", "lateness": "1.5 ms", "until": "10.5 ms"}
    found = simulate(rig(fault, limit=[{**AGE, "debounce": "0.3 ms"}]))
    assert [(kind, round(1e9 * time)) for kind, time in told(found)] == [
        ("failed", 10_000_000),
        ("restored", 10_500_000),
        ("exceeded", 11_600_000),
        ("cleared", 11_800_000),
    ]


def test_frames_of_a_loop_that_is_stalled_grow_old_and_those_of_a_sensor_that_fails_do_not() -> None:
    hops = ({"name": "cmd", "carries": "torque", "period": "500 us"}, BUS)
    limit = [{**AGE, "watches": "cmd"}]
    stalled = simulate(rig({"on": "torque", "kind": "stalled"}, hops=hops, limit=limit))
    # Taken at 9.5 ms, and at 10 ms from a loop that stalls then; its drive looks every 0.1 ms.
    assert [event.tick for event in stalled.events if event.kind == "tripped"] == [11_600_000]
    stuck = simulate(rig({"on": "ts", "kind": "stuck"}, limit=[AGE]))
    assert told(stuck) == [("failed", 0.01)]


def test_the_age_over_two_hops_counts_from_the_first() -> None:
    second = {"name": "far", "carries": "bus", "period": "500 us", "phase": "250 us", "transport": "100 us"}
    keys: dict[str, Any] = {"hops": (second, BUS)}
    found = simulate(rig(**keys))
    # Taken at 50 us, there at 230 us, taken on at 250 us, there at 350 us, and read from 400 us on.
    ages = found.traces["far.age"][3000:3051:10]
    assert np.allclose(ages, [0.3e-3, 0.4e-3, 0.5e-3, 0.6e-3, 0.3e-3, 0.4e-3], atol=0.11e-3)
    lost = simulate(rig({"on": "bus", "kind": "lost"}, limit=[{**AGE, "watches": "far"}], **keys))
    assert [event.tick for event in lost.events if event.kind == "tripped"] == [11_600_000]


def test_the_oldest_frame_is_a_figure_of_the_run() -> None:
    found = simulate(rig({"on": "bus", "kind": "jittering", "lateness": "2 ms"}))
    figure = metrics(found)["frame_age_max.bus"]
    assert figure.value == found.traces["bus.age"].max() > 2e-3
    quiet = metrics(simulate(rig(record={"rate": "10 kHz"})))
    assert not any(name.startswith("frame_age_max") for name in quiet)


def test_jitter_is_that_of_its_seed_and_of_its_hop() -> None:
    fault = {"on": "bus", "kind": "jittering", "lateness": "2 ms"}
    one, same, other = (simulate(rig(fault, seed=seed)).traces["bus.age"] for seed in (1, 1, 2))
    assert np.array_equal(one, same) and not np.array_equal(one, other)


def test_a_command_that_is_stuck_stays_though_frames_come() -> None:
    hops = ({"name": "cmd", "carries": "torque", "period": "500 us"}, BUS)
    found = simulate(rig({"on": "load", "kind": "command_stuck"}, {**LATE, "at": "1 s"}, hops=hops))
    assert len(set(found.traces["torque_command"][1002:])) == 1
    assert found.traces["cmd.age"].max() < 0.6e-3


def test_benches_with_late_frames_have_the_bits_of_single_runs() -> None:
    """In lanes where nothing fails, one by one where frames jitter; the age passes 0.6 ms in either."""
    jitter = {"on": "bus", "kind": "jittering", "lateness": "1.1 ms", "until": "30 ms"}
    benches = [
        rig(*faults, limit=[{**AGE, "above": "0.6 ms", "debounce": debounce}], unit=unit)
        for faults in ((), (jitter,))
        for debounce, unit in (("0 ms", "drive"), ("1 ms", "drive"), ("1 ms", "load"))
    ]
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        alone, found = simulate(bench), outcome.simulation
        assert found is not None and found.events == alone.events
        assert all(np.array_equal(alone.traces[name], found.traces[name]) for name in alone.traces)


def test_the_standard_faults_of_a_bus_have_the_bits_of_runs_of_their_own() -> None:
    """They follow the healthy bench, whose frames wait in a queue, too; the watchdog notices each of them."""
    bench = rig(limit=[{**AGE, "above": "0.7 ms"}])
    chosen = [fault for fault in standard_faults(bench) if fault.on == "bus"]
    assert [(fault.name, fault.lateness) for fault in chosen] == [
        ("bus.lost", 0),
        ("bus.late", Fraction(1, 1000)),
        ("bus.jittering", Fraction(1, 1000)),
    ]
    for found in run_faults(bench, chosen):
        alone = simulate(replace(bench, fault=(found.fault,), duration=found.fault.at + AFTER))
        tripped = next(event.time for event in alone.events if event.kind == "tripped")
        assert (found.tripped, found.reaction) == ("watchdog", tripped - float(found.fault.at))
        rated = tuple(load for load in found.loads if load.rated or load.limit)
        assert rated == tuple(loads(alone)) and rated


WRONG: list[tuple[Table, str]] = [
    ({"on": "bus", "kind": "late"}, 'missing: state how late frames come, e.g. lateness = "2 ms"'),
    ({"on": "bus", "kind": "jittering", "lateness": "0 s"}, "missing: state how late frames come at most"),
    ({"on": "bus", "kind": "lost", "lateness": "1 ms"}, "only a late or jittering hop takes lateness"),
    ({"on": "bus", "kind": "late", "lateness": "51 ms"}, "is more than 100 periods of bus, 50 ms"),
    ({"on": "bus", "kind": "late", "lateness": "-1 ms"}, "at least 0"),
    ({"on": "ts", "kind": "late", "lateness": "1 ms"}, '"late" is nothing that ts can suffer'),
]


@pytest.mark.parametrize(("fault", "message"), WRONG)
def test_wrong_lateness_is_refused_with_what_to_do(fault: Table, message: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        rig(fault)
    assert message in str(raised.value)


WRONG_AGE: list[tuple[Table, str]] = [
    ({"watches": "bus", "above": "2 ms"}, "bus has no reading; choose age"),
    ({"watches": "bus", "quantity": "age", "above": "2 N m"}, "the interlock watches a time"),
    ({"watches": "bus", "quantity": "age", "below": "2 ms"}, "state above in place of below"),
    ({"watches": "ts", "quantity": "age", "above": "2 ms"}, "ts has no age"),
    (
        {"watches": "buss", "quantity": "age", "above": "2 ms"},
        "it must name a part of the line, a hop or supply",
    ),
]


@pytest.mark.parametrize(("limit", "message"), WRONG_AGE)
def test_wrong_interlocks_on_an_age_are_refused_with_what_to_do(limit: Table, message: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        rig(limit=[{"name": "l", **limit}])
    assert message in str(raised.value)


@pytest.mark.parametrize(("level", "warns"), [("0.67 ms", True), ("0.68 ms", False)])
def test_a_watchdog_below_what_a_healthy_bus_reaches_is_warned_of(
    tmp_path: Path, level: str, warns: bool
) -> None:
    """A frame of every 0.5 ms is 0.18 ms old when it arrives, and up to 0.68 ms before the next one does."""
    document = stated(limit=[{**AGE, "above": level}])
    assert 0.64e-3 < simulate(describe(document)).traces["bus.age"].max() <= 0.68e-3
    (tmp_path / "rig.toml").write_text(tomlkit.dumps({"title": "Rig", **document}), encoding="utf-8")
    said = " ".join(read_scenario(tmp_path / "rig.toml").warnings)
    assert ("0.67 ms may be passed though nothing fails" in said) is warns
    assert ("frames of bus grow up to 0.68 ms old" in said) is warns
