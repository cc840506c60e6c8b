"""Rows of a study on disk, in one SQLite file, each as soon as it is there.

What comes together is one transaction, so a process that ends at any instant leaves it either whole or out.
Only the process that runs the study writes, and holds a lock of its own for that; others may read any time.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import zip_longest
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import shown
from shaftloop.studies.whatif.designs import Candidate, CandidatePlan
from shaftloop.studies.whatif.evaluate import Row
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.storefile import StoreError, changed, locked, nothing_there, reported, unlock

__all__ = ["Entry", "ResultStore", "StoreError", "open_store"]

Entry = tuple[int, str, str, tuple[Any, ...], tuple[Any, ...], dict[str, str]]
"""Number, status, reason, values of the factors, figures, why figures are missing."""

_FORMAT = 2
_LARGEST = 1e150
"""What no figure of a bench reaches, whose square still is a number; infinite ones may stand as such."""
_CHUNK = 1000
_MOST_COLUMNS = 1000
_PATIENCE = 10.0
"""Longest wait for another program that is at the file for a moment. [s]"""


def open_store(
    path: Path | None, study: Study, plan: CandidatePlan, *, fresh: bool = False, reading: bool = False
) -> "ResultStore":
    """Open the results of a study, begun or not; without a path they go when they are closed.

    `fresh` throws away what is there, `reading` looks at what is there at this instant; the study may be
    running. Raises ScenarioError where the file holds the results of another study, or there are too many
    columns, StoreError where it cannot be written or read, another process is at it, or another program has
    changed it.
    """
    if len(study.axes) + len(study.figures) > _MOST_COLUMNS:
        count = len(study.axes) + len(study.figures)
        raise ScenarioError([f"{count} factors and figures, above {_MOST_COLUMNS}; ask for fewer"])
    if reading:
        if path is None or not path.is_file():
            raise nothing_there(path)
        return ResultStore(path, study, plan, None)
    lock = None if path is None else locked(path)
    try:
        if fresh and path is not None:
            with reported(path):
                for ending in ("", "-wal", "-shm"):
                    path.with_name(path.name + ending).unlink(missing_ok=True)
        return ResultStore(path, study, plan, lock)
    except BaseException:
        unlock(path, lock)
        raise


class ResultStore:
    """Results of a study; open them by `open_store` and close them by ``with``."""

    def __init__(
        self, path: Path | None, study: Study, plan: CandidatePlan, lock: sqlite3.Connection | None
    ) -> None:
        self.path = path
        self.study = study
        self.plan = plan
        self._lock = lock
        self._columns = [f"{axis.path} [{axis.unit or 1}]" for axis in study.axes]
        self._columns += [f"{name} [{known.unit}]" for name, known in study.figures.items()]
        with reported(path):
            # SQLite makes a temporary file of its own where the name is empty.
            name = "" if path is None else f"{path.absolute().as_uri()}?mode={'rwc' if lock else 'rw'}"
            self._db = sqlite3.connect(name, isolation_level=None, timeout=_PATIENCE, uri=True)
        try:
            with reported(path):
                if path is None or lock is not None:
                    self._begin()
                else:
                    self._look()
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file; what was added stays."""
        with suppress(sqlite3.Error):
            self._db.close()
        unlock(self.path, self._lock)

    @property
    def done(self) -> int:
        """Number of rows."""
        with reported(self.path):
            return int(self._db.execute("SELECT count(*) FROM candidates").fetchone()[0])

    @property
    def shared(self) -> tuple[int, int]:
        """Number of candidates that ran in lanes, next to others, and of those that ran singly."""
        query = "SELECT total(lanes), count(*) FROM candidates WHERE status IN ('done', 'failed')"
        with reported(self.path):
            lanes, run = self._db.execute(query).fetchone()
        return int(lanes), int(run - lanes)

    def missing(self) -> NDArray[np.int64]:
        """Return the numbers of the candidates that have no row yet, rising."""
        left = np.ones(self.plan.total, dtype=np.bool_)
        with reported(self.path):
            for (number,) in self._db.execute("SELECT candidate FROM candidates"):
                left[number] = False
        return np.flatnonzero(left)

    def add(self, rows: Sequence[Row]) -> None:
        """Add the rows of a batch, all or none; a row that is there already stays as it is.

        Raises
        ------
        StoreError
            Where the disk is full or the file cannot be written.
        """
        candidates = self.plan.candidates([row.number for row in rows])
        places = ", ".join("?" * (5 + len(self._columns)))
        with reported(self.path), self._transaction():
            self._db.executemany(
                f"INSERT OR IGNORE INTO candidates VALUES ({places})",
                [self._record(row, candidate) for row, candidate in zip(rows, candidates, strict=True)],
            )

    def entries(self, numbers: Iterable[int] | None = None) -> Iterator[Entry]:
        """Yield rows as they stand in the file: all of them by number, or some in a given order."""
        with reported(self.path):
            if numbers is None:
                cursor = self._db.execute("SELECT * FROM candidates ORDER BY candidate")
                while chunk := cursor.fetchmany(_CHUNK):
                    yield from map(self._entry, chunk)
                return
            for number in numbers:
                query = "SELECT * FROM candidates WHERE candidate = ?"
                yield self._entry(self._db.execute(query, (int(number),)).fetchone())

    def reasons(self, most: int) -> list[tuple[str, str, int, int]]:
        """Return why candidates are not done, most frequent first: (status, reason, how many, first one)."""
        query = (
            "SELECT status, reason, count(*), min(candidate) FROM candidates WHERE status <> 'done' "
            "GROUP BY status, reason ORDER BY count(*) DESC, min(candidate) LIMIT ?"
        )
        with reported(self.path):
            return list(self._db.execute(query, (most,)))

    def _begin(self) -> None:
        """Create the tables, or make sure that those that are there belong to the study."""
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        identity = {"format": _FORMAT, **self.study.identity}
        with self._transaction():
            if self._tables():
                self._check(identity)
                return
            columns = ", ".join(map(_quoted, self._columns))
            self._db.execute(
                "CREATE TABLE candidates (candidate INTEGER PRIMARY KEY, status TEXT, reason TEXT, "
                f"{columns}, missing TEXT, lanes INTEGER)"
            )
            self._db.execute("CREATE TABLE study (key TEXT PRIMARY KEY, value TEXT)")
            pairs = [(key, json.dumps(value, sort_keys=True)) for key, value in identity.items()]
            self._db.executemany("INSERT INTO study VALUES (?, ?)", pairs)

    def _look(self) -> None:
        """Keep to what is there now, whatever is added while it is read."""
        self._db.execute("PRAGMA query_only = ON")
        self._db.execute("BEGIN")
        if not self._tables():
            raise nothing_there(self.path)
        self._check({"format": _FORMAT, **self.study.identity})
        if not self.done:
            raise nothing_there(self.path)

    def _tables(self) -> set[str]:
        return {str(name) for (name,) in self._db.execute("SELECT name FROM sqlite_master")}

    def _check(self, identity: dict[str, Any]) -> None:
        """Make sure that the file belongs to the study, and that every row is one that can stand there."""
        if "study" not in self._tables():
            raise StoreError(f"{self.path}: holds no study; name another folder by `out`")
        self._check_columns("study", ["key", "value"])
        self._compare(identity)
        self._check_columns(
            "candidates", ["candidate", "status", "reason", *self._columns, "missing", "lanes"]
        )
        self._db.create_function("reasons", 1, _is_reasons, deterministic=True)
        texts = [choice for axis in self.study.axes if axis.worded for choice in axis.levels()]
        kinds = [
            f"{name} IS NULL OR {name} IN ({', '.join('?' * len(axis.levels()))})"
            if axis is not None and axis.worded
            else f"typeof({name}) IN ('real', 'integer') AND ({name} BETWEEN {-_LARGEST} AND {_LARGEST} "
            f"OR {name} IN (-9e999, 9e999)) OR {name} IS NULL"
            for name, axis in zip_longest(map(_quoted, self._columns), self.study.axes)
        ]
        kinds += [
            "typeof(candidate) = 'integer' AND candidate BETWEEN 0 AND ?",
            "status IN ('done', 'failed', 'refused', 'lost')",
            "typeof(reason) = 'text'",
            "missing IS NULL OR reasons(missing)",
            "lanes IN (0, 1)",
        ]
        every = " AND ".join(f"({kind})" for kind in kinds)
        query = f"SELECT candidate FROM candidates WHERE ({every}) IS NOT TRUE LIMIT 1"
        wrong = self._db.execute(query, (*texts, self.plan.total - 1)).fetchone()
        if wrong is not None:
            raise changed(self.path, f"the row of candidate {wrong[0]} cannot be one of this study")

    def _check_columns(self, table: str, wanted: list[str]) -> None:
        found = [str(name) for _, name, *_ in self._db.execute(f"PRAGMA table_info({table})")]
        if found != wanted:
            odd = [name for name in (*wanted, *found) if (name in wanted) != (name in found)] or found
            raise changed(self.path, f"the columns of the table {table} are others: {shown(odd[0])}")

    def _compare(self, identity: dict[str, Any]) -> None:
        now = {key: json.dumps(value, sort_keys=True) for key, value in identity.items()}
        then = {str(key): value for key, value in self._db.execute("SELECT key, value FROM study")}
        others = sorted(key for key in now.keys() | then.keys() if now.get(key) != then.get(key))
        if others:
            raise ScenarioError(
                [
                    f"{self.path}: holds results of another study or version; changed: {', '.join(others)}; "
                    "name another folder by `out`, or throw them away by `fresh`"
                ]
            )

    def _record(self, row: Row, candidate: Candidate) -> tuple[Any, ...]:
        figures = row.figures or (None,) * len(self.study.figures)
        missing = json.dumps(row.missing, sort_keys=True, ensure_ascii=False) if row.missing else None
        return (row.number, row.status, row.reason, *candidate.values, *figures, missing, row.in_lanes)

    def _entry(self, record: tuple[Any, ...]) -> Entry:
        number, status, reason, *middle, missing, _ = record
        axes = len(self.study.axes)
        return (
            number,
            status,
            reason,
            tuple(middle[:axes]),
            tuple(middle[axes:]),
            json.loads(missing) if missing else {},
        )

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _is_reasons(text: object) -> bool:
    """Return whether a cell says why figures are missing: a JSON object of texts."""
    try:
        found = json.loads(text) if isinstance(text, str) else None
    except (ValueError, RecursionError):
        return False
    return isinstance(found, dict) and all(isinstance(value, str) for value in found.values())
