"""CSV files that stand beside a scenario or a part file, opened for whoever reads their rows."""

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from shaftloop.errors import ScenarioError
from shaftloop.scenario.csvtext import Rows, read_rows
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.source import find_beside, label_of

__all__ = ["Digest", "open_beside"]


class Digest(Protocol):
    """What tells later whether a file has changed, as those of hashlib."""

    def update(self, data: bytes, /) -> None:
        """Take the content of a file."""


def open_beside(
    name: str, where: KeyPath, problems: Problems, folders: Sequence[Path], limit: int, digest: Digest
) -> tuple[Rows, str] | None:
    """Return the rows of a file and how messages call it; nothing where it cannot be read, which is added.

    The key `where` states its name; it holds at most `limit` bytes, and the digest takes its content.
    """
    try:
        path = find_beside(name, folders)
        rows = read_rows(path, label_of(path), limit)
    except ScenarioError as error:
        problems.unlocated(error.messages)
        return None
    except ValueError as error:
        problems.error(where, str(error))
        return None
    digest.update(path.read_bytes())
    return rows, label_of(path)
