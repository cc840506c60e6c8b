"""`shaftloop faults`: which faults a bench stands, from the command, from Python, as figures."""

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from rigs import (
    RECTIFIER,
    Table,
    coupling,
    describe,
    fed_bench,
    hold,
    ramp,
    sensor,
    servo,
    speed_loop,
    step,
    torque_loop,
)
from shaftloop.analysis.cost import PATIENCE, have_patience
from shaftloop.analysis.ratings import loads
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.faults import find_faults
from shaftloop.cli.main import cli
from shaftloop.errors import CostError
from shaftloop.report.faults.room import details, verdict
from shaftloop.report.faults.verdict import happens
from shaftloop.scenario.description import Description, Fault
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.faults import (
    _OUTAGES,
    AFTER,
    BY_SEQUENCE,
    FaultRun,
    found_figures,
    run_again,
    run_faults,
    standard_faults,
)
from shaftloop.studies.guarding import try_interlocks
from shaftloop.studies.responses import evaluate, known

pytestmark = pytest.mark.compiled

LEFT, RIGHT, STIFFNESS = 0.02, 0.03, 5e3
SPEED = 60.0


def rig(**keys: Table | list[Table]) -> Description:
    """Return two machines on one spring, which turn at 60 rad/s with next to no torque."""
    line = [
        servo("drive", LEFT, time_constant="1 ms", max_speed="1000 rpm"),
        coupling("c", 2e6),
        {"part": "flywheel", "name": "f", "inertia": "0.0001 kg m^2"},
        sensor("ts", STIFFNESS, rated="100 N m", limit="200 N m", range="150 N m"),
        servo("load", RIGHT, time_constant="1 ms", max_speed="1000 rpm"),
    ]
    ramp = {"do": "ramp", "loop": "speed", "to": "60 rad/s", "over": "0.2 s"}
    moves = [step("torque", "2 N m"), ramp, {"do": "hold", "time": "0.3 s"}]
    loops = [speed_loop("drive", 1.0, 0.0), torque_loop("load", "ts")]
    return describe({"line": line, "loop": loops, "sequence": moves, **keys})


def one(description: Description, name: str, kind: str) -> FaultRun:
    return run_faults(description, [named(description, f"{name}.{kind}")])[0]


def named(description: Description, name: str) -> Fault:
    return next(fault for fault in standard_faults(description) if fault.name == name)


def test_everything_that_can_fail_is_tried_once() -> None:
    assert [(fault.on, fault.kind) for fault in standard_faults(rig())] == [
        *(("drive", kind) for kind in ("blocked", "torque_off", "command_stuck")),
        ("c", "broken"),
        *(("ts", kind) for kind in ("broken", "stuck", "zero", "full_scale")),
        *(("load", kind) for kind in ("blocked", "torque_off", "command_stuck")),
        ("speed", "stalled"),
        ("torque", "stalled"),
    ]


def test_a_blocked_machine_loads_the_line_as_the_energy_of_the_other_says() -> None:
    """The other machine stops on the springs: ½·J·ω² = ½·T²/k, with both springs in series."""
    found = one(rig(), "load", "blocked")
    stiffness = 1.0 / (1.0 / STIFFNESS + 1.0 / 2e6)
    assert found.worst is not None and found.worst.part == "ts" and found.damages
    assert found.worst.peak == pytest.approx(SPEED * math.sqrt(LEFT * stiffness), rel=0.03)
    assert found.share == pytest.approx(found.worst.peak / 200.0)


def test_interlocks_are_left_out_where_asked_and_their_reaction_is_from_the_fault() -> None:
    limit = {"name": "over", "watches": "ts", "above": "50 N m", "reaction": "2 ms"}
    description = rig(limit=[limit])
    kept = run_faults(description, [named(description, "load.blocked")])[0]
    bare = run_faults(description, [named(description, "load.blocked")], protected=False)[0]
    assert kept.tripped == "over" and kept.reaction is not None and kept.off is not None
    assert kept.off == pytest.approx(kept.reaction + 2e-3, abs=2e-4)
    assert bare.tripped is None and bare.off is None


def test_a_part_that_broke_is_not_judged_and_the_others_are() -> None:
    found = one(rig(), "ts", "broken")
    assert {load.part for load in found.loads} == {"drive", "c", "load"}
    assert found.worst is not None and found.worst.part != "c"
    assert found.tried % 4 == 0


def test_figures_for_checks_and_studies() -> None:
    description = rig()
    names = ["faults.load.blocked.share", "faults.ts.zero.torque_away"]
    assert {*names, "faults.damaging"} <= set(known(description, names))
    found = evaluate(description, names)
    assert found[names[0]].value == pytest.approx(one(description, "load", "blocked").share)
    assert found[names[1]].value is None and "nothing takes" in (found[names[1]].reason or "")


