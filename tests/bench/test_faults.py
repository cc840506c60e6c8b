"""What fails in a run: equations of the line, readings, commands, interlocks; at its tick, energy closing."""

import math
import tempfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

from rigs import (
    Table,
    coupling,
    describe,
    disc,
    rough,
    sensor,
    servo,
    shipped,
    speed_loop,
    step,
    torque_loop,
)
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description, Fault
from shaftloop.scenario.reading import read_scenario

LEFT, RIGHT, STIFFNESS = 0.05, 0.1, 2e4
AT = 0.012345679
LAG = {"time_constant": "1 ms"}


def rig(*faults: Table, **keys: Any) -> Description:
    """Return two machines on a coupling, a hub and a sensor, without drag, loaded from the start."""
    line = [servo("drive", LEFT, **LAG), coupling("c", STIFFNESS), disc("hub", 0.01), sensor("ts", 6e4)]
    document: Table = {
        "duration": "50 ms",
        "line": [*line, servo("load", RIGHT, **LAG)],
        "loop": [torque_loop("load", "ts"), speed_loop("drive", 2.0, 0.0)],
        "sequence": [step("torque", "30 N m"), step("speed", "300 rpm")],
        "fault": [{"name": f"f{i}", "at": f"{AT} s", **fault} for i, fault in enumerate(faults)],
    }
    return describe({**document, **keys})


def run(*faults: Table, **keys: Any) -> Simulation:
    """Return the run of such a bench; its energy must close."""
    found = simulate(rig(*faults, **keys))
    assert found.energies.residual < 1e-5 and found.energies.worst.residual < 1e-5
    return found


def before(found: Simulation, name: str) -> np.ndarray[Any, Any]:
    """Return a trace up to the failure."""
    return found.traces[name][found.time <= AT]


def test_until_it_fails_a_bench_has_the_bits_of_a_healthy_one() -> None:
    healthy, broken = run(), run({"on": "c", "kind": "broken"})
    for name in healthy.traces:
        assert np.array_equal(before(healthy, name), before(broken, name)), name
    assert [(event.kind, event.time) for event in broken.events] == [("failed", AT)]


def test_a_broken_coupling_carries_nothing_and_loses_what_it_had_stored() -> None:
    found = run({"on": "c", "kind": "broken"})
    after = found.time > AT
    assert np.all(found.traces["c_torque"][after] == 0.0)
    assert np.max(np.abs(found.traces["c_torque"][~after])) > 20.0
    near = found.traces["c_torque"][np.searchsorted(found.time, AT) - 1]
    lost = found.energies.losses["c.failure"]
    assert lost == pytest.approx(near**2 / (2.0 * STIFFNESS), rel=0.1)


def test_without_the_coupling_the_machine_alone_follows_its_torque() -> None:
    """The load with hub and sensor goes on under the impulse of its own torque: J·Δω = ∫T dt."""
    found = run({"on": "c", "kind": "broken"}, sequence=[step("torque", "30 N m")])
    after = np.flatnonzero(found.time > AT + 1e-3)
    first, last = after[0], after[-1]
    speed, torque = found.traces["load_speed"], found.traces["load_torque"]
    impulse = np.sum(torque[first:last]) * (found.time[1] - found.time[0])
    # The hub rides on the sensor's spring: its share of the inertia is only right on average.
    assert speed[last] - speed[first] == pytest.approx(impulse / (RIGHT + 0.01), rel=0.05)


def test_a_blocked_machine_stands_and_loses_its_kinetic_energy() -> None:
    found = run({"on": "load", "kind": "blocked"})
    speed = found.traces["load_speed"]
    assert np.all(speed[found.time > AT] == 0.0)
    near = speed[np.searchsorted(found.time, AT) - 1]
    assert found.energies.losses["load.failure"] == pytest.approx(0.5 * RIGHT * near**2, rel=0.05)


