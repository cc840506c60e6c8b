"""`shaftloop size`: what is asked of the parts, what they stand, and what else would do."""

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from rigs import Table, coupling, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.cli.main import cli
from shaftloop.scenario.description import Description, Fault
from shaftloop.studies.faults import run_faults, standard_faults
from shaftloop.studies.responses import evaluate
from shaftloop.studies.sizing import Sized, size_figures, size_parts

pytestmark = pytest.mark.compiled


def rig(rated: float = 100.0, limit: float = 200.0, speed: str = "200 rpm") -> Description:
    """Return two machines that carry 40 N m for a third of the time."""
    line: list[Table] = [
        servo("drive", 0.02, time_constant="1 ms", rated_torque="30 N m", max_speed="2000 rpm"),
        sensor("ts", 5e3, rated=f"{rated} N m", limit=f"{limit} N m", damping="2 N m s/rad"),
        {"part": "flywheel", "name": "f", "inertia": "0.001 kg m^2"},
        coupling("c", 2e4, rated="60 N m", damping="2 N m s/rad"),
        servo("load", 0.03, time_constant="1 ms", max_speed="2000 rpm"),
    ]
    hold = {"do": "hold", "time": "0.1 s"}
    moves = [step("speed", speed), hold, step("torque", "40 N m"), hold, step("torque", "0 N m"), hold]
    loops = [speed_loop("drive", 2.0, 20.0), torque_loop("load", "ts")]
    return describe({"line": line, "loop": loops, "sequence": moves})


def test_a_rating_counts_against_the_rms_and_a_limit_against_the_worst_fault() -> None:
    description = rig()
    found = {(entry.part, entry.quantity): entry for entry in size_parts(description)}
    torque = simulate(description).traces["ts_torque"]
    entry = found["ts", "torque"]
    assert entry.rms == pytest.approx(float(np.sqrt(np.mean(torque**2))))
    assert entry.fault is not None and entry.fault > entry.sequence and entry.worst is not None
    assert entry.worst.fault.kind == "blocked"
    assert entry.used == pytest.approx(max(entry.rms / 100.0, entry.fault / 200.0))
    assert found["c", "torque"].doubt == "states no limit for faults"
    assert (
        found["drive", "torque"].serves and found["drive", "torque"].doubt == "above its rating for a while"
    )
    assert ("load", "torque") not in found
    figures = size_figures(tuple(found.values()))
    assert figures["ts.torque.used"].value == entry.used


def test_the_healthy_bench_is_run_once_for_sequence_and_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Description] = []

    def counted(description: Description, **more: Any) -> Simulation:
        if "trail" not in more:
            asked.append(description)
        return simulate(description, **more)

    for module in ("sizing", "faults"):
        monkeypatch.setattr(f"shaftloop.studies.{module}.simulate", counted)
    seized = Fault("seized", "load", "blocked", Fraction(1, 4))
    found = size_parts(replace(rig(limit=1e6), fault=(seized,)))
    assert [description.fault for description in asked] == [()]
    alone = run_faults(rig(limit=1e6), standard_faults(rig(limit=1e6)))
    blocked = max((load.peak, run.moment) for run in alone for load in run.loads if load.part == "ts")
    entry = next(entry for entry in found if (entry.part, entry.quantity) == ("ts", "torque"))
    assert entry.worst is not None and (entry.fault, entry.worst.moment) == blocked


def test_a_part_file_that_would_do_is_named(tmp_path: Path) -> None:
    text = 'part = "torque_sensor"\nstiffness = "5 kN m/rad"\nsampling = "10 kHz"\n'
    for name, rated, limit in (("strong", 400, 4000), ("weak", 22, 60), ("silent", 400, None)):
        more = "" if limit is None else f'limit = "{limit} N m"\n'
        (tmp_path / f"{name}.toml").write_text(f'{text}rated = "{rated} N m"\n{more}')
    description = rig(rated=20.0, limit=45.0)
    found = size_parts(description, sorted(tmp_path.glob("*.toml")), faults=False)
    entry = next(entry for entry in found if entry.part == "ts")
    assert entry.serves is False and entry.others == ("strong",)


def test_what_the_scenario_lets_fail_is_a_fault_and_no_part_of_the_sequence() -> None:
    fault = Fault("seized", "load", "blocked", Fraction(1, 4))
    description = rig()
    plain = {(e.part, e.quantity): e for e in size_parts(description, faults=False)}
    stated = {(e.part, e.quantity): e for e in size_parts(replace(description, fault=(fault,)), faults=False)}
    assert plain == stated


