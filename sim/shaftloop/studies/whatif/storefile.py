"""The file that holds the results of a study: its lock, and messages for all that can be wrong with it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import ClassVar

from shaftloop.errors import ShaftloopError

__all__ = ["StoreError", "changed", "locked", "nothing_there", "reported", "unlock"]


class StoreError(ShaftloopError):
    """Results that cannot be written or read."""

    exit_code: ClassVar[int] = 2


def locked(path: Path) -> sqlite3.Connection:
    """Return a lock on results that ends with its process, held in a file of its own beside them.

    Raises StoreError where another process holds it, or the file cannot be written.
    """
    with reported(path):
        lock = sqlite3.connect(_lock_file(path), isolation_level=None, timeout=0.0)
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except BaseException as error:
            lock.close()
            if "locked" in str(error):
                message = "another run is at this study; wait for it, or name another folder by `out`"
                raise StoreError(f"{path}: {message}; `so_far` shows what it has found") from None
            raise
    return lock


def unlock(path: Path | None, lock: sqlite3.Connection | None) -> None:
    """Give back a lock of some results and take its file away."""
    if path is not None and lock is not None:
        with suppress(OSError):
            _lock_file(path).unlink()
        lock.close()


def _lock_file(path: Path) -> Path:
    return path.with_name(path.name + "-lock")


def nothing_there(path: Path | None) -> StoreError:
    """Return the error of one who looks for results that are not there yet."""
    place = "without `out`" if path is None else str(path)
    return StoreError(f"{place}: no results of this study yet; run it, or name its folder by `out`")


def changed(path: Path | None, what: str) -> StoreError:
    """Return the error of results that shaftloop cannot have written so, with what is wrong with them."""
    return StoreError(
        f"{path}: was changed by another program: {what}; name another folder by `out`, or throw the results "
        "away by `fresh`"
    )


@contextmanager
def reported(path: Path | None) -> Iterator[None]:
    """Turn what SQLite and the file system say of a file, or of temporary results, into a message."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        place = "temporary results" if path is None else str(path)
        if "locked" in str(error):
            raise StoreError(f"{place}: another program writes to it; close it there and try again") from None
        if "decode" in str(error):
            raise changed(path, str(error)) from None
        if "not a database" in str(error) or "malformed" in str(error):
            raise StoreError(f"{place}: is no file of results; name another folder by `out`") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise StoreError(
            f"{place}: cannot be written: {reason}; what was complete is kept: make room, or make the folder "
            "writable, and give the same command again"
        ) from None
