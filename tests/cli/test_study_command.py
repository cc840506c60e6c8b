"""`shaftloop study`: files, JSON, exit codes."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli
from shaftloop.studies.whatif.designs import Plan
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import open_store

STUDY = """
title = "Couplings <b>"
scenario = "reference-bench"
settings = ["expect=[]"]
[[factor]]
path = "line.c1.stiffness"
low = "10 kN m/rad"
high = "40 kN m/rad"
count = 3
scale = "log"
[[factor]]
path = "line.drive.inertia"
low = "0.01 kg m^2"
high = "0.04 kg m^2"
count = 3
[design]
kind = "grid"
[[constraint]]
metric = "modes.1.frequency"
at_least = "60 Hz"
[[objective]]
metric = "modes.2.frequency"
goal = "maximise"
"""


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "s.toml").write_text(STUDY, encoding="utf-8")


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["study", "s.toml", "--workers", "1", *arguments])


def test_files_tables_and_resuming(tmp_path: Path) -> None:
    result = call()
    assert result.exit_code == 0, result.stderr
    folder = tmp_path / "shaftloop-out" / "s"
    names = {path.name for path in folder.iterdir()}
    pictures = {f"{name}.{kind}" for name in ("effects", "contours", "parallel") for kind in ("svg", "png")}
    assert names == {"study.json", "candidates.csv", "results.sqlite"} | pictures
    assert "9 of 9 candidates done" in result.stderr and "Best candidates" in result.stderr
    assert "<b>" not in (folder / "effects.svg").read_text(encoding="utf-8")
    lines = (folder / "candidates.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith(
        "candidate,status,reason,line.c1.stiffness [kN m/rad],line.drive.inertia [kg m^2]"
    )
    assert len(lines) == 10
    assert "9 of 9 candidates are done already" in call().stderr


def test_json_is_one_document_and_writes_nothing(tmp_path: Path) -> None:
    result = call("--json")
    document = json.loads(result.stdout)
    assert document["candidates"] == {"total": 9, "done": 9, "not_done": 0}
    assert document["bounds"][0]["metric"] == "modes.1.frequency"
    best = document["ranked"][0]["figures"]["modes.2.frequency"]
    assert best["unit"] == "Hz" and best["value"] == max(
        entry["figures"]["modes.2.frequency"]["value"] for entry in document["ranked"]
    )
    assert document["ranked"][0]["candidate"] in document["front"]
    assert [path.name for path in tmp_path.iterdir()] == ["s.toml"]


def test_a_bound_that_nothing_keeps_leaves_nothing_to_rank(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(STUDY.replace("60 Hz", "60 kHz"), encoding="utf-8")
    document = json.loads(call("--json").stdout)
    assert (document["passed"], document["ranked"], document["front"]) == (0, [], [])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--cluster", "tcp://127.0.0.1:1"), "--workers counts processes of this machine"),
        (("--set", "loop.torqe.kp=1"), "nearest: torque"),
        (("--out", "s.toml"), "cannot be written"),
    ],
)
def test_bad_input_is_exit_2(arguments: tuple[str, ...], says: str) -> None:
    result = call(*arguments)
    assert result.exit_code == 2 and says in result.stderr


def test_a_study_of_another_version_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    study = read_study(tmp_path / "s.toml")
    with open_store(tmp_path / "out" / "results.sqlite", study, Plan(study.axes, study.design)):
        pass
    result = call("--set", "line.ts.stiffness=50 kN m/rad", "--out", "out")
    assert result.exit_code == 2 and "changed: scenario" in result.stderr