def test_two_failures_one_after_the_other() -> None:
    found = run({"on": "load", "kind": "blocked"}, {"on": "c", "kind": "broken", "at": "20 ms"})
    late = found.time > 0.02
    assert np.all(found.traces["load_speed"][late] == 0.0) and np.all(found.traces["c_torque"][late] == 0.0)
    assert {"load.failure", "c.failure"} <= set(found.energies.losses)


def test_a_part_with_everything_breaks_at_speed_and_energy_closes() -> None:
    """Ripple, cogging, misalignment and damping branches, on a bench whose angle is a state."""
    healthy = rough()
    found = simulate(replace(healthy, fault=(Fault("f", "c1", "broken", Fraction(211, 1000)),)))
    assert found.energies.residual < 1e-5
    assert found.energies.losses["c1.failure"] > 0.0


def test_a_break_behind_a_step_of_the_sequence_in_one_gap_comes_at_its_tick_all_the_same() -> None:
    moves = [step("torque", "30 N m"), step("speed", "300 rpm"), {"do": "hold", "time": "12.34 ms"}]
    moves.append(step("torque", "10 N m"))
    broken = {"on": "c", "kind": "broken"}
    coarse, fine = run(broken, sequence=moves), run(broken, sequence=moves, record={"rate": "1 MHz"})
    assert coarse.energies.losses["c.failure"] == pytest.approx(fine.energies.losses["c.failure"], rel=1e-6)


def test_a_short_between_two_instants_comes_at_its_tick_however_often_the_run_is_recorded() -> None:
    bench = replace(rough(), fault=(Fault("f", "drive", "shorted", Fraction(211_234_567, 10**9)),))
    ends = []
    for rate in (8_000, 1_000_000):
        found = simulate(replace(bench, record=replace(bench.record, rate=Fraction(rate))))
        ends.append([found.run.state[slot] for slot in found.bench.machines["drive"].currents])
    assert ends[0] == pytest.approx(ends[1], rel=1e-5)
    assert math.hypot(*ends[0]) > 10.0


READINGS = [("stuck", None), ("zero", 0.0), ("full_scale", 50.0)]


@pytest.mark.parametrize(("kind", "shown"), READINGS)
def test_a_reading_that_failed_shows_one_value_until_it_is_back(kind: str, shown: float | None) -> None:
    line = [servo("drive", LEFT, **LAG), sensor("ts", 6e4, range="50 N m"), servo("load", RIGHT, **LAG)]
    found = run({"on": "ts", "kind": kind, "until": "30 ms"}, line=line)
    reading, inside = found.traces["reading"], (found.time > AT + 2e-4) & (found.time <= 0.03)
    assert len(set(reading[inside])) == 1
    if shown is not None:
        assert reading[inside][0] == shown
    assert len(set(reading[found.time > 0.0305])) > 10
    assert [event.kind for event in found.events] == ["failed", "restored"]


def test_a_shifted_reading_is_off_by_that() -> None:
    """Nothing closes the loop on the reading here, so the true torque stays as it is."""
    healthy, shifted = run(), run({"on": "ts", "kind": "shifted", "by": "-4 N m"})
    apart = shifted.traces["reading"] - healthy.traces["reading"]
    assert np.array_equal(shifted.traces["true_torque"], healthy.traces["true_torque"])
    assert np.allclose(apart[healthy.time > AT + 2e-4], -4.0, atol=1e-12)


DRIFTS = {"on": "ts", "kind": "drifting", "rate": "200 N m/s"}
AVERAGED = {"moving_average": "0.4 ms"}


