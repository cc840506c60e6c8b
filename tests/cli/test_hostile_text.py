"""Text from files and streams that fail: nothing steers a terminal, nothing ends in an internal error."""

import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.table import Table

from shaftloop.cli.main import cli
from shaftloop.cli.options import hand_out, say
from shaftloop.report.documents import as_json
from shaftloop.report.terminal import add_row, console, new_table, print_line, print_table
from shaftloop.scenario.shipped import shipped_folder

HARMFUL = "\x1b]0;owned\x07 \x9b2J \u202e\u2066 \x7f \u200f \udcff \u2028"
MEASUREMENT = """title = "a \\u001b[2J \\u202e b"
[quantity.mass]
value = "20 kg"
standard_uncertainty = "1 g"
meaning = "plain"
[[measurement]]
name = "m"
expression = "2 * mass"
unit = "kg"
"""


def shaftloop(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


def steers(text: str) -> list[str]:
    return [c for c in text if c in "\x1b\x07\x9b\u202e\u2066\x7f\u200f\udcff\u2028"]


def test_whatever_is_shown_to_people_is_spelt_out(capsys: pytest.CaptureFixture[str]) -> None:
    say(f"warning: {HARMFUL}\nnext line")
    print_line(HARMFUL)
    table = new_table(HARMFUL, "name", HARMFUL)
    add_row(table, "a", HARMFUL)
    print_table(table)
    console().print(Table(title=HARMFUL))
    shown = capsys.readouterr()
    assert steers(shown.out) == steers(shown.err) == []
    assert "\\x1b]0;owned\\x07 \\x9b2J \\u202e\\u2066 \\x7f \\u200f \\udcff \\u2028\nnext line\n" in shown.err


def test_styles_of_our_own_still_reach_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    shown = Terminal()
    monkeypatch.setattr("sys.stdout", shown)
    monkeypatch.setenv("TERM", "xterm")
    print_table(new_table("a title", "name"))
    assert "\x1b[1m" in shown.getvalue() and "a title" in shown.getvalue()


def test_a_document_for_machines_says_the_same_with_nothing_that_steers() -> None:
    document = {HARMFUL: [HARMFUL, "Ω °C"]}
    text = as_json(document)
    assert steers(text) == [] and "Ω °C" in text
    assert json.loads(text) == document


def test_a_title_of_a_measurement_steers_no_terminal(tmp_path: Path) -> None:
    path = tmp_path / "mass.toml"
    path.write_text(MEASUREMENT, encoding="utf-8")
    for option in ((), ("--json",)):
        result = shaftloop("uncertainty", str(path), "--out", str(tmp_path / "out"), *option)
        assert result.exit_code == 0 and steers(result.output) == []
    assert r"\x1b[2J \u202e" in shaftloop("uncertainty", str(path), "--out", str(tmp_path / "out")).output


def test_a_document_goes_out_whatever_the_stream_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(raw, encoding="latin-1"))
    hand_out('"Ω"\n')
    assert raw.getvalue() == '"Ω"\n'.encode()


@pytest.mark.parametrize(
    "setting", ['loop.speed.acts_on=""', 'loop.speed.reads=""', 'unit=""', 'sequence.0.loop=""', 'title=" "']
)
def test_an_empty_name_is_refused(setting: str) -> None:
    result = shaftloop("modes", "reference-bench", "--json", "--set", setting)
    assert result.exit_code == 2
    assert result.output.startswith(f"--set {setting}: the text is empty; leave the key out")


@pytest.mark.parametrize("key", ["<script>", "<Coupling>", "a.b", "\\u0007"])
def test_a_key_of_any_look_is_unknown_with_its_place(tmp_path: Path, key: str) -> None:
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(text.replace('name = "c1"\n', f'name = "c1"\n"{key}" = 1\n'), encoding="utf-8")
    line = text[: text.index('name = "c1"\n')].count("\n") + 2
    result = shaftloop("modes", str(path), "--json")
    shown = key.replace("\\u0007", "\\x07")
    assert result.exit_code == 2
    assert result.output.startswith(f"{path}:{line}: line.c1.{shown}: unknown key; known here: part, name")


def test_what_a_bench_lacks_is_said_with_its_place(tmp_path: Path) -> None:
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    path = tmp_path / "bench.toml"
    path.write_text("".join(row for row in text.splitlines(True) if not row.startswith("unit =")))
    result = shaftloop("fidelity", str(path), "--json")
    assert result.exit_code == 2
    assert result.output.startswith(f"{path}:1: unit: the scenario does not say")
    rated = text[: text.index("\nrated = ")].count("\n") + 2
    path.write_text(text, encoding="utf-8")
    result = shaftloop("uncertainty", str(path), "--json", "--point", "500 rpm, 5000 N m")
    assert result.exit_code == 2
    assert result.output.startswith(
        f"{path}:{rated}: line.2.rated: operating point 500 rpm, 5000 N m: beyond"
    )