def test_the_command_says_which_fault_is_worst_and_exits_with_1(tmp_path: Path) -> None:
    wanted = ["faults", "wheel-hub", "--fault", "load.blocked", "--fault", "ts.zero", "--out", str(tmp_path)]
    result = CliRunner().invoke(cli, [*wanted, "--json"])
    assert result.exit_code == 1
    document = json.loads(result.stdout)
    assert document["answer"][0].startswith("The bench does not stand its faults: 1 of 2")
    assert [fault["kind"] for fault in document["faults"]] == ["blocked", "zero"]
    assert (
        document["faults"][0]["interlock"] == "overtorque" and "guard that holds" in document["cautions"][0]
    )
    assert {path.name for path in tmp_path.iterdir()} == {"faults.json", "faults.png"}
    shown = CliRunner().invoke(cli, [*wanted, "--pictures", "none"]).stdout
    assert "load is blocked" in shown and "DAMAGE" in shown and "Caution" in shown


def test_torque_that_the_sequence_takes_away_is_not_the_interlocks() -> None:
    """An emergency stop behind the fault, an interlock that trips behind it, and one that trips before."""
    stop = [step("torque", "2 N m"), hold("0.1 s"), {"do": "emergency_stop", "category": 0}]
    late = {"name": "late", "watches": "drive", "above": "1 rad/s", "debounce": "0.2 s"}
    fault = {"name": "dead", "on": "ts", "kind": "zero", "at": "0.05 s"}
    description = rig(sequence=stop, fault=[fault], duration="0.2 s")
    found = run_faults(description, [description.fault[0]])[0]
    assert (found.off, found.kept) == (None, BY_SEQUENCE)
    name = "faults.dead.torque_away"
    figure = evaluate(description, [name])[name]
    assert figure.value is None and figure.reason == BY_SEQUENCE
    fast = rig(limit=[late | {"debounce": "0 s"}], fault=[fault | {"at": "0.4 s"}])
    found = run_faults(fast, [fast.fault[0]])[0]
    assert (found.off, found.kept) == (None, "late took it away before the fault")


def test_a_fault_of_the_scenario_is_tried_at_its_time_with_its_second_failure() -> None:
    limit = {"name": "over", "watches": "ts", "above": "50 N m"}
    stated = [
        {"name": "seized", "on": "load", "kind": "blocked", "at": "0.3 s"},
        {"name": "asleep", "on": "over", "kind": "does_not_act", "at": "0 s"},
    ]
    description = rig(limit=[limit], fault=stated)
    chosen = standard_faults(description)
    assert [fault.name for fault in chosen][-2:] == ["torque.stalled", "seized"]
    alone = run_faults(description, [named(description, "load.blocked")])[0]
    found = run_faults(description, [named(description, "seized")])[0]
    assert (found.tried, float(found.fault.at), found.moment) == (1, 0.3, "as the scenario states")
    assert (happens(found), happens(alone)) == ("load is blocked at 0.3 s", "load is blocked")
    assert alone.tripped == "over" and found.tripped is None
    assert "faults.seized.ts.torque" in known(description, ["faults.seized.ts.torque"])


FED = [ramp("1500 rpm", "0.2 s"), step("torque", "80 N m"), hold("0.2 s"), step("torque", "0 N m")]
BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}


def test_grid_and_brake_resistor_fail_where_the_bench_has_them() -> None:
    """Without the resistor the energy of the line goes into the link: ½·C·(V² − V0²) = ½·J·ω²."""
    moves = [*FED, ramp("0 rpm", "0.05 s"), hold("0.05 s")]
    description = fed_bench(
        RECTIFIER | {"overvoltage": "800 V"}, moves, brake_resistor=[BRAKE], efficiency=1.0
    )
    names = [fault.name for fault in standard_faults(description)]
    assert names[-3:] == ["supply.grid_lost", "supply.grid_returns", "brake.open"]
    runs = run_faults(description, [named(description, name) for name in names[-3:]])
    found = {run.fault.name: run for run in runs}
    volts = {load.quantity: load.peak for load in found["brake.open"].loads if load.part == "link"}
    kinetic, start = 0.5 * 0.1 * (1500 * math.pi / 30) ** 2, 540.2
    assert volts["voltage"] == pytest.approx(math.sqrt(start**2 + 2 * kinetic / 2e-3), rel=0.05)
    lost, back = found["supply.grid_lost"], found["supply.grid_returns"]
    assert lost.lowest_voltage is not None and lost.lowest_voltage < start - 20.0
    assert back.fault.until is not None and back.fault.until - back.fault.at in _OUTAGES
    assert lost.tried % 4 == 0 and back.tried % 12 == 0
    figures = found_figures(description, runs)
    assert figures["supply.grid_lost.link.lowest_voltage"].value == lost.lowest_voltage


