"""Rows on disk: whole or not at all, of one study only, and the same whatever happened on the way."""

import math
import os
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from whatif import FIGURE, PSI, STIFFNESS, design, entries, read, written

from shaftloop.errors import ScenarioError
from shaftloop.studies.whatif import store as module
from shaftloop.studies.whatif.evaluate import Row
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.store import StoreError, open_store

BLOCKS = (STIFFNESS, PSI, FIGURE, design("grid"))

KILLED = """\
import os, signal, sys
from pathlib import Path
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import ResultStore, open_store

path, where, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
record, add, added = ResultStore._record, ResultStore.add, 0

def die():
    os.kill(os.getpid(), signal.SIGKILL)

def recording(self, row, candidate):
    # In the middle of a transaction.
    if where == "inside" and row.number == count:
        die()
    return record(self, row, candidate)

def adding(self, rows):
    global added
    add(self, rows)
    added += len(rows)
    if where == "after" and added >= count:
        die()

ResultStore._record, ResultStore.add = recording, adding
study = read_study(path)
with open_store(path.with_name("r.sqlite"), study, CandidatePlan(study.axes, study.design)) as store:
    execute(store, run_here)
"""


@pytest.mark.parametrize(("where", "count"), [("inside", 0), ("after", 1), ("inside", 5), ("after", 11)])
def test_a_study_that_is_killed_goes_on_and_loses_and_repeats_nothing(
    tmp_path: Path, where: str, count: int
) -> None:
    path = written(tmp_path, *BLOCKS)
    command = [sys.executable, "-c", KILLED, str(path), where, str(count)]
    assert subprocess.run(command, check=False).returncode == -9
    study, plan = read(tmp_path, *BLOCKS)
    with open_store(tmp_path / "r.sqlite", study, plan) as store:
        missing = store.missing().tolist()
        assert missing == list(range(count, 12)) and store.done == count
        seen: list[int] = []

        def run(work, batches):  # type: ignore[no-untyped-def]
            for batch in batches:
                seen.extend(batch.left)
                yield from run_here(work, [batch])

        execute(store, run)
        assert seen == missing
        assert list(store.entries()) == entries(tmp_path, *BLOCKS)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r.sqlite", "s.toml"]


def test_order_and_size_of_batches_do_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study, plan = read(tmp_path, *BLOCKS)

    def backwards(work, batches):  # type: ignore[no-untyped-def]
        for batch in reversed(list(batches)):
            yield from run_here(work, [replace(batch, candidates=batch.candidates[::-1])])

    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 3)
    shares: list[float] = []
    with open_store(None, study, plan) as store:
        execute(store, backwards, shares.append)
        assert list(store.entries()) == entries(tmp_path, *BLOCKS)
        execute(store, backwards, shares.append)
    assert shares == pytest.approx([1 / 3, 2 / 3, 1.0])


