"""`shaftloop check`: exit codes, files, folders and messages."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from checkbench import EXPECTED, fake_figures, write_bench
from shaftloop.cli.main import cli
from shaftloop.report import files


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["check", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(call(*arguments, "--json").stdout)
    return found


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """Work in an empty folder, on figures that are closed forms of the gains."""
    monkeypatch.chdir(tmp_path)
    if request.node.get_closest_marker("compiled") is None:
        fake_figures(monkeypatch)


def listed(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@pytest.mark.compiled
def test_a_shipped_scenario_is_what_it_says_and_a_faster_gain_is_not(tmp_path: Path) -> None:
    assert call("wheel-hub").exit_code == 0
    gains = Path(__file__).parents[2] / "docs" / "faster-gains.toml"
    result = call("wheel-hub", "--gains", str(gains), "--picture", "p.svg", "--markdown", "m.md")
    assert result.exit_code == 1
    for said in (
        "gains changed: torque.ki: 120 1/s → 200 1/s",
        "compared with the scenario as it stands",
        "FAILED: Ms of torque rose from 1.4",
        "torque settling time fell from 78",
        "better by",
        "(elastomer couplings differ by 20 % from piece to piece)",
    ):
        assert said in result.output
    assert listed(tmp_path) == ["m.md", "p.svg"]


def test_all_holds(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    result = call("b.toml")
    assert result.exit_code == 0
    assert "3 of 3 expectations hold" in result.output and "no baseline: only the bounds" in result.output
    assert listed(tmp_path) == ["b.toml"]


def test_json_is_one_document(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    found = document("b.toml")
    assert (found["status"], found["refused"]) == ("passed", [])
    (scenario,) = found["scenarios"]
    assert [entry["status"] for entry in scenario["expectations"]] == 3 * ["passed"]
    assert document("b.toml", "--set", "loop.torque.kp=0.7")["status"] == "failed"


def test_a_baseline_is_written_and_compared_with(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    result = call("b.toml", "--update-baseline")
    assert result.exit_code == 0 and "written to .: b.baseline.toml" in result.output
    assert "no baseline" not in result.output
    text = (tmp_path / "b.baseline.toml").read_text(encoding="utf-8")
    assert '\n"margins.torque.phase_margin" = "60 deg"\n' in text
    assert call("b.toml").exit_code == 0
    write_bench(path, EXPECTED, ("kp = 0.40", "kp = 0.45"))
    result = call(".")
    assert result.exit_code == 1
    assert "gains changed: torque.kp: 0.4 → 0.45" in result.output
    assert (
        "FAILED: phase margin of torque fell from 60° to 55°: lost 5° (8.3 %), 3° allowed; the limit 35° "
        "is now 20° away, before 25°" in result.output
    )
    assert "torque rise time fell from 10 ms to 8.889 ms, better by 1.11 ms (11 %)" in result.output
    assert call("b.toml", "--update-baseline").exit_code == 0 and call("b.toml").exit_code == 0
    assert (tmp_path / "b.baseline.toml").read_text(encoding="utf-8") != text


def test_a_baseline_of_another_version_of_the_bench_is_named(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    call("b.toml", "--update-baseline")
    write_bench(path, EXPECTED, ('latency = "3 samples"', 'latency = "4 samples"'))
    result = call("b.toml")
    assert result.exit_code == 1 and "3 of 3 expectations hold, 1 stale baseline" in result.output
    assert "b.baseline.toml is of another version of the bench, which differs in line.ts" in result.output
    assert document("b.toml")["scenarios"][0]["baseline"]["bench_changed"] == ["line.ts"]


def test_a_shipped_scenario_needs_a_place_for_its_baseline(tmp_path: Path) -> None:
    result = call("reference-bench", "--update-baseline")
    assert result.exit_code == 2
    assert (
        "reference-bench: ships with the package: say where its baseline goes with --baseline"
        in result.output
    )
    write_bench(tmp_path / "b.toml")
    assert call("b.toml", "--update-baseline", "--baseline", "kept/here").exit_code == 0
    assert call("b.toml", "--update-baseline", "--baseline", "kept/own.toml").exit_code == 0
    assert listed(tmp_path / "kept") == ["here/b.baseline.toml", "own.toml"]
    assert call("b.toml", "--baseline", "kept/here").exit_code == 0


def test_every_scenario_is_reported_and_the_worst_counts(tmp_path: Path) -> None:
    write_bench(tmp_path / "x" / "a.toml")
    write_bench(tmp_path / "x" / "b.toml", EXPECTED, ("kp = 0.40", "kp = 0.70"))
    assert call("x").exit_code == 1
    write_bench(tmp_path / "x" / "c.toml", EXPECTED, ("kp = 0.40", "kp = 6.0"))
    result = call("x", "--junit", "j.xml", "--markdown", "m.md")
    assert result.exit_code == 3
    assert "ERROR: torque rise time could not be found: the bench diverges at 0.1 s; lower" in result.output
    assert "1 could not be found" in result.output and "0.1 above the limit 1.6" in result.output
    assert listed(tmp_path)[:2] == ["j.xml", "m.md"]
    (tmp_path / "x" / "d.toml").write_text("[[expect]]\nmetric", encoding="utf-8")
    result = call("x")
    assert result.exit_code == 2 and "x/d.toml: refused" in result.output
    assert "x/d.toml:2: not valid TOML" in result.output and "a.toml" not in result.stdout
    assert document("x")["refused"][0]["name"] == "x/d.toml"
    assert call("x/d.toml").stdout.startswith("Nothing was checked, 1 refused.")


def test_no_baseline_is_written_of_a_bench_that_fails_to_run(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml", EXPECTED, ("kp = 0.40", "kp = 6.0"))
    assert call("b.toml", "--update-baseline").exit_code == 3
    assert listed(tmp_path) == ["b.toml"]


def test_gains_from_a_table(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    (tmp_path / "g.csv").write_text("path,value\nloop.torque.kp,0.7\n", encoding="utf-8")
    result = call("b.toml", "--gains", "g.csv")
    assert result.exit_code == 1 and "Ms of torque rose from 1.4 to 1.7" in result.output
    assert "(soft couplings)" in result.output


def test_a_picture_that_cannot_be_drawn_does_not_end_the_check(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    result = call("b.toml", "--picture", "p.svg")
    assert result.exit_code == 0
    assert "warning: no picture: no gain has changed, so there is nothing to draw" in result.output
    assert call("none.toml", "--picture", "p.svg").exit_code == 2
    assert listed(tmp_path) == ["b.toml"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "Missing argument 'PATH...'"),
        (["none"], "no such file and no shipped scenario"),
        (["b.toml", "--gains", "none.toml"], "none.toml: cannot be read: No such file"),
        (["b.toml", "--gains", "g.toml"], 'g.toml:1: "loop.torq.kp" is no gain of this bench; nearest: '),
        (["b.toml", "--baseline", "none.toml"], "none.toml: cannot be read: No such file"),
        (["b.toml", "--baseline", "g.toml"], "g.toml:1: loop: unknown key"),
        (["b.toml", "c.toml", "--baseline", "x.toml"], "one file for several scenarios; name a folder"),
        (["b.toml", "c.toml", "--picture", "x.svg"], "--picture shows one scenario"),
        (["b.toml", "--picture", "x.pdf"], "--picture writes .svg or .png"),
        (["b.toml", "--junit", "no/where/j.xml"], "no/where: cannot be written"),
        (["c.toml"], '"margins.torque.sm" is no figure of this bench; nearest: margins.torque.m'),
        (["d.toml"], "d.toml: nothing is expected; add an [[expect]]"),
        (["b.toml", "--set", "loop.torque.kpp=1"], "unknown key; nearest: kp"),
    ],
)
def test_bad_input_ends_with_2_and_a_message(tmp_path: Path, arguments: list[str], message: str) -> None:
    write_bench(tmp_path / "b.toml")
    write_bench(tmp_path / "c.toml", '\n[[expect]]\nmetric = "margins.torque.sm"\nat_most = 1\n')
    write_bench(tmp_path / "d.toml", "")
    (tmp_path / "g.toml").write_text("loop.torq.kp = 1\n", encoding="utf-8")
    before = listed(tmp_path)
    result = call(*arguments)
    assert result.exit_code == 2
    assert message in result.output and "Traceback" not in result.output
    assert listed(tmp_path) == before


def test_a_folder_that_takes_no_files_is_named_before_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Permissions do not hold for root, so the refusal of the system is put in by hand."""
    write_bench(tmp_path / "b.toml")

    def refuse(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(files.Path, "write_bytes", refuse)
    for option in (["--update-baseline"], ["--junit", "j.xml"]):
        result = call("b.toml", *option)
        assert result.exit_code == 2
        assert "cannot be written: Read-only file system; choose another place" in result.output
    assert listed(tmp_path) == ["b.toml"]


def test_warnings_of_a_scenario_are_passed_on(tmp_path: Path) -> None:
    limit = '\n[[limit]]\nname = "high"\nwatches = "ts"\nabove = "600 N m"\n'
    write_bench(tmp_path / "b.toml", EXPECTED + limit)
    result = call("b.toml")
    assert result.exit_code == 0 and "warning: b.toml:" in result.output and "is never read" in result.output


def test_a_sweep_of_clocks_that_leaves_phases_out_is_said(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    clocks = ("line.ts", "loop.speed", "loop.torque")
    free = [word for clock in clocks for word in ("--set", f"{clock}.free_running=true")]
    assert document("b.toml")["scenarios"][0]["warnings"] == []
    (said,) = document("b.toml", *free)["scenarios"][0]["warnings"]
    assert "ts have more than 128 combinations worth a look" in said
    assert said in " ".join(call("b.toml", *free).output.split())


def test_expectations_hold_at_the_corners_of_tolerances_too(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    held = call("b.toml", "--tolerance", "loop.torque.kp=±1%", "--tolerance", "loop.torque.ki=±1%")
    assert held.exit_code == 0 and "15 of 15 expectations hold" in held.output
    assert "b at loop.torque.kp -1 %, loop.torque.ki +1 %: " in held.output
    broken = call("b.toml", "--tolerance", "loop.torque.kp=±90%")
    assert broken.exit_code == 1
    assert ", at loop.torque.kp " in broken.output.splitlines()[1]
    corners = [
        entry["corner"] for entry in document("b.toml", "--tolerance", "loop.torque.kp=±1%")["scenarios"]
    ]
    assert corners == [None, "loop.torque.kp -1 %", "loop.torque.kp +1 %"]


def test_intervals_of_a_log_are_tolerances_of_the_check(tmp_path: Path) -> None:
    write_bench(tmp_path / "b.toml")
    figures = {"value": 30.0, "standard_deviation": 0.5, "low": 29.0, "high": 31.0}
    entry = {"path": "loop.torque.ki"} | {k: {"value": x, "unit": "1/s"} for k, x in figures.items()}
    found = {"parameters": [entry], "not_told_alone": [], "contradicted": False}
    (tmp_path / "fit.json").write_text(json.dumps(found))
    assert "b at loop.torque.ki=29 1/s: " in call("b.toml", "--tolerance", "fit.json").output
    refused = call("b.toml", "--tolerance", "none.json")
    assert refused.exit_code == 2 and "cannot be read: No such file" in refused.output
    many = [word for i in range(6) for word in ("--tolerance", f"loop.torque.kp=±{i + 1}%")]
    assert "6 of them make 64 corners; give at most 5" in call("b.toml", *many).output
    assert "leave --tolerance out" in call("b.toml", "--update-baseline", "--tolerance", "fit.json").output
