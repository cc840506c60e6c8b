"""What README.md and DEVELOPERS.md show works as it stands there."""

import re
import shlex
import textwrap
from pathlib import Path
from typing import Any, get_args, get_type_hints

import click
import pytest

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


def blocks(text: str, language: str) -> list[str]:
    """Return the code blocks of a language, without their indentation."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```$", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(block) for _, block in found]


def shown_commands() -> list[list[str]]:
    """Return the command lines of the README that begin with the tool itself."""
    lines = [line for block in blocks(README, "sh") for line in block.splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith("shaftloop ")]


def run_block(code: str) -> dict[str, Any]:
    names: dict[str, Any] = {"__name__": "readme"}
    exec(compile(code, "README", "exec"), names)
    return names


@pytest.mark.compiled
def test_the_scenario_runs_and_the_torque_settles(tmp_path: Path) -> None:
    (text,) = blocks(README, "toml")
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
    table = README.partition("| `do =` | what it does |")[2].partition("\n\n")[0]
    kinds = [get_args(get_type_hints(step)["do"])[0] for step in get_args(SequenceStep)]
    assert set(kinds) <= set(re.findall(r"`(\w+)`", table))


@pytest.mark.compiled
def test_the_python_lines_run(capsys: pytest.CaptureFixture[str]) -> None:
    names = run_block("\n".join(blocks(README, "python")))
    assert names["torque"].shape == names["time"].shape
    rise, margins, delays, *_, lanes_1, lanes_2, lanes_3 = capsys.readouterr().out.splitlines()
    assert rise.split()[1] == "s" and margins.startswith("True ")
    assert all(0.0 < float(delay) < 0.1 for delay in delays.split())
    assert all(line.startswith("True ") for line in (lanes_1, lanes_2, lanes_3))


@pytest.mark.parametrize("arguments", shown_commands(), ids=" ".join)
def test_a_shown_command_is_understood(arguments: list[str]) -> None:
    verb, *rest = arguments
    context = cli.commands[verb].make_context(verb, rest)
    if "scenario" in context.params:
        read_scenario(context.params["scenario"], context.params["settings"])


def test_there_is_a_shown_command_for_every_option_of_simulate() -> None:
    lines = [arguments for arguments in shown_commands() if arguments[0] == "simulate"]
    shown = {word for arguments in lines for word in arguments if word.startswith("--")}
    options = {opt for p in cli.commands["simulate"].params if isinstance(p, click.Option) for opt in p.opts}
    assert shown == {option for option in options if option.startswith("--")}


def test_every_command_and_every_shipped_scenario_is_named() -> None:
    assert set(re.findall(r"`shaftloop ([a-z]+)", README)) == set(cli.commands)
    assert [name for name in shipped_names() if f"| `{name}` |" not in README] == []


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_lead_somewhere_and_pictures_are_small(text: str) -> None:
    headings = {
        re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")
        for document in (README, DEVELOPERS)
        for heading in re.findall(r"^#+ (.*)$", document, re.MULTILINE)
    }
    for target in re.findall(r"\]\(([^)]+)\)", text):
        path, _, anchor = target.partition("#")
        assert (ROOT / path).exists(), target
        assert not anchor or anchor in headings, target
        assert Path(path).suffix != ".png" or (ROOT / path).stat().st_size < MOST_BYTES, target