def test_a_row_comes_back_as_it_was_added(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    with open_store(tmp_path / "r.sqlite", study, plan) as store:
        store.add(
            [Row(2, "done", "", (1.0 / 3.0,)), Row(0, "failed", "it\ndiverged", (None,), {"a": "why µ"})]
        )
        store.add(
            [Row(2, "done", "", (5.0,)), Row(7, "refused", "no such bench"), Row(8, "done", "", (math.inf,))]
        )
    with open_store(tmp_path / "r.sqlite", study, plan) as store:
        assert list(store.entries()) == [
            (0, "failed", "it\ndiverged", (10.0, 1.0), (None,), {"a": "why µ"}),
            (2, "done", "", (10.0, 4.0), (1.0 / 3.0,), {}),
            (7, "refused", "no such bench", (30.0, 2.0), (None,), {}),
            (8, "done", "", (30.0, 4.0), (math.inf,), {}),
        ]
        assert [entry[0] for entry in store.entries([7, 2])] == [7, 2]
        assert store.reasons(5) == [("failed", "it\ndiverged", 1, 0), ("refused", "no such bench", 1, 7)]
        assert len(store.reasons(1)) == 1 and store.done == 4


def test_another_study_is_told_from_this_one_and_named(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with open_store(path, study, plan) as store:
        execute(store, run_here)
    other, more = read(tmp_path, STIFFNESS.replace("40 kN", "50 kN"), PSI, FIGURE, design("grid", seed=3))
    with pytest.raises(ScenarioError) as caught:
        open_store(path, other, more)
    assert "another study or version; changed: design, factor line.c1.stiffness; name another" in str(
        caught.value
    )
    # Bounds and objectives on what is known already are new questions to the same results.
    bound = '[[constraint]]\nmetric = "modes.1.frequency"\nat_least = "150 Hz"\n'
    asked, same = read(tmp_path, *BLOCKS, bound)
    with open_store(path, asked, same) as store:
        assert store.done == 12
    with open_store(path, other, more, fresh=True) as store:
        assert store.done == 0


def test_a_full_disk_is_reported_and_leaves_whole_batches(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with open_store(path, study, plan) as store:
        store.add([Row(0, "done", "", (1.0,))])
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        rows = [Row(number, "failed", "x" * 9000) for number in range(1, 6)]
        with pytest.raises(
            StoreError, match="cannot be written: database or disk is full; what was complete"
        ) as caught:
            store.add(rows)
        assert caught.value.exit_code == 2
        assert [entry[0] for entry in store.entries()] == [0]
    with open_store(path, study, plan) as store:
        assert store.missing().tolist() == list(range(1, 12))


def test_places_that_cannot_be_used_are_refused(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    with pytest.raises(
        StoreError, match=r"nowhere/r\.sqlite: cannot be written: unable to open database file"
    ):
        open_store(tmp_path / "nowhere" / "r.sqlite", study, plan)
    (tmp_path / "text").write_text("no results " * 1000)
    with pytest.raises(StoreError, match="text: is no file of results"):
        open_store(tmp_path / "text", study, plan)
    with sqlite3.connect(tmp_path / "other") as db:
        db.execute("CREATE TABLE t (x)")
    db.close()
    with pytest.raises(StoreError, match="other: holds no study; name another folder by `out`"):
        open_store(tmp_path / "other", study, plan)


def test_a_second_run_of_the_same_study_is_told(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with open_store(path, study, plan) as store:
        store.add([Row(0, "done", "", (1.0,))])
        with pytest.raises(StoreError, match="another run is at this study; wait for it"):
            open_store(path, study, plan)


def test_one_who_reads_sees_what_is_there_and_stops_nobody(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with pytest.raises(StoreError, match="no results of this study yet; run it, or name its folder by `out`"):
        open_store(path, study, plan, reading=True)
    with open_store(path, study, plan) as store:
        with pytest.raises(StoreError, match="no results of this study yet"):
            open_store(path, study, plan, reading=True)
        store.add([Row(0, "done", "", (1.0,))])
        with open_store(path, study, plan, reading=True) as seen:
            store.add([Row(1, "done", "", (2.0,))])
            assert [entry[0] for entry in seen.entries()] == [0] and seen.done == 1
            with pytest.raises(StoreError, match="readonly"):
                seen.add([Row(2, "done", "", (2.0,))])
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN")
    assert other.execute("SELECT count(*) FROM candidates").fetchone() == (2,)
    with open_store(path, study, plan) as store:
        store.add([Row(2, "done", "", (3.0,))])
        assert store.done == 3 and other.execute("SELECT count(*) FROM candidates").fetchone() == (2,)
    other.close()
    with open_store(path, study, plan, reading=True) as seen:
        assert seen.done == 3
    assert sorted(item.name for item in tmp_path.iterdir()) == ["r.sqlite", "s.toml"]


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ("UPDATE candidates SET \"modes.1.frequency [Hz]\" = 'x' WHERE candidate = 3", "candidate 3 cannot"),
        ("UPDATE candidates SET \"line.c2.damping [N m s/rad]\" = x'00' WHERE candidate = 3", "candidate 3"),
        ("UPDATE candidates SET candidate = 12 WHERE candidate = 3", "candidate 12 cannot be one of this"),
        ("UPDATE candidates SET candidate = -1 WHERE candidate = 3", "candidate -1 cannot be one of this"),
        ('UPDATE candidates SET "modes.1.frequency [Hz]" = 1e308 WHERE candidate = 3', "candidate 3 cannot"),
        ("UPDATE candidates SET missing = '{' WHERE candidate = 3", "candidate 3 cannot be one of this"),
        ("UPDATE candidates SET missing = '{\"a\": 1}' WHERE candidate = 3", "candidate 3 cannot be one"),
        ("UPDATE candidates SET missing = '[]' WHERE candidate = 3", "candidate 3 cannot be one"),
        ("UPDATE candidates SET status = 'fine' WHERE candidate = 3", "candidate 3 cannot be one of this"),
        ("UPDATE candidates SET status = NULL WHERE candidate = 3", "candidate 3 cannot be one of this"),
        ("UPDATE candidates SET lanes = NULL WHERE candidate = 3", "candidate 3 cannot be one of this"),
        ("UPDATE candidates SET reason = CAST(x'ff' AS BLOB) WHERE candidate = 3", "candidate 3 cannot be"),
        ("ALTER TABLE candidates DROP COLUMN lanes", 'columns of the table candidates are others: "lanes"'),
        ("ALTER TABLE candidates RENAME COLUMN status TO state", 'candidates are others: "status"'),
        ("ALTER TABLE candidates ADD COLUMN more", 'candidates are others: "more"'),
        ("DROP TABLE candidates", 'candidates are others: "candidate"'),
        ("ALTER TABLE study RENAME COLUMN value TO text", 'table study are others: "value"'),
        ("UPDATE study SET key = CAST(x'ff' AS TEXT) WHERE key = 'design'", "Could not decode"),
    ],
)
def test_what_another_program_changed_is_told(tmp_path: Path, change: str, wrong: str) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with open_store(path, study, plan) as store:
        execute(store, run_here)
    db = sqlite3.connect(path)
    db.execute(change)
    db.commit()
    db.close()
    for reading in (False, True):
        with pytest.raises(StoreError) as caught:
            open_store(path, study, plan, reading=reading)
        message = str(caught.value)
        assert message.startswith(f"{path}: was changed by another program: ") and wrong in message
        assert "name another folder by `out`, or throw the results away by `fresh`" in message
    assert caught.value.exit_code == 2
    with open_store(path, study, plan, fresh=True) as store:
        assert store.done == 0


def test_text_that_no_list_holds_is_told(tmp_path: Path) -> None:
    words = '[[factor]]\npath = "loop.torque.anti_windup"\nvalues = ["conditional", "back_calculation"]\n'
    study, plan = read(tmp_path, words, FIGURE, design("grid"))
    with open_store(tmp_path / "r.sqlite", study, plan) as store:
        execute(store, run_here)
        store._db.execute(
            "UPDATE candidates SET \"loop.torque.anti_windup [1]\" = 'none' WHERE candidate = 1"
        )
    with pytest.raises(StoreError, match="candidate 1 cannot be one of this study"):
        open_store(tmp_path / "r.sqlite", study, plan)


def test_too_many_columns_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_MOST_COLUMNS", 2)
    with pytest.raises(ScenarioError, match="3 factors and figures, above 2; ask for fewer"):
        open_store(None, *read(tmp_path, *BLOCKS))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_is_read_only_is_refused(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o500)
    with pytest.raises(StoreError, match="cannot be written"):
        open_store(folder / "r.sqlite", study, plan)
    assert list(folder.iterdir()) == []