@pytest.mark.parametrize("more", [{}, AVERAGED, {"hysteresis": "0.01 %"}, {"range": "50 N m", "bits": 16}])
def test_a_drifting_reading_is_off_by_its_rate_times_the_time_since_its_fault(more: Table) -> None:
    """No loop is closed on the reading here; a row shows what was sampled a period of 0.1 ms before."""
    line = [servo("drive", LEFT, **LAG), sensor("ts", 6e4, **more), servo("load", RIGHT, **LAG)]
    healthy, found = run(line=line), run({**DRIFTS, "until": "30 ms"}, line=line)
    assert np.array_equal(found.traces["true_torque"], healthy.traces["true_torque"])
    sampled = found.time - 1e-4
    drift = np.where((sampled > AT) & (sampled < 0.03 - 5e-5), 200.0 * (sampled - AT), 0.0)
    shown = healthy.traces["reading"] + drift
    if "range" in more:
        assert np.max(np.abs(found.traces["reading"] - np.clip(shown, -50.0, 50.0))) <= 100.0 / 2**16
    else:
        assert np.allclose(found.traces["reading"], shown, rtol=0.0, atol=1e-9)
    without = drift == 0.0
    assert np.array_equal(found.traces["reading"][without], healthy.traces["reading"][without])


def test_a_drift_that_waits_for_a_condition_begins_at_the_tick_at_which_that_is_met() -> None:
    when = {"watches": "ts", "quantity": "reading", "above": "20 N m"}
    healthy, found = run(), run(fault=[{**DRIFTS, "name": "f", "when": when}])
    (event,) = found.events
    assert 1e-3 < event.time < 0.03
    apart, sampled = found.traces["reading"] - healthy.traces["reading"], found.time - 1e-4
    assert np.allclose(apart, 200.0 * np.maximum(sampled - event.time, 0.0), rtol=0.0, atol=1e-9)
    assert np.max(apart) > 3.0


def test_commands_that_fail() -> None:
    off, stuck = run({"on": "load", "kind": "torque_off"}), run({"on": "drive", "kind": "command_stuck"})
    assert np.all(off.traces["torque_command"][off.time > AT + 2e-4] == 0.0)
    held = stuck.traces["speed_command"][stuck.time > AT + 2e-4]
    assert len(set(held)) == 1 and held[0] != 0.0


def test_a_hop_that_loses_its_frames_shows_the_last_one_and_a_stalled_loop_its_last_command() -> None:
    hop = {"name": "bus", "carries": "load", "period": "1 ms", "transport": "2 ms"}
    loops = [torque_loop("load", "ts"), speed_loop("drive", 2.0, 0.0, reads="bus")]
    lost = run({"on": "bus", "kind": "lost"}, hop=[hop], loop=loops)
    assert len(set(lost.traces["speed_command"][lost.time > AT + 3e-3])) == 1
    stalled = run({"on": "speed", "kind": "stalled"})
    assert len(set(stalled.traces["speed_command"][stalled.time > AT + 2e-4])) == 1


@pytest.mark.parametrize(
    ("hold", "fault", "kind", "since"),
    [
        ("0 ms", {"at": "0 s"}, "not_settled", 0.03),
        ("0 ms", {"at": "5 ms", "until": "15 ms"}, "settled", 0.025),
        ("0 ms", {"at": "9.999999 ms"}, "not_settled", 0.03),
        ("0 ms", {"at": "30 ms"}, "settled", 0.01),
        ("10 ms", {"at": "5 ms"}, "not_settled", 0.04),
        ("10 ms", {"at": "5 ms", "until": "15 ms"}, "settled", 0.025),
    ],
)
def test_a_loop_that_is_stalled_does_not_settle(hold: str, fault: Table, kind: str, since: float) -> None:
    """Within a wide band nothing but the stall keeps it from settling, 10 ms behind what began last."""
    wait = {"do": "settle", "loop": "torque", "within": "1 kN m", "dwell": "10 ms", "timeout": "30 ms"}
    sequence = [*([{"do": "hold", "time": hold}] if hold != "0 ms" else []), wait, step("speed", "10 rpm")]
    found = run({"on": "torque", "kind": "stalled", **fault}, sequence=sequence)
    assert next((e.kind, e.time) for e in found.events if "settled" in e.kind) == (kind, since)


