"""Rows of a study on disk, in one SQLite file, each as soon as it is there.

A batch is one transaction, so a process that ends at any instant leaves every batch either whole or out. Only
the process that runs the study writes.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError, ShaftloopError
from shaftloop.studies.whatif.designs import Candidate, Plan
from shaftloop.studies.whatif.evaluate import Row
from shaftloop.studies.whatif.reading import Study

__all__ = ["Entry", "Store", "StoreError", "open_store"]

Entry = tuple[int, str, str, tuple[Any, ...], tuple[Any, ...], dict[str, str]]
"""Number, status, reason, values of the factors, figures, why figures are missing."""

_FORMAT = 2
_CHUNK = 1000
_MOST_COLUMNS = 1000


class StoreError(ShaftloopError):
    """Results that cannot be written or read."""

    exit_code: ClassVar[int] = 2


def open_store(path: Path | None, study: Study, plan: Plan, *, fresh: bool = False) -> "Store":
    """Open the results of a study, begun or not.

    Parameters
    ----------
    path : Path or None
        The file; nothing for results that go when they are closed.
    study : Study
        What they belong to.
    plan : Plan
        Its candidates.
    fresh : bool
        Throw away what is there.

    Raises
    ------
    ScenarioError
        Where the file holds the results of another study, or there are too many columns.
    StoreError
        Where it cannot be written, or another process is at it.
    """
    if len(study.axes) + len(study.figures) > _MOST_COLUMNS:
        count = len(study.axes) + len(study.figures)
        raise ScenarioError([f"{count} factors and figures, above {_MOST_COLUMNS}; ask for fewer"])
    if fresh and path is not None:
        with _reported(path):
            for ending in ("", "-wal", "-shm"):
                path.with_name(path.name + ending).unlink(missing_ok=True)
    return Store(path, study, plan)


class Store:
    """Results of a study; open them by `open_store` and close them by ``with``."""

    def __init__(self, path: Path | None, study: Study, plan: Plan) -> None:
        self.path = path
        self.study = study
        self.plan = plan
        self._columns = [f"{axis.path} [{axis.unit or 1}]" for axis in study.axes]
        self._columns += [f"{name} [{known.unit}]" for name, known in study.figures.items()]
        with _reported(path):
            # SQLite makes a temporary file of its own where the name is empty.
            self._db = sqlite3.connect("" if path is None else path, isolation_level=None, timeout=1.0)
        try:
            with _reported(path):
                self._begin()
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

    @property
    def done(self) -> int:
        """Number of rows."""
        with _reported(self.path):
            return int(self._db.execute("SELECT count(*) FROM candidates").fetchone()[0])

    @property
    def shared(self) -> tuple[int, int]:
        """Number of candidates that ran in lanes, next to others, and of those that ran singly."""
        query = "SELECT total(lanes), count(*) FROM candidates WHERE status IN ('done', 'failed')"
        with _reported(self.path):
            lanes, run = self._db.execute(query).fetchone()
        return int(lanes), int(run - lanes)

    def missing(self) -> NDArray[np.int64]:
        """Return the numbers of the candidates that have no row yet, rising."""
        left = np.ones(self.plan.total, dtype=np.bool_)
        with _reported(self.path):
            for (number,) in self._db.execute("SELECT candidate FROM candidates"):
                left[number] = False
        return np.flatnonzero(left)

    def add(self, rows: Sequence[Row]) -> None:
        """Add the rows of a batch, all or none; a row that is there already stays as it is.

        Parameters
        ----------
        rows : sequence of Row
            New rows.

        Raises
        ------
        StoreError
            Where the disk is full or the file cannot be written.
        """
        candidates = self.plan.candidates([row.number for row in rows])
        places = ", ".join("?" * (5 + len(self._columns)))
        with _reported(self.path), self._transaction():
            self._db.executemany(
                f"INSERT OR IGNORE INTO candidates VALUES ({places})",
                [self._record(row, candidate) for row, candidate in zip(rows, candidates, strict=True)],
            )

    def entries(self, numbers: Iterable[int] | None = None) -> Iterator[Entry]:
        """Yield rows as they stand in the file: all of them by number, or some in a given order.

        Parameters
        ----------
        numbers : iterable of int, optional
            Candidates wanted.
        """
        with _reported(self.path):
            if numbers is None:
                cursor = self._db.execute("SELECT * FROM candidates ORDER BY candidate")
                while chunk := cursor.fetchmany(_CHUNK):
                    yield from map(self._entry, chunk)
                return
            for number in numbers:
                query = "SELECT * FROM candidates WHERE candidate = ?"
                yield self._entry(self._db.execute(query, (int(number),)).fetchone())

    def reasons(self, most: int) -> list[tuple[str, str, int, int]]:
        """Return why candidates are not done, most frequent first: (status, reason, how many, first one).

        Parameters
        ----------
        most : int
            How many reasons are enough.
        """
        query = (
            "SELECT status, reason, count(*), min(candidate) FROM candidates WHERE status <> 'done' "
            "GROUP BY status, reason ORDER BY count(*) DESC, min(candidate) LIMIT ?"
        )
        with _reported(self.path):
            return list(self._db.execute(query, (most,)))

    def _begin(self) -> None:
        """Create the tables, or make sure that those that are there belong to the study."""
        # Held to the end, so a second process is told; needs no shared memory beside the log.
        self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        identity = {"format": _FORMAT, **self.study.identity}
        with self._transaction():
            tables = {name for (name,) in self._db.execute("SELECT name FROM sqlite_master")}
            if "study" in tables:
                self._compare(identity)
                return
            if tables:
                raise StoreError(f"{self.path}: holds no study; name another folder by --out")
            columns = ", ".join(f'"{name}"' for name in self._columns)
            self._db.execute(
                "CREATE TABLE candidates (candidate INTEGER PRIMARY KEY, status TEXT, reason TEXT, "
                f"{columns}, missing TEXT, lanes INTEGER)"
            )
            self._db.execute("CREATE TABLE study (key TEXT PRIMARY KEY, value TEXT)")
            pairs = [(key, json.dumps(value, sort_keys=True)) for key, value in identity.items()]
            self._db.executemany("INSERT INTO study VALUES (?, ?)", pairs)

    def _compare(self, identity: dict[str, Any]) -> None:
        now = {key: json.dumps(value, sort_keys=True) for key, value in identity.items()}
        then = dict(self._db.execute("SELECT key, value FROM study"))
        changed = sorted(key for key in now.keys() | then.keys() if now.get(key) != then.get(key))
        if changed:
            raise ScenarioError(
                [
                    f"{self.path}: holds results of another study or version; changed: {', '.join(changed)}; "
                    "name another folder by --out, or throw them away by --fresh"
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


@contextmanager
def _reported(path: Path | None) -> Iterator[None]:
    """Turn what SQLite and the file system say into a message."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        place = "temporary results" if path is None else str(path)
        if "locked" in str(error):
            message = f"{place}: another run is at this study; wait for it, or name another folder by --out"
            raise StoreError(message) from None
        if "not a database" in str(error) or "malformed" in str(error):
            raise StoreError(f"{place}: is no file of results; name another folder by --out") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise StoreError(
            f"{place}: cannot be written: {reason}; what was complete is kept: make room, or make the folder "
            "writable, and give the same command again"
        ) from None
