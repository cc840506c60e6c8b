"""Files that are either complete or not there."""

import os
import platform
import re
import shutil
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, ClassVar

from shaftloop.errors import ShaftloopError

if TYPE_CHECKING:
    from shaftloop.report.canvas import Picture

__all__ = [
    "OutputError",
    "Outputs",
    "check_file",
    "check_folder",
    "make_folder",
    "open_atomically",
    "together",
    "write_answer",
    "write_text",
]

_HERE = f"{zlib.crc32(platform.node().encode()):08x}"
"""Marks drafts of this computer: whether a process lives can be asked of its own computer only."""
_DRAFT = re.compile(rf"\..*\.{_HERE}-([0-9]{{1,9}})\.tmp")
_waiting: list[dict[Path, Path]] = []
"""Files that are complete and wait for others, by their names, per `together`."""


class OutputError(ShaftloopError):
    """A place that cannot be written to."""

    exit_code: ClassVar[int] = 2


def make_folder(folder: Path) -> None:
    """Create a folder where it is missing, and make sure that files can be written there.

    Raises
    ------
    OutputError
        Where that is not possible.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise _unusable(folder, error) from None
    check_folder(folder)


def check_folder(folder: Path) -> None:
    """Make sure that files can be written to a folder, before a long run.

    Raises
    ------
    OutputError
        Where that is not possible.
    """
    try:
        _sweep(folder)
        probe = _draft(folder / "probe")
        probe.write_bytes(b"")
        probe.unlink()
    except (OSError, ValueError) as error:
        raise _unusable(folder, error) from None


def check_file(path: Path, what: str, endings: Iterable[str]) -> None:
    """Make sure that a table can be written to a file, before a long run.

    Parameters
    ----------
    path : Path
        File.
    what : str
        What is written, e.g. ``a table is``.
    endings : iterable of str
        Formats that there are, e.g. ``.csv``.

    Raises
    ------
    OutputError
        Where its ending is none of them, a package is missing or its folder cannot be written to.
    """
    if path.suffix not in endings:
        raise OutputError(f"{path}: unknown ending; {what} written as {', '.join(endings)}")
    if path.suffix == ".parquet" and find_spec("pyarrow") is None:
        others = " or ".join(ending for ending in endings if ending != ".parquet")
        raise OutputError(
            f"{path}: Parquet needs the package pyarrow, which is not installed; "
            f'install "shaftloop[parquet]", or write {others}'
        )
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file")
    check_folder(path.parent)


@contextmanager
def together() -> Iterator[None]:
    """Let all files that are written inside take their names at the end, or none of them.

    Raises
    ------
    OutputError
        Where one cannot take its name, saying which others have.
    """
    drafts: dict[Path, Path] = {}
    _waiting.append(drafts)
    there: list[str] = []
    try:
        try:
            yield
        finally:
            _waiting.pop()
        for target, draft in drafts.items():
            try:
                os.replace(draft, target)
            except OSError as error:
                known = f"; written before it: {', '.join(there)}" if there else ""
                raise OutputError(f"{_unusable(target, error)}{known}") from None
            there.append(target.name)
    finally:
        for draft in drafts.values():
            draft.unlink(missing_ok=True)


@contextmanager
def open_atomically(path: Path) -> Iterator[BinaryIO]:
    """Open a file that takes its name only once it is complete.

    A file that is there already keeps its permissions, and a link goes on pointing to it.

    Raises
    ------
    OutputError
        Where it cannot be written; a file of that name is then left as it was.
    """
    try:
        target = Path(os.path.realpath(path))
        _sweep(target.parent)
        draft = _draft(target)
        try:
            with draft.open("wb") as file:
                yield file
            if target.exists():
                shutil.copymode(target, draft)
            if _waiting:
                _waiting[-1][target] = draft
            else:
                os.replace(draft, target)
        finally:
            if not (_waiting and target in _waiting[-1]):
                draft.unlink(missing_ok=True)
    except OSError as error:
        raise _unusable(path, error) from None


class Outputs:
    """The files of an answer in one folder, in the order in which they are named.

    Parameters
    ----------
    folder : Path
        An existing folder.
    kinds : sequence of str
        Formats of the pictures; none, no pictures.
    """

    def __init__(self, folder: Path, kinds: Sequence[str]) -> None:
        self._folder, self._kinds = folder, kinds
        self.files: list[Path] = []

    def file(self, name: str) -> Path:
        """Return the path of a file.

        Parameters
        ----------
        name : str
            With its ending.
        """
        self.files.append(self._folder / name)
        return self.files[-1]

    def draw(self, pictures: "Iterable[Picture]") -> None:
        """Draw pictures, one file per format each."""
        for picture in pictures if self._kinds else ():
            picture.write([self.file(f"{picture.name}.{kind}") for kind in self._kinds])


def write_answer(out: Outputs, answer: Any, room: Any, document: str) -> list[Path]:
    """Write an answer and return the files: its document, what its room has beside it, its pictures.

    Parameters
    ----------
    answer : Found
        What was found.
    room : module
        Names the file of the document in `FILE`; may have `write_more` and `pictures`.
    document : str
        In JSON.

    Raises
    ------
    OutputError
        Where a file cannot be written.
    """
    if room.FILE:
        write_text(out.file(room.FILE), document)
    if hasattr(room, "write_more"):
        room.write_more(out, answer)
    if hasattr(room, "pictures"):
        out.draw(room.pictures(answer))
    return out.files


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8, atomically.

    Parameters
    ----------
    text : str
        Content.
    """
    with open_atomically(path) as file:
        file.write(text.encode("utf-8"))


def _draft(target: Path) -> Path:
    """Return what a file is called until it is complete."""
    return target.with_name(f".{target.name}.{_HERE}-{os.getpid()}.tmp")


def _sweep(folder: Path) -> None:
    """Remove the drafts that killed processes have left in a folder."""
    with suppress(OSError):
        for path in folder.iterdir():
            match = _DRAFT.fullmatch(path.name)
            if match and not _lives(int(match[1])):
                path.unlink()


def _lives(process: int) -> bool:
    if os.name != "posix":
        return True  # Elsewhere to ask is to kill.
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    return True


def _unusable(path: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(f"{path}: cannot be written: {reason}; choose another place")
