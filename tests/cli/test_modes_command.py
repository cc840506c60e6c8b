"""The command `modes`."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from shaftloop.cli.main import cli


def test_json_is_one_document_and_no_file_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(cli, ["modes", "reference-bench", "--json"])
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["modes"][0]["frequency"]["value"] == pytest.approx(147.55, abs=0.05)
    assert document["meetings"]
    assert list(tmp_path.iterdir()) == []


def test_files(tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["modes", "wheel-hub", "--out", str(tmp_path / "out")])
    assert result.exit_code == 0
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"modes.json", "modes.svg", "modes.png", "interference.svg", "interference.png"}


def test_bad_input() -> None:
    result = CliRunner().invoke(cli, ["modes", "wheel-hub", "--speed", "fast"])
    assert result.exit_code == 2
    assert "--speed" in result.stderr and "1500 rpm" in result.stderr