def test_an_interlock_is_recommended_only_where_it_was_seen_to_save_the_bench() -> None:
    """The speed loop that stalls runs away: an interlock on the speed saves it, none saves a blocked line."""
    description = rig(limit=[{"name": "over", "watches": "ts", "above": "50 N m"}])
    stalls = one(description, "drive", "command_stuck")
    runs = [one(description, "load", "blocked"), stalls]
    assert all(run.damages for run in runs) and stalls.tripped is None
    found = try_interlocks(description, runs)
    assert found is not None and found.tried == found.saved == (stalls,)
    assert {(limit.watches, limit.quantity) for limit in found.limits} == {
        ("drive", "speed"),
        ("load", "speed"),
    }
    again = replace(description, limit=(*description.limit, *found.limits))
    assert not run_again(again, [stalls])[0].damages and run_again(again, runs)[0].damages
    # Blocked, it is no matter of speed: no interlock is fast enough, so none is recommended.
    wild = replace(stalls, fault=replace(stalls.fault, on="drive", kind="blocked"), tripped=None)
    lost = try_interlocks(description, [wild])
    assert lost is not None and lost.saved == ()
    assert try_interlocks(description, runs[:1]) is None


def test_left_out_interlocks_are_said_to_save_what_they_save() -> None:
    description = rig(limit=[{"name": "fast", "watches": "drive", "above": "700 rpm"}])
    scenario = replace(read_scenario("wheel-hub"), description=description)
    answer = find_faults(scenario, ["drive.command_stuck", "load.blocked"], protected=False)
    assert [run.fault.name for run in answer.saved] == ["drive.command_stuck"]
    assert verdict(answer)[1].startswith(
        "The interlocks are left out here; they save 1 of 2: where drive keeps"
    )
    shown = [piece for piece in details(answer) if not isinstance(piece, str)]
    table = next(piece for piece in shown if piece.title == "What the parts see")
    assert [head.partition("\n")[0] for head in table.columns][1:] == [
        *("drive, speed", "ts, torque", "load, speed", "c, torque")
    ]
    assert any(cell.endswith(" !") for row in table.rows for cell in row)


def test_a_name_that_does_not_fail_is_refused_with_the_nearest() -> None:
    result = CliRunner().invoke(cli, ["faults", "wheel-hub", "--fault", "load.blokced"])
    assert result.exit_code == 2 and "load.blocked" in result.stderr


def test_a_run_that_takes_too_long_is_refused_and_is_no_fault_that_does_damage() -> None:
    description = rig()
    have_patience(0.02)  # Enough for the healthy bench, not for hundreds of its runs.
    try:
        with pytest.raises(CostError, match="such are needed"):
            run_faults(description, standard_faults(description))
    finally:
        have_patience(PATIENCE)


def test_what_follows_the_healthy_bench_ends_with_the_bits_of_a_run_of_its_own() -> None:
    """Past interlocks that see their limit exceeded, and a step that waits."""
    limits = [
        {"name": "fast", "watches": "drive", "above": "50 rad/s", "debounce": "10 s"},
        {"name": "twist", "watches": "ts", "above": "2.5 N m", "debounce": "2 ms"},
    ]
    ramp = {"do": "ramp", "loop": "speed", "to": "60 rad/s", "over": "0.2 s"}
    settle = {"do": "settle", "loop": "torque", "within": "0.5 N m", "dwell": "20 ms", "timeout": "0.2 s"}
    description = rig(
        limit=limits, sequence=[step("torque", "2 N m"), settle, ramp, {"do": "hold", "time": "0.2 s"}]
    )
    found = run_faults(description, standard_faults(description))
    own = [simulate(replace(description, fault=(run.fault,), duration=run.fault.at + AFTER)) for run in found]
    for run, alone in zip(found, own, strict=True):
        assert tuple(load for load in run.loads if load.rated or load.limit) == tuple(
            load for load in loads(alone) if (load.part, "broken") != (run.fault.on, run.fault.kind)
        )
    before = [
        event.kind
        for run, alone in zip(found, own, strict=True)
        for event in alone.events
        if event.time < run.fault.at
    ]
    assert {"exceeded", "settled"} <= set(before) and len({run.fault.at for run in found}) > 2