def test_an_interlock_that_does_not_act_is_noted() -> None:
    limit = {"name": "over", "watches": "ts", "above": "20 N m"}
    kept, failed = run(limit=[limit]), run({"on": "over", "kind": "does_not_act", "at": "0 s"}, limit=[limit])
    assert "tripped" in [event.kind for event in kept.events]
    kinds = [event.kind for event in failed.events]
    assert "did_not_act" in kinds and "tripped" not in kinds
    assert not np.array_equal(kept.traces["load_torque"], failed.traces["load_torque"])


def test_an_interlock_on_a_speed_trips_at_the_tick_of_the_crossing() -> None:
    """The clamped torque is constant and nothing drags, so the speed rises evenly."""
    limit = {"name": "fast", "watches": "load", "above": "100 rpm", "reaction": "1 ms"}
    loops = [speed_loop("drive", 10.0, 0.0, clamp="20 N m")]
    line = [
        servo("drive", LEFT, **LAG),
        coupling("c", STIFFNESS, damping="20 N m s/rad"),
        servo("load", RIGHT),
    ]
    found = run(limit=[limit], line=line, loop=loops, sequence=[step("speed", "1000 rpm")], duration="0.2 s")
    events = {event.kind: event.time for event in found.events}
    speed = float(np.interp(events["exceeded"], found.time, found.traces["load_speed"]))
    assert speed == pytest.approx(100.0 * math.pi / 30.0, rel=1e-3)
    assert events["torque_off"] == pytest.approx(events["tripped"] + 1e-3)


def test_an_interlock_on_an_encoder_sees_its_reading() -> None:
    encoder = {"part": "encoder", "name": "enc", "lines": 1000, "sampling": "1 kHz"}
    limit = {"name": "fast", "watches": "enc", "above": "200 rpm"}
    line = [servo("drive", LEFT, **LAG), encoder, coupling("c", STIFFNESS), servo("load", RIGHT)]
    loops = [speed_loop("drive", 20.0, 0.0)]
    moves = [{"do": "ramp", "loop": "speed", "to": "300 rpm", "over": "40 ms"}]
    keys: dict[str, Any] = {"line": line, "loop": loops, "sequence": moves, "duration": "0.1 s"}
    assert "tripped" in [event.kind for event in run(limit=[limit], **keys).events]
    blind = run({"on": "enc", "kind": "zero", "at": "1 ms"}, limit=[limit], **keys)
    assert "tripped" not in [event.kind for event in blind.events]


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ({"watches": "drive", "above": "20 N m"}, "the interlock watches a speed"),
        ({"watches": "ts", "above": "200 rpm"}, "the interlock watches a torque"),
        ({"watches": "drive", "above": "20 rpm", "quantity": "true_torque"}, "drive has no true torque"),
        ({"watches": "ts", "above": "20 N m", "quantity": "speed"}, "choose reading or true_torque"),
        ({"watches": "c", "above": "20 N m"}, "c has no reading; choose speed_difference"),
    ],
)
def test_interlocks_that_make_no_sense_are_refused(limit: Table, message: str) -> None:
    with pytest.raises(ScenarioError, match=message):
        rig(limit=[{"name": "over", **limit}])


def test_what_never_happens_is_warned_of_and_what_happened_is_not_repeated() -> None:
    late = {"name": "late", "on": "c", "kind": "broken", "at": "60 ms"}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        line = [servo("drive", LEFT), coupling("c", STIFFNESS), servo("load", RIGHT)]
        path.write_text(tomlkit.dumps({"title": "t", "duration": "50 ms", "line": line, "fault": [late]}))
        assert "never happens: the run ends at 0.05 s" in " ".join(read_scenario(path).warnings)
    with pytest.raises(ScenarioError, match="c breaks already by fault f0"):
        rig({"on": "c", "kind": "broken"}, {"on": "c", "kind": "broken", "at": "20 ms"})


