"""The command line in this process: documents, files, exit codes and messages."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.group import Commands
from shaftloop.cli.main import cli
from shaftloop.cli.options import Request
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.shipped import shipped_names

SHORT = ("--set", "duration=30 ms")


WILD = """\
title = "Gains beyond all reason"
duration = "1 s"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "1e18 N m"
max_speed = "3000 rpm"

[[line]]
part = "coupling"
name = "c1"
stiffness = "25 kN m/rad"

[[line]]
part = "flywheel"
name = "disc"
diameter = "200 mm"
width = "20 mm"

[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive"
rate = "4 kHz"
kp = "1e6 N m s/rad"
ki = "0 N m/rad"
clamp = "1e18 N m"

[[sequence]]
do = "step"
loop = "speed"
to = "100 rpm"
"""


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


def run(*arguments: str) -> Result:
    return call("simulate", "reference-bench", *SHORT, *arguments)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)


def files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_json_prints_one_document_and_writes_nothing(tmp_path: Path) -> None:
    result = run("--json")
    assert result.exit_code == 0
    assert all(line.startswith("warning: ") for line in result.stderr.splitlines())
    document = json.loads(result.stdout)
    assert {"scenario", "provenance", "metrics", "events"} <= set(document)
    assert document["metrics"]["peak_true_torque"]["unit"] == "N m"
    assert files(tmp_path) == []


def test_results_go_to_a_folder_of_their_own(tmp_path: Path) -> None:
    result = run()
    assert result.exit_code == 0
    # The answer comes first, and all of it goes to stdout; warnings go elsewhere.
    assert result.stdout.startswith("The run of 0.03 s ends with no interlock tripped; every part stays ")
    assert "torque rise time" in result.stdout and "written to shaftloop-out/reference-bench" in result.stdout
    assert all(line.startswith("warning: ") for line in result.stderr.splitlines())
    names = ["energy.png", "metrics.json", "overview.png", "traces.npz"]
    assert files(tmp_path) == [f"shaftloop-out/reference-bench/{name}" for name in names]


def test_json_writes_what_is_asked_for(tmp_path: Path) -> None:
    result = run("--json", "--traces", "t.csv")
    assert files(tmp_path) == ["t.csv"]
    json.loads(result.stdout)
    result = run("--json", "--out", "results")
    assert result.exit_code == 0
    assert (tmp_path / "results" / "metrics.json").read_text(encoding="utf-8") == result.stdout


def test_the_same_run_gives_the_same_results_whatever_the_stepper_is_named() -> None:
    first, second = (json.loads(run("--json").stdout) for _ in range(2))
    assert first["metrics"] == second["metrics"]
    assert json.loads(run("--json", "--method", "rk4").stdout)["provenance"]["method"] == "rk4"


def test_settings_reach_the_scenario() -> None:
    result = run("--json", "--set", "loop.torque.kp=0.1", "--set", "seed=9")
    document = json.loads(result.stdout)
    assert document["provenance"]["seed"] == 9
    assert document["scenario"]["hash"] != json.loads(run("--json").stdout)["scenario"]["hash"]


def test_verify_is_in_the_document() -> None:
    document = json.loads(run("--json", "--verify").stdout)
    assert document["verify"]["factor"] == 2
    assert document["verify"]["largest"]["relative"]["value"] < 1e-2


def test_overlay_of_a_run_on_itself(tmp_path: Path) -> None:
    run("--json", "--traces", "own.csv")
    result = run("--json", "--overlay", "own.csv", "--overlay-offset", "0 s", "--out", "o")
    channels = json.loads(result.stdout)["overlay"]["channels"]
    assert channels["true_torque"]["rms"] == {"value": 0.0, "unit": "N m"}
    assert {"o/overlay.png"} <= set(files(tmp_path))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["simulate", "nothing.toml"], "no such file and no shipped scenario"),
        (
            ["simulate", "reference-bench", "--set", "loop.torque.kpp=1"],
            "--set loop.torque.kpp=1: unknown key; nearest: kp",
        ),
        (["simulate", "reference-bench", "--traces", "t.xls"], "t.xls: unknown ending"),
        (["simulate", "reference-bench", "--out", "blocked"], "blocked: cannot be written: File exists"),
        (["simulate", "reference-bench", "--overlay", "none.csv"], "none.csv: cannot be read: No such file"),
        (
            ["simulate", "reference-bench", "--overlay", "blocked", "--overlay-offset", "12"],
            "--overlay-offset: ",
        ),
        (
            ["simulate", "reference-bench", "--overlay-offset", "1 s"],
            "--overlay-offset: of use with --overlay alone; add it",
        ),
        (["fidelity", "reference-bench", "--lever", "60 mm"], "--lever: of use with --crosstalk alone"),
        (["sensors", "reference-bench", "--tolerance", "3 %"], "--tolerance: of use with --bandwidth alone"),
        (["study", "reference-bench", "--json", "--fresh"], "--fresh: with --json nothing is kept"),
        (["modes", "wheel-hub", "--json", "--pictures", "svg"], "--pictures: with --json none are drawn"),
        (["simulate", "reference-bench", "--method", "euler"], "'euler' is not one of"),
        (["simulate"], "Missing argument 'SCENARIO'"),
        (["simulat", "x"], "No such command 'simulat'"),
    ],
)
def test_bad_input_ends_with_2_and_a_message(tmp_path: Path, arguments: list[str], message: str) -> None:
    (tmp_path / "blocked").write_text("")
    result = call(*arguments)
    assert result.exit_code == 2
    assert message in result.output
    assert "Traceback" not in result.output and result.stdout == ""
    assert files(tmp_path) == ["blocked"]


def test_warnings_of_the_scenario_are_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    from shaftloop.scenario import reading

    plain = reading.read_scenario("reference-bench", ["duration=30 ms"])
    monkeypatch.setattr(
        reading, "read_scenario", lambda *_: dataclasses.replace(plain, warnings=("a:1: odd",))
    )
    result = run("--json")
    assert "warning: a:1: odd" in result.output
    assert json.loads(result.stdout)["warnings"] == ["a:1: odd"]


def test_energy_that_hardly_closes_is_a_warning(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shaftloop.answers.run.check_energy", lambda _: ["the energy leaks"])
    result = run("--json")
    assert result.exit_code == 0 and "warning: the energy leaks" in result.output
    assert json.loads(result.stdout)["warnings"][-1] == "the energy leaks"


def test_a_run_that_diverges_ends_with_3_and_advice(tmp_path: Path) -> None:
    (tmp_path / "wild.toml").write_text(WILD, encoding="utf-8")
    result = call("simulate", "wild.toml", "--out", "o")
    assert (result.exit_code, result.stdout) == (3, "")
    assert "the bench diverged at t = " in result.output and "lower the gains" in result.output
    assert files(tmp_path) == ["wild.toml"]


@pytest.mark.parametrize(
    ("error", "code", "message"),
    [
        (SimulationError("it broke", "try this"), 3, "it broke\ntry this\n"),
        (ScenarioError(["a:1: x", "a:2: y"]), 2, "a:1: x\na:2: y\n"),
        (KeyboardInterrupt(), 130, "interrupted\n"),
        (BrokenPipeError(), 0, ""),
        (
            OSError(28, "No space left on device"),
            2,
            "output: No space left on device; choose another place\n",
        ),
        (
            ValueError("never seen"),
            3,
            "internal error, please report it with the scenario: ValueError: never seen\n"
            "shaftloop --debug ... shows where it comes from\n",
        ),
    ],
)
def test_exit_codes(error: BaseException, code: int, message: str) -> None:
    result = CliRunner().invoke(failing(error), ["fail"])
    assert (result.exit_code, result.output) == (code, message)


def failing(error: BaseException) -> Commands:
    @click.group(cls=Commands)
    @click.option("--debug", is_flag=True)
    def group(debug: bool) -> None:
        pass

    @group.command()
    def fail() -> None:
        raise error

    return group


def test_debug_shows_where_an_internal_error_comes_from() -> None:
    result = CliRunner().invoke(failing(ValueError("never seen")), ["--debug", "fail"])
    assert result.exit_code == 3
    assert "Traceback" in result.output and "raise error" in result.output


def test_listing() -> None:
    lines = call("scenarios").stdout.splitlines()
    assert [line.split()[0] for line in lines] == shipped_names()
    listed: dict[str, Any] = json.loads(call("scenarios", "--json").stdout)
    assert [entry["name"] for entry in listed["scenarios"]] == shipped_names()
    assert all(entry["title"] for entry in listed["scenarios"])


def test_schema_is_json() -> None:
    assert json.loads(call("schema").stdout)["title"] == "shaftloop scenario"


def test_version() -> None:
    result = call("--version")
    assert result.exit_code == 0 and result.stdout.startswith("shaftloop")


def test_version_of_a_tree_that_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    from importlib import metadata

    def missing(name: str) -> str:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "version", missing)
    assert "not installed as a package" in call("--version").stdout


def test_the_folder_of_the_results() -> None:
    assert Request("x", (), None, False).folder("bench") == Path("shaftloop-out/bench")
    assert Request("x", (), None, True).folder("bench") is None
    assert Request("x", (), Path("o"), True).folder("bench") == Path("o")


def test_a_part_beyond_its_limit_ends_with_1_unless_that_is_allowed() -> None:
    overload = ("--json", "--set", "line.c1.limit=30 N m")
    result = run(*overload)
    document = json.loads(result.stdout)
    assert result.exit_code == 1 and document["answer"][0].startswith("The run does not hold: c1 sees ")
    assert any("beyond its limit of 30 N m" in warning for warning in document["warnings"])
    assert "warning: c1 sees " in result.stderr
    (load,) = [entry for entry in document["ratings"] if entry["part"] == "c1"]
    assert load["beyond_limit"] and not load["beyond_rating"] and load["limit"]["value"] == 30.0
    assert run(*overload, "--allow-overload").exit_code == 0


def test_the_nearest_part_is_measured_by_its_rating_where_it_states_one() -> None:
    """A high limit torque does not hide how near a part is to what it carries for good."""
    overload = ("--json", "--set", "line.ts.limit=1000 N m")
    first, torque, energy = json.loads(run(*overload).stdout)["answer"]
    share = torque.partition("N m, ")[2].partition("%")[0]
    assert first.endswith(f"ts nearest with {share}% of its torque rating.")
    assert "; the largest loss is " in energy