def test_a_part_file_that_the_bench_breaks_in_a_run_is_not_named(tmp_path: Path) -> None:
    """Both state enough for what the sensor sees now; in its place a stiffer one sees 0.4 % more."""

    def sensor_of(description: Description, *files: Path) -> Sized:
        found = size_parts(description, files)
        return next(entry for entry in found if (entry.part, entry.quantity) == ("ts", "torque"))

    seen = sensor_of(rig(speed="1500 rpm")).fault
    assert seen is not None
    for name, stiffness in (("soft", "5"), ("stiff", "50")):
        (tmp_path / f"{name}.toml").write_text(
            f'part = "torque_sensor"\nstiffness = "{stiffness} kN m/rad"\nsampling = "10 kHz"\n'
            f'damping = "2 N m s/rad"\nrated = "100 N m"\nlimit = "{1.002 * seen} N m"\n'
        )
    entry = sensor_of(rig(limit=0.8 * seen, speed="1500 rpm"), *sorted(tmp_path.glob("*.toml")))
    assert entry.serves is False and entry.worst is not None and entry.worst.fault.kind == "blocked"
    assert entry.others == ("soft",)


def test_the_command_answers_first_and_exits_with_1_where_a_part_does_not_serve() -> None:
    arguments = ["size", "wheel-hub", "--no-faults", "--json"]
    good = CliRunner().invoke(cli, arguments)
    assert good.exit_code == 0 and json.loads(good.stdout)["answer"][0].startswith("Every part stands")
    short = CliRunner().invoke(
        cli, [*arguments, "--set", "line.ts.limit='80 N m'", "--set", "line.ts.rated='70 N m'"]
    )
    document = json.loads(short.stdout)
    assert short.exit_code == 1 and document["answer"][0].startswith(
        "ts does not stand what the sequence asks"
    )
    assert {entry["part"] for entry in document["parts"] if entry["serves"] is False} == {"ts"}
    shown = CliRunner().invoke(cli, arguments[:-1]).stdout
    assert "a table lateral; here none has" in " ".join(shown.split()) and "Caution" in shown


def bent(**more: str) -> list[str]:
    keys = {"span": "150 mm", "diameter": "40 mm", "mass": "2.2 kg", "balance_grade": "6.3 mm/s"} | more
    table = ", ".join(f'{key}="{value}"' for key, value in keys.items())
    return ["size", "wheel-hub", "--no-faults", "--set", f"line.ts.lateral={{{table}}}"]


def test_a_sensor_in_bending_is_held_against_its_critical_speed() -> None:
    # 2.2 kg on two couplings of 50 N/mm ride at √(2·5e4/2.2) = 213 rad/s = 2036 rpm, of which 1/1.2 is free.
    carried = [f"--set=line.{name}.radial_stiffness='50 N/mm'" for name in ("c1", "c2")]
    result = CliRunner().invoke(cli, [*bent(), *carried, "--json"])
    document = json.loads(result.stdout)
    lateral = document["lateral"]
    critical = lateral["ts.critical_speed"]["value"]
    assert critical == pytest.approx((2 * 5e4 / 2.2) ** 0.5, rel=1e-3)
    entry = next(e for e in document["parts"] if e["quantity"] == "speed_in_bending")
    assert entry["rated"]["value"] == pytest.approx(critical / 1.2)
    assert entry["used"]["value"] == pytest.approx(entry["sequence"]["value"] / critical * 1.2)
    # The sensor states no largest speed, so that of the faster machine counts.
    service = 5000.0 * np.pi / 30.0
    unbalance = 6.3e-3 * 2.2 / service
    assert lateral["ts.residual_unbalance"]["value"] == pytest.approx(unbalance)
    force = next(e for e in document["parts"] if e["quantity"] == "unbalance_force")
    assert force["sequence"]["value"] == pytest.approx(unbalance * entry["sequence"]["value"] ** 2)
    assert force["serves"] is None and document["warnings"] == []


def test_a_sensor_that_turns_too_near_its_critical_speed_does_not_serve() -> None:
    result = CliRunner().invoke(cli, bent(span="400 mm", diameter="8 mm", mass="12 kg"))
    words = " ".join(result.stdout.split())
    assert result.exit_code == 1 and words.startswith(
        "ts does not stand what the sequence asks of the line: ts in"
    )
    assert "Make ts stiffer, shorter or lighter" in words and "G 6.3" in words
    assert "counts as carried stiffly on the left and the right" in " ".join(result.stderr.split())


def test_critical_speeds_are_responses_of_checks_and_studies() -> None:
    description = describe(
        {
            "line": [
                servo("drive", 0.02, max_speed="2000 rpm"),
                {"part": "shaft", "name": "s", "diameter": "30 mm", "length": "600 mm", "lateral": {}},
                servo("load", 0.03, max_speed="2000 rpm"),
            ],
            "sequence": [{"do": "hold", "time": "1 ms"}],
        }
    )
    found = evaluate(description, ["lateral.s.critical_speed", "lateral.s.unbalance_force"])
    speed = found["lateral.s.critical_speed"].value
    # First bending mode of a uniform shaft on stiff supports: (π/L)²·√(E/ρ)·d/4.
    assert speed == pytest.approx((np.pi / 0.6) ** 2 * (207e9 / 7850.0) ** 0.5 * 0.03 / 4.0, rel=1e-4)
    assert found["lateral.s.unbalance_force"].reason == "no balance_grade is stated"
