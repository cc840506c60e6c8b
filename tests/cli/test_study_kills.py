"""A study that is killed in the middle of a write, any write: nothing half-written, and the next works."""

import os
import pkgutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from kills import TIMES, Stop, killed, stopping_files
from shaftloop.cli.main import cli
from shaftloop.report import files
from shaftloop.report.study import room, table
from shaftloop.studies.whatif.store import ResultStore

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a copy of this process")

STUDY = """\
scenario = "reference-bench"
expectations = false
design = { kind = "grid" }
factor = [{ path = "line.c1.stiffness", low = "10 kN m/rad", high = "40 kN m/rad", count = 88 }]
objective = [{ metric = "modes.1.frequency" }]
"""


def run(out: str) -> int:
    arguments = ["study", "s.toml", "--out", out, "--workers", "1", "--table", f"{out}.csv"]
    return CliRunner().invoke(cli, arguments).exit_code


def stop_in_file(patch: pytest.MonkeyPatch, name: str, number: int, stop: Stop) -> None:
    opening = stopping_files(name, number, stop)
    for module in (files, table):
        patch.setattr(module, "open_atomically", opening)


def stop_in_rows(patch: pytest.MonkeyPatch, _: str, number: int, stop: Stop) -> None:
    """Stop before the end of a transaction: that of the tables, then always that of the second batch."""
    transaction, seen = ResultStore._transaction, []

    @contextmanager
    def stopping(store: ResultStore) -> Iterator[None]:
        with transaction(store):
            yield
            seen.append(store)
            if len(seen) == (3 if number else 1):
                stop()

    patch.setattr(ResultStore, "_transaction", stopping)


@pytest.mark.parametrize(
    ("kind", "name"),
    [(stop_in_rows, "rows"), *((stop_in_file, name) for name in ("study.json", "candidates.csv", "o.csv"))],
)
def test_ten_kills_inside_a_write_leave_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Any, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(room, "pictures", lambda _: ())
    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 22)
    (tmp_path / "s.toml").write_text(STUDY)
    assert run("whole") == 0
    outputs = ("o/study.json", "o/candidates.csv", "o.csv")
    whole = {path: (tmp_path / path.replace("o", "whole", 1)).read_bytes() for path in outputs}
    for number in range(TIMES):

        def work(stop: Stop, number: int = number) -> None:
            with monkeypatch.context() as patch:
                kind(patch, name, number, stop)
                run("o")

        killed(work)
        for path, content in whole.items():
            place = tmp_path / path
            assert not place.is_file() or place.read_bytes() == content
        db = sqlite3.connect(tmp_path / "o" / "results.sqlite")
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        if kind is stop_in_rows and number:
            # Each start has kept its first batch, of four, and lost the one that was under way.
            assert db.execute("SELECT count(*) FROM candidates").fetchone() == (4 * number,)
        db.close()
    assert run("o") == 0
    for path, content in whole.items():
        assert (tmp_path / path).read_bytes() == content


START = (
    ("shaftloop.studies.whatif.reading.read_study", "before", 1, 0),
    ("shaftloop.studies.whatif.reading.read_study", "after", 1, 0),
    ("shaftloop.studies.whatif.store.open_store", "before", 1, 0),
    ("shaftloop.studies.whatif.execute.evaluate_batch", "before", 1, 0),
    ("shaftloop.studies.whatif.execute.evaluate_batch", "after", 1, 0),
    ("shaftloop.studies.whatif.store.ResultStore.add", "after", 1, 1),
    ("shaftloop.studies.whatif.execute.evaluate_batch", "before", 2, 1),
    ("shaftloop.studies.whatif.store.ResultStore.add", "before", 3, 2),
    ("shaftloop.studies.whatif.store.ResultStore.add", "after", 2, 2),
    ("shaftloop.studies.whatif.execute.evaluate_batch", "after", 4, 3),
)
"""Where a study that begins is killed: what is called, before or after it, how often, and batches kept."""


def stop_around(patch: pytest.MonkeyPatch, place: str, when: str, count: int, stop: Stop) -> None:
    module, _, name = place.rpartition(".")
    owner = pkgutil.resolve_name(module)
    called, calls = getattr(owner, name), []

    def stopping(*arguments: Any, **named: Any) -> Any:
        calls.append(name)
        if when == "before" and len(calls) == count:
            stop()
        found = called(*arguments, **named)
        if when == "after" and len(calls) == count:
            stop()
        return found

    patch.setattr(owner, name, stopping)


def test_ten_kills_while_a_study_begins_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a batch has found is kept from the moment on that it is there; each start goes on from there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(room, "pictures", lambda _: ())
    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 22)
    (tmp_path / "s.toml").write_text(STUDY)
    assert run("whole") == 0
    kept = 0
    for place, when, count, batches in START:

        def work(stop: Stop, place: str = place, when: str = when, count: int = count) -> None:
            with monkeypatch.context() as patch:
                stop_around(patch, place, when, count, stop)
                run("o")

        killed(work)
        kept += 4 * batches
        path = tmp_path / "o" / "results.sqlite"
        if path.exists():
            with closing(sqlite3.connect(path)) as db:
                assert db.execute("SELECT count(*) FROM candidates").fetchone() == (kept,)
        else:
            assert kept == 0
    assert run("o") == 0
    for name in ("study.json", "candidates.csv"):
        assert (tmp_path / "o" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()
