"""What README.md, DEVELOPERS.md and docs/ show works as it stands there."""

import json
import re
import runpy
import shlex
import textwrap
from pathlib import Path
from typing import Any, get_args, get_type_hints

import click
import pytest
from click.testing import CliRunner

from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import simulate
from shaftloop.cli.main import cli
from shaftloop.scenario.description import SequenceStep
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_names

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MOST_BYTES = 150_000
PAGES = {path.name: path.read_text(encoding="utf-8") for path in sorted((ROOT / "docs").glob("*.md"))}
SHOWN = "\n".join([README, *PAGES.values()])
QUICK = {"simulate", "modes", "margins", "fidelity", "check"}
"""Commands whose sample answers are asked for anew; the others take too long for that."""


def blocks(text: str, language: str) -> list[str]:
    """Return the code blocks of a language, without their indentation."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```$", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(block) for _, block in found]


def shown_commands() -> list[list[str]]:
    """Return the command lines of all documents that begin with the tool itself."""
    lines = [line for block in blocks(SHOWN, "sh") for line in block.replace("\\\n", "").splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith("shaftloop ")]


def run_block(code: str) -> dict[str, Any]:
    names: dict[str, Any] = {"__name__": "readme"}
    exec(compile(code, "README", "exec"), names)
    return names


@pytest.mark.compiled
def test_the_scenario_runs_and_the_torque_settles(tmp_path: Path) -> None:
    (text,) = blocks(PAGES["scenario.md"], "toml")
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    scenario = read_scenario(path)
    assert scenario.warnings == ()
    run = simulate(scenario.description)
    found = metrics(run)
    assert [event.kind for event in run.events] == ["settled"]
    assert (found["torque_settling_time"].value or 1.0) < 0.2
    assert run.energies.residual < 1e-5


def test_every_step_of_a_sequence_has_a_row() -> None:
    table = PAGES["scenario.md"].partition("| `do =` | what it does |")[2].partition("\n\n")[0]
    kinds = [get_args(get_type_hints(step)["do"])[0] for step in get_args(SequenceStep)]
    assert set(kinds) <= set(re.findall(r"`(\w+)`", table))


@pytest.mark.compiled
def test_the_python_lines_run(capsys: pytest.CaptureFixture[str]) -> None:
    names = run_block("\n".join(blocks(PAGES["python.md"], "python")))
    assert names["torque"].shape == names["time"].shape
    rise, margins, delays, *_, lanes_1, lanes_2, lanes_3 = capsys.readouterr().out.splitlines()
    assert rise.split()[1] == "s" and margins.startswith("True ")
    assert all(0.0 < float(delay) < 0.1 for delay in delays.split())
    assert all(line.startswith("True ") for line in (lanes_1, lanes_2, lanes_3))


@pytest.mark.compiled
def test_a_log_is_planned_and_fitted_from_python(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names = run_block("\n".join(blocks(PAGES["logs.md"], "python")))
    within, against, *_ = capsys.readouterr().out.splitlines()
    assert 0.0 < float(within) < 0.01 and against == "()"
    assert abs(names["stiffness"].value - 23e3) < 3.5 * names["stiffness"].deviation
    assert "line.c1.stiffness" in names["answer"]._repr_html_()


@pytest.mark.parametrize("arguments", shown_commands(), ids=" ".join)
def test_a_shown_command_is_understood(arguments: list[str]) -> None:
    verb, *rest = arguments
    context = cli.commands[verb].make_context(verb, rest)
    if "scenario" in context.params:
        read_scenario(context.params["scenario"], context.params["settings"])


@pytest.mark.compiled
def test_the_way_from_data_sheets_to_the_report_works_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (text,) = blocks((ROOT / "docs" / "report.md").read_text(encoding="utf-8"), "sh")
    for line in text.splitlines():
        verb, *rest = shlex.split(line, comments=True)[1:]
        assert CliRunner().invoke(cli, [verb, *rest]).exit_code == 0, line
    assert (tmp_path / "shaftloop-out" / "hub" / "report.html").is_file()


def test_there_is_a_shown_command_for_every_option_of_simulate() -> None:
    lines = [arguments for arguments in shown_commands() if arguments[0] == "simulate"]
    shown = {word for arguments in lines for word in arguments if word.startswith("--")}
    options = {opt for p in cli.commands["simulate"].params if isinstance(p, click.Option) for opt in p.opts}
    assert shown == {option for option in options if option.startswith("--")}


def test_every_command_and_every_shipped_scenario_is_named() -> None:
    assert set(re.findall(r"`shaftloop ([a-z]+)", README)) == set(cli.commands)
    assert [name for name in shipped_names() if f"| `{name}` |" not in README] == []


def anchors(text: str) -> set[str]:
    """Return what the headings of a document are called in links."""
    found = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in found}


DOCUMENTS = {"README.md": README, "DEVELOPERS.md": DEVELOPERS} | {f"docs/{k}": v for k, v in PAGES.items()}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere_and_pictures_are_small(name: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", DOCUMENTS[name]):
        path, _, anchor = target.partition("#")
        place = ((ROOT / name).parent / path).resolve() if path else ROOT / name
        assert place.exists(), target
        assert not anchor or anchor in anchors(place.read_text(encoding="utf-8")), target
        assert place.suffix != ".png" or place.stat().st_size < MOST_BYTES, target


def test_readme_is_read_in_two_minutes() -> None:
    prose = re.sub(r"```.*?```|^\|.*?$", "", README, flags=re.DOTALL | re.MULTILINE)
    assert len(prose.split()) < 2 * 240  # Words a minute; tables are looked at, not read.


def samples() -> list[tuple[str, str]]:
    """Return the commands of the README's questions and their sample answers."""
    rows = re.findall(r"^\| [^|]+\? \| `shaftloop ([^`]+)` \| (.+) \|$", README, re.MULTILINE)
    return [(command, answer) for command, answer in rows if command.split()[0] in QUICK]


@pytest.mark.parametrize(("command", "answer"), samples())
def test_a_sample_answer_is_what_the_command_says(command: str, answer: str) -> None:
    result = CliRunner().invoke(cli, [*shlex.split(command), "--json"])
    assert answer in json.loads(result.stdout)["answer"]


def test_every_quick_command_has_a_sample_answer() -> None:
    assert {command.split()[0] for command, _ in samples()} == QUICK


def test_pages_that_follow_from_the_program_are_up_to_date() -> None:
    made = runpy.run_path(str(ROOT / "docs" / "make_reference.py"))["pages"]()
    for name, text in made.items():
        assert PAGES[name] == text, f"run docs/make_reference.py: {name}"
    assert "| `loss_factor_psi` | energy lost per cycle" in made["scenario-reference.md"]


def test_every_page_is_in_the_contents() -> None:
    site = (ROOT / "mkdocs.yml").read_text(encoding="utf-8")
    for contents in (site, PAGES["index.md"] + "index.md"):
        assert [name for name in PAGES if not re.search(rf"\b{re.escape(name)}", contents)] == []


def test_the_documents_make_a_site(tmp_path: Path) -> None:
    pytest.importorskip("mkdocs", reason="the site needs the extra docs")
    from mkdocs.commands.build import build
    from mkdocs.config import load_config

    config = load_config(str(ROOT / "mkdocs.yml"), site_dir=str(tmp_path), strict=True)
    build(config)
    assert {path.parent.name for path in tmp_path.glob("*/index.html")} >= {"gains", "safety", "limits"}
