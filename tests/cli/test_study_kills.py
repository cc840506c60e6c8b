"""A study that is killed in the middle of a write, any write: nothing half-written, and the next start works.

The child stops inside the write, says so and waits, so that the kill cannot land anywhere else.
"""

import io
import os
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import pytest
from click.testing import CliRunner

from shaftloop.cli.main import cli
from shaftloop.report import files
from shaftloop.report.study import pictures as study_pictures
from shaftloop.report.study import table as study_table
from shaftloop.studies.whatif.store import Store

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a copy of this process")

STUDY = """\
scenario = "reference-bench"
expectations = false
design = { kind = "grid" }
factor = [{ path = "line.c1.stiffness", low = "10 kN m/rad", high = "40 kN m/rad", count = 88 }]
objective = [{ metric = "modes.1.frequency" }]
"""
TIMES = 10


def run(out: str) -> int:
    arguments = ["study", "s.toml", "--out", out, "--workers", "1", "--table", f"{out}.csv"]
    return CliRunner().invoke(cli, arguments).exit_code


class Stopping(io.BufferedIOBase):
    """A file in which a write stops halfway: at a share of its first piece."""

    def __init__(self, file: BinaryIO, share: float, stop: Callable[[], None]) -> None:
        self.file, self.share, self.stop = file, share, stop

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.file.write(bytes(data)[: int(self.share * len(data))])
        self.file.flush()
        self.stop()
        return len(data)


def stop_in_file(patch: pytest.MonkeyPatch, name: str, number: int, stop: Callable[[], None]) -> None:
    opened = files.open_atomically

    @contextmanager
    def opening(path: Path) -> Iterator[BinaryIO]:
        with opened(path) as file:
            yield Stopping(file, number / TIMES, stop) if path.name == name else file  # type: ignore[misc]

    for module in (files, study_table):
        patch.setattr(module, "open_atomically", opening)


def stop_in_rows(patch: pytest.MonkeyPatch, _: str, number: int, stop: Callable[[], None]) -> None:
    """Stop before the end of a transaction: that of the tables, then always that of the second batch."""
    transaction, seen = Store._transaction, []

    @contextmanager
    def stopping(store: Store) -> Iterator[None]:
        with transaction(store):
            yield
            seen.append(store)
            if len(seen) == (3 if number else 1):
                stop()

    patch.setattr(Store, "_transaction", stopping)


def killed(patch: pytest.MonkeyPatch, kind: Any, name: str, number: int) -> None:
    """Run the study in a process that is killed while it is inside a write."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:

        def stop() -> None:
            os.write(writing, b"x")
            time.sleep(3600.0)

        try:
            kind(patch, name, number, stop)
            run("o")
        finally:
            os._exit(3)
    os.close(writing)
    try:
        assert os.read(reading, 1) == b"x", "the study has come to its end without that write"
    finally:
        os.close(reading)
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL


@pytest.mark.parametrize(
    ("kind", "name"),
    [(stop_in_rows, "rows"), *((stop_in_file, name) for name in ("study.json", "candidates.csv", "o.csv"))],
)
def test_ten_kills_inside_a_write_leave_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Any, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(study_pictures, "draw_study", lambda *_: [])
    monkeypatch.setattr("shaftloop.studies.whatif.execute._BATCHES", 22)
    (tmp_path / "s.toml").write_text(STUDY)
    assert run("whole") == 0
    outputs = ("o/study.json", "o/candidates.csv", "o.csv")
    whole = {path: (tmp_path / path.replace("o", "whole", 1)).read_bytes() for path in outputs}
    for number in range(TIMES):
        with monkeypatch.context() as patch:
            killed(patch, kind, name, number)
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
