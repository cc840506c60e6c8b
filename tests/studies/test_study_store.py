"""Rows on disk: whole or not at all, of one study only, and the same whatever happened on the way."""

import math
import os
import sqlite3
import subprocess
import sys
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
from shaftloop.studies.whatif.designs import Plan
from shaftloop.studies.whatif.execute import execute, run_here
from shaftloop.studies.whatif.reading import read_study
from shaftloop.studies.whatif.store import Store, open_store

path, where, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
record, add, added = Store._record, Store.add, 0

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

Store._record, Store.add = recording, adding
study = read_study(path)
with open_store(path.with_name("r.sqlite"), study, Plan(study.axes, study.design)) as store:
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
                seen.extend(number for number, _ in batch)
                yield from run_here(work, [batch])

        execute(store, run)
        assert seen == missing
        assert list(store.entries()) == entries(tmp_path, *BLOCKS)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r.sqlite", "s.toml"]


def test_order_and_size_of_batches_do_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study, plan = read(tmp_path, *BLOCKS)

    def backwards(work, batches):  # type: ignore[no-untyped-def]
        for batch in reversed(list(batches)):
            yield from run_here(work, [batch[::-1]])

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
    with pytest.raises(StoreError, match="other: holds no study; name another folder by --out"):
        open_store(tmp_path / "other", study, plan)


def test_a_second_run_of_the_same_study_is_told(tmp_path: Path) -> None:
    study, plan = read(tmp_path, *BLOCKS)
    path = tmp_path / "r.sqlite"
    with open_store(path, study, plan) as store:
        store.add([Row(0, "done", "", (1.0,))])
        with pytest.raises(StoreError, match="another run is at this study; wait for it"):
            open_store(path, study, plan)


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
