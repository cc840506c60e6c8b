"""`shaftloop report`: files, exit codes, JSON, and what is refused before anything runs."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli

pytestmark = pytest.mark.compiled


def report(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["report", *arguments])


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_report_is_one_file_and_the_answer_comes_first() -> None:
    result = report("wheel-hub", "--only", "expectations,modes")
    assert result.exit_code == 0, result.output
    first, second, *_ = result.stdout.splitlines()
    assert first == (
        "Yes: all 9 demands hold (9 expectations). Not answered here: what happens when something fails."
    )
    assert second.startswith("Nearest to its bound: ")
    assert [str(path) for path in Path().rglob("*.*")] == ["shaftloop-out/wheel-hub/report.html"]


def test_the_page_spells_arguments_as_options() -> None:
    report("wheel-hub", "--only", "fidelity", "--out", "here")
    page = Path("here/report.html").read_text(encoding="utf-8")
    assert "--ripple" in page and "`ripple`" not in page


def test_json_names_the_files_and_what_holds() -> None:
    result = report("wheel-hub", "--only", "expectations", "--json", "--out", "here")
    document = json.loads(result.stdout)
    assert document["holds"] is True and document["files"] == ["here/report.html"]
    assert Path("here/report.html").is_file()
    assert {entry["kind"] for entry in document["demands"]} == {"expectation"}
    assert [section["name"] for section in document["sections"]] == ["expectations"]
    assert json.loads(report("wheel-hub", "--only", "line", "--json").stdout)["files"] == []


def test_an_expectation_that_does_not_hold_fails_and_is_said_first() -> None:
    result = report("wheel-hub", "--only", "expectations", "--set", "loop.torque.ki=400 1/s")
    assert result.exit_code == 1 and result.stdout.startswith("No: ")
    assert "What does not hold" in result.stdout and Path("shaftloop-out/wheel-hub/report.html").is_file()


def test_what_a_log_says_of_a_value_is_a_section() -> None:
    short = ["--set", "duration=0.9 s"]
    CliRunner().invoke(cli, ["simulate", "wheel-hub", *short, "--json", "--traces", "run.csv"])
    told = ["--log", "run.csv", "--free", "line.load.inertia", "--only", "identification"]
    result = report("wheel-hub", *short, *told, "--json")
    (section,) = json.loads(result.stdout)["sections"]
    assert section["name"] == "identification" and "line.load.inertia" in " ".join(section["answer"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only", "margin"], "no such section; known: expectations"),
        (["--format", "doc"], '"doc" is no format; choose html, pdf'),
        (["--log", "none.csv"], "none.csv"),
        (["--free", "line.c1.stiffness"], "--free: of use with --log alone; add it"),
        (["--study", "hub-gains"], "is a study of"),
    ],
)
def test_what_is_wrong_is_refused_before_anything_runs(arguments: list[str], words: str) -> None:
    result = report("truck-axle", *arguments)
    assert result.exit_code == 2 and words in result.output
    assert not list(Path().rglob("report.*"))


def test_without_a_browser_a_pdf_is_refused_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    result = report("wheel-hub", "--format", "html,pdf")
    assert result.exit_code == 2
    assert "printed by Chromium, which is not in PATH; install it, or take --format html" in result.output
