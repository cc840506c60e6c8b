"""Shell completion: what a shell is told to offer."""

from pathlib import Path

import pytest
from click.shell_completion import ShellComplete

from shaftloop.cli.main import cli
from shaftloop.scenario.shipped import shipped_folder, shipped_names


def offered(*words: str) -> list[str]:
    """Return what is offered for the last word."""
    shell = ShellComplete(cli, {}, "shaftloop", "_SHAFTLOOP_COMPLETE")
    return [item.value for item in shell.get_completions(list(words[:-1]), words[-1])]


def test_verbs_options_and_shipped_names_are_offered() -> None:
    assert offered("sh") == ["show"] and "--patience" in offered("simulate", "--pa")
    assert offered("simulate", "") == shipped_names()
    assert offered("simulate", "wheel") == ["wheel-hub"]
    assert offered("study", "") == [""], "files only: shipped studies have other names"


def test_paths_are_those_of_the_scenario_at_hand(tmp_path: Path) -> None:
    assert offered("simulate", "wheel-hub", "--set", "loop.torque.k") == [
        "loop.torque.kp=",
        "loop.torque.ki=",
        "loop.torque.kd=",
    ]
    text = (shipped_folder() / "wheel-hub.toml").read_text(encoding="utf-8")
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace('name = "c1"', 'name = "claw"'), encoding="utf-8")
    assert "line.claw.stiffness=" in offered("margins", str(mine), "--set", "line.claw.")


@pytest.mark.parametrize("words", [("simulate",), ("simulate", "no-such-bench")])
def test_nothing_is_offered_and_nothing_breaks_without_a_scenario(words: tuple[str, ...]) -> None:
    assert offered(*words, "--set", "loop.") == []