def test_emergency_stops_of_both_categories() -> None:
    """Category 1 brings the line to rest first; category 0 lets it coast."""
    moves: list[Table] = [step("speed", "300 rpm"), {"do": "hold", "time": "0.2 s"}]
    loops = [speed_loop("drive", 10.0, 0.0)]
    speeds = {}
    for category in (0, 1):
        stop = {"do": "emergency_stop", "category": category, "over": "0.3 s"}
        found = run(loop=loops, sequence=[*moves, stop, {"do": "hold", "time": "0.2 s"}], duration="0.7 s")
        (off,) = [event for event in found.events if event.kind == "torque_off"]
        assert off.time == pytest.approx(0.2 + 0.3 * category)
        speeds[category] = float(found.traces["drive_speed"][-1])
        torque = found.traces["drive_torque"][found.time > off.time + 0.02]
        assert np.max(np.abs(torque)) < 1e-6
    assert speeds[0] > 20.0 and abs(speeds[1]) < 2.0


def test_energy_closes_with_the_third_power_of_the_step_while_both_machines_are_shorted() -> None:
    """Of `wheel-hub`, with currents that swing at their speed."""
    healthy = shipped("wheel-hub", "duration=0.7 s")
    shorts = tuple(Fault(name, name, "shorted", at=Fraction(3, 5)) for name in ("drive", "load"))
    residuals = [
        simulate(replace(healthy, fault=shorts), factor=factor).energies.residual for factor in (1, 2, 4)
    ]
    assert residuals[0] < 5e-7
    assert residuals[0] / residuals[1] == pytest.approx(8.0, rel=0.1)
    assert residuals[1] / residuals[2] == pytest.approx(8.0, rel=0.1)


def test_benches_with_faults_among_others_have_the_bits_of_single_runs() -> None:
    benches = [rig(), rig({"on": "c", "kind": "broken"}), rig(DRIFTS), rig({"on": "ts", "kind": "zero"})]
    band = {"name": "l", "watches": "ts", "quantity": "true_torque", "outside": ["-50 N m", "20 N m"]}
    benches += [rig(limit=[band]), rig(limit=[{**band, "outside": ["-50 N m", "25 N m"]}])]
    for description, outcome in zip(benches, simulate_many(benches), strict=True):
        assert outcome.simulation is not None
        alone = simulate(description)
        assert all(np.array_equal(alone.traces[n], outcome.simulation.traces[n]) for n in alone.traces)


WRONG = [
    ({"on": "sts", "kind": "stuck"}, '"sts" is no name in this scenario; nearest: ts'),
    ({"on": "ts", "kind": "blocked"}, '"blocked" is nothing that ts can suffer; choose one of broken, stuck'),
    ({"on": "ts", "kind": "melted"}, '"melted" is not one of: broken'),
    ({"on": "c", "kind": "broken", "until": "20 ms"}, "what is broken stays so"),
    ({"on": "ts", "kind": "zero", "until": "10 ms"}, "is not after the start at 0.0123457 s"),
    ({"on": "ts", "kind": "shifted"}, "state how far"),
    ({"on": "ts", "kind": "zero", "by": "2 N m"}, "only a shifted reading"),
    ({"on": "ts", "kind": "drifting"}, "missing: state how fast the reading goes off"),
    ({"on": "ts", "kind": "drifting", "rate": "2 N m"}, "rate"),
    ({"on": "ts", "kind": "shifted", "by": "2 N m", "rate": "2 N m/s"}, "only a drifting reading takes rate"),
    ({"on": "load", "kind": "drifting", "rate": "2 N m/s"}, '"drifting" is nothing that load can suffer'),
    ({"on": "supply", "kind": "grid_lost"}, "a stiff link does not notice the grid; state [supply] kind"),
    ({"on": "ts", "kind": "zero", "at": "1.5 ns"}, "finer than 1 ns"),
    ({"on": "ts", "kind": "zero", "at": "-1 s"}, "at"),
]


@pytest.mark.parametrize(("fault", "message"), WRONG)
def test_wrong_faults_are_refused_with_what_to_do(fault: Table, message: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        rig(fault)
    assert "fault" in str(raised.value) and message in str(raised.value)
