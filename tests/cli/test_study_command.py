"""`shaftloop study`: documents, files, exit codes, going on after an interrupt, and messages."""

import csv
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli
from shaftloop.figures import Figure
from shaftloop.report.study import room
from shaftloop.studies.responses import SOURCES, ResponseSource
from shaftloop.studies.whatif.store import ResultStore

STUDY = """\
title = "Couplings <&>"
scenario = "reference-bench"
settings = ["duration=20 ms"]
expectations = false

[design]
kind = "grid"

[[factor]]
path = "line.c1.stiffness"
low = "10 kN m/rad"
high = "40 kN m/rad"
count = 4

[[factor]]
path = "line.c2.damping"
values = ["1 N m s/rad", "-1 N m s/rad", "4 N m s/rad", "8 N m s/rad"]

[[constraint]]
metric = "modes.2.frequency"
at_most = "750 Hz"

[[objective]]
metric = "modes.1.frequency"
goal = "maximise"

[[objective]]
metric = "modes.1.damping_ratio"
goal = "maximise"
"""
FILES = ["candidates.csv", "results.sqlite", "study.json"]


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["study", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = call(*arguments, "--json", "--workers", "1")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in a folder with one study, without pictures, which cost more than all the rest."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(room, "pictures", lambda _: ())
    (tmp_path / "s.toml").write_text(STUDY, encoding="utf-8")


def files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_json_prints_one_document_and_writes_nothing(tmp_path: Path) -> None:
    found = document("s.toml", "--top", "3")
    assert files(tmp_path) == ["s.toml"]
    assert found["design"] == {"kind": "grid", "count": None, "seed": 0, "candidates": 16}
    counts = found["candidates"]
    assert (counts["total"], counts["done"]) == (16, 12)
    (refused,) = counts["not_done"]
    assert (refused["status"], refused["count"], refused["first"]) == ("refused", 4, 1)
    assert "-1 N m s/rad" in refused["reason"]
    (bound,) = found["constraints"]
    assert bound["at_most"] == {"value": 750.0, "unit": "Hz"} and bound["at_least"]["reason"] == "no bound"
    assert bound["kept"] == counts["passed"] < 12
    assert len(found["ranked"]) == 3
    best = found["ranked"][0]
    assert best["factors"]["line.c1.stiffness"]["unit"] == "kN m/rad"
    # The front comes first, by the first objective; whoever is beaten comes behind it.
    front = found["front"]
    frequencies = [entry["figures"]["modes.1.frequency"]["value"] for entry in front["candidates"]]
    assert frequencies == sorted(frequencies, reverse=True)
    assert found["ranked"][: front["count"]] == front["candidates"][:3]
    assert found["main_effects"][0]["span"]["unit"] == "Hz"
    assert found["sensitivity"] == [] and found["yield"]["value"] is None and found["yield"]["reason"]
    assert found["factors"]["line.c1.stiffness"]["scale"] == "linear"
    assert found["warnings"][1:] == ["4 of 16 candidates are not done: see their reasons"]


def test_results_go_to_a_folder_of_their_own_and_are_the_same_with_more_processes(tmp_path: Path) -> None:
    result = call("s.toml")
    assert result.exit_code == 0, result.output
    assert "best candidates" in result.output and "12 of 16 candidates done" in result.output
    assert "frequency of mode 2 at most 750.0 Hz" in result.output
    assert files(tmp_path / "shaftloop-out" / "s") == FILES
    assert call("s.toml", "--workers", "1", "--out", "o").exit_code == 0
    for name in FILES:
        if name != "results.sqlite":
            first, second = (tmp_path / "shaftloop-out" / "s" / name), (tmp_path / "o" / name)
            assert first.read_bytes() == second.read_bytes(), name


def test_an_interrupted_study_goes_on_and_ends_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = document("s.toml", "--out", "whole")
    add, added = ResultStore.add, []

    def interrupted(store: ResultStore, rows: Any) -> None:
        add(store, rows)
        added.append(len(rows))
        if len(added) == 5:
            raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(ResultStore, "add", interrupted)
        result = call("s.toml", "--out", "o", "--workers", "1")
    assert result.exit_code == 130
    assert "10 of 16 candidates are done and kept; the same command goes on from there" in result.output
    assert files(tmp_path / "o") == ["results.sqlite"]
    again = call("s.toml", "--out", "o", "--workers", "1", "--json")
    assert "going on: 10 of 16 candidates are there already" in again.output
    assert json.loads(again.stdout) == whole
    table = [(tmp_path / name / "candidates.csv").read_bytes() for name in ("whole", "o")]
    assert table[0] == table[1]
    with monkeypatch.context() as patch:
        added.clear()
        patch.setattr(ResultStore, "add", interrupted)
        lost = call("s.toml", "--json", "--workers", "1")
    assert (lost.exit_code, lost.stdout) == (130, "")
    assert "10 of 16 candidates are done and lost; name a folder by --out" in lost.output


def test_what_is_there_so_far_is_shown_while_a_study_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add, seen = ResultStore.add, []

    def looked_at(store: ResultStore, rows: Any) -> None:
        add(store, rows)
        seen.append(call("s.toml", "--out", "o", "--so-far", "--json"))
        seen.append(call("s.toml", "--out", "o", "--so-far", "--table", "t.csv"))

    empty = call("s.toml", "--so-far")
    assert empty.exit_code == 2
    assert "shaftloop-out/s/results.sqlite: no results of this study yet; run it, or name" in empty.output
    with monkeypatch.context() as patch:
        patch.setattr(ResultStore, "add", looked_at)
        assert call("s.toml", "--out", "o", "--workers", "1").exit_code == 0
    found = json.loads(seen[6].stdout)
    assert found["candidates"] | {"not_done": [], "passed": 0} == {
        "total": 16,
        "evaluated": 8,
        "done": 6,
        "passed": 0,
        "simulated": None,
        "not_done": [],
    }
    assert found["warnings"][-2:] == [
        "only 8 of 16 candidates are there so far: all that is said is of these",
        "2 of 8 candidates are not done: see their reasons",
    ]
    assert "6 of 8 candidates done" in seen[7].output and "of 8" in seen[7].output
    assert len((tmp_path / "t.csv").read_text().splitlines()) == 17
    assert files(tmp_path / "o") == FILES
    whole = json.loads(call("s.toml", "--out", "o", "--so-far", "--json").stdout)
    assert whole == document("s.toml", "--out", "o")


def test_a_changed_study_is_named_and_can_be_begun_anew(tmp_path: Path) -> None:
    document("s.toml", "--out", "o")
    change(tmp_path / "s.toml", "40 kN", "60 kN")
    result = call("s.toml", "--out", "o", "--workers", "1")
    assert (
        result.exit_code == 2
        and "changed: factor line.c1.stiffness; name another folder by --out" in result.output
    )
    assert (
        document("s.toml", "--out", "o", "--fresh")["factors"]["line.c1.stiffness"]["high"]["value"] == 60.0
    )


def test_the_table_has_a_row_for_every_candidate(tmp_path: Path) -> None:
    found = document("s.toml", "--out", "o", "--table", "t.parquet")
    with (tmp_path / "o" / "candidates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["candidate"]) for row in rows] == list(range(16))
    assert list(rows[0])[3:5] == ["line.c1.stiffness [kN m/rad]", "line.c2.damping [N m s/rad]"]
    assert sum(int(row["passes"]) for row in rows) == found["candidates"]["passed"]
    assert {int(row["candidate"]) for row in rows if row["front"] == "1"} == {
        entry["candidate"] for entry in found["front"]["candidates"]
    }
    best = found["ranked"][0]
    shown = float(rows[best["candidate"]]["modes.1.frequency [Hz]"])
    assert shown == best["figures"]["modes.1.frequency"]["value"]
    assert rows[1]["status"] == "refused" and rows[1]["modes.1.frequency [Hz]"] == ""
    parquet = pytest.importorskip("pyarrow.parquet").read_table(tmp_path / "t.parquet")
    assert parquet.column_names == list(rows[0]) and parquet.num_rows == 16
    assert parquet["modes.1.frequency [Hz]"][best["candidate"]].as_py() == shown
    with sqlite3.connect(tmp_path / "o" / "results.sqlite") as db:
        assert db.execute("SELECT count(*) FROM candidates").fetchone() == (16,)
    db.close()


def test_indices_of_a_study_for_them(tmp_path: Path) -> None:
    change(tmp_path / "s.toml", 'kind = "grid"', 'kind = "saltelli"\ncount = 32')
    change(tmp_path / "s.toml", '"-1 N m s/rad", ', "")
    found = document("s.toml", "--out", "o")
    assert found["design"]["candidates"] == 32 * 4
    frequency = next(entry for entry in found["sensitivity"] if entry["figure"] == "modes.1.frequency")
    assert frequency["indices"][0]["factor"] == "line.c1.stiffness" and frequency["indices"][0]["total"] > 0.8
    shown = call("s.toml", "--out", "o", "--workers", "1")
    assert "with others" in shown.output and "going on: 128 of 128" in shown.output


def test_the_yield_of_a_study_that_draws(tmp_path: Path) -> None:
    text = """\
[[factor]]
path = "line.c1.stiffness"
distribution = "lognormal"
spread = "10 %"

[[factor]]
path = "line.c2.damping"
distribution = "triangular"
low = "1 N m s/rad"
high = "4 N m s/rad"
"""
    head, _, tail = STUDY.partition("[[factor]]")
    tail = tail[tail.index("[[constraint]]") :]
    head = head.replace('kind = "grid"', 'kind = "monte_carlo"\ncount = 40')
    (tmp_path / "s.toml").write_text(head + text + tail, encoding="utf-8")
    found = document("s.toml", "--out", "o")
    good = found["yield"]
    assert good["drawn"] == 40 and good["value"] == good["passed"] / 40
    assert good["interval"]["low"] < good["value"] < good["interval"]["high"]
    kinds = [factor["distribution"] for factor in found["factors"].values()]
    assert kinds == ["lognormal", "triangular"]
    assert "benches keep every bound" in call("s.toml", "--out", "o", "--workers", "1").output


def test_one_at_a_time_says_what_stays(tmp_path: Path) -> None:
    change(tmp_path / "s.toml", '"grid"', '"one_at_a_time"')
    found = document("s.toml", "--out", "o")
    assert found["candidates"]["total"] == 9
    kept = [e["factors"]["line.c2.damping"] for e in found["ranked"]]
    assert {"value": None, "unit": "N m s/rad", "reason": "as in the scenario"} in kept
    assert "as is" in call("s.toml", "--out", "o", "--workers", "1").output


def test_a_study_without_objective_or_without_a_good_candidate_says_so(tmp_path: Path) -> None:
    change(tmp_path / "s.toml", '"750 Hz"', '"5 Hz"')
    assert "no candidate keeps every bound" in call("s.toml", "--workers", "1").output
    text = (tmp_path / "s.toml").read_text().partition("[[objective]]")[0]
    text += '[[response]]\nmetric = "modes.1.frequency"\n'
    (tmp_path / "s.toml").write_text(text)
    assert "no [[objective]], so no ranking" in call("s.toml", "--workers", "1", "--fresh").output


def test_a_sobol_design_of_another_count_is_warned_of(tmp_path: Path) -> None:
    change(tmp_path / "s.toml", 'kind = "grid"', 'kind = "sobol"\ncount = 12')
    assert document("s.toml")["warnings"][1].endswith("12 is none, 8 and 16 are")


def test_a_study_of_which_nothing_can_be_evaluated_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> dict[str, Figure]:
        raise ValueError("no")

    monkeypatch.setitem(SOURCES, "modes", ResponseSource(SOURCES["modes"].known, fail))
    result = call("s.toml", "--workers", "1")
    assert result.exit_code == 3 and "no candidate could be evaluated" in result.output
    assert "12 failed, the first is number 0: internal error: ValueError: no" in result.output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nothing"], '"nothing": no such file and no shipped study'),
        (["s.toml", "--set", "loop.torque.kpp=1"], "--set loop.torque.kpp=1: unknown key; nearest: kp"),
        (["s.toml", "--out", "blocked"], "blocked: cannot be written: File exists"),
        (["s.toml", "--out", "/proc/none"], "/proc/none: cannot be written"),
        (["s.toml", "--table", "t.xls"], "t.xls: unknown ending; a table is written as .csv, .parquet"),
        (["s.toml", "--workers", "0"], "0 is not in the range"),
        (["s.toml", "--workers", "2", "--cluster", "tcp://x:1"], "leave it out with --cluster"),
        (
            ["s.toml", "--so-far", "--fresh"],
            "--so-far runs nothing; leave out --workers, --cluster and --fresh",
        ),
        ([], "Missing argument 'STUDY'"),
    ],
)
def test_bad_input_ends_with_2_and_a_message(tmp_path: Path, arguments: list[str], message: str) -> None:
    (tmp_path / "blocked").write_text("")
    result = call(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.output and "Traceback" not in result.output


def test_parquet_needs_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shaftloop.report.files.find_spec", lambda _: None)
    result = call("s.toml", "--table", "t.parquet")
    assert result.exit_code == 2 and 'install "shaftloop[parquet]", or write .csv' in result.output


def test_candidates_that_take_a_part_beyond_its_limit_are_told(tmp_path: Path) -> None:
    text = (
        'scenario = "reference-bench"\nsettings = ["duration=30 ms"]\nexpectations = false\n'
        '[design]\nkind = "grid"\n[[factor]]\npath = "line.drive.max_speed"\n'
        'values = ["40 rpm", "3000 rpm"]\n'
        '[[objective]]\nmetric = "simulate.peak_true_torque"\ngoal = "minimise"\n'
    )
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    found = document(str(tmp_path / "s.toml"), "--out", str(tmp_path / "o"))
    assert any(
        "1 of 2 candidates take a part beyond a limit that it states" in text for text in found["warnings"]
    )
    rows = list(csv.DictReader((tmp_path / "o" / "candidates.csv").open(encoding="utf-8")))
    assert [float(row["simulate.beyond_limit [1]"]) for row in rows] == [1.0, 0.0]


def test_what_a_long_study_takes_is_told_before_it_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_text(STUDY, encoding="utf-8")
    assert "candidates take about" not in call("s.toml", "--json").stderr
    monkeypatch.setattr("shaftloop.cli.study._LONG", 0.0)
    told = call("s.toml", "--out", "o", "--workers", "1").stderr
    assert "16 candidates take about 0.13 s of processor time, most of it for modes (0.005 s each)\n" in told
    assert "candidates take about" not in call("s.toml", "--out", "o").stderr
