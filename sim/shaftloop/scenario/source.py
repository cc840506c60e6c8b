"""Finding and reading the files of a scenario: nothing outside its folder, nothing huge."""

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath, Locator
from shaftloop.scenario.shipped import shipped_folder, shipped_names
from shaftloop.text import escaped

__all__ = [
    "MAX_SCENARIO_BYTES",
    "MAX_TRACE_BYTES",
    "Source",
    "find_beside",
    "find_scenario",
    "label_of",
    "load_toml",
    "oversize",
    "read_text",
]

MAX_SCENARIO_BYTES = 1_000_000
"""Largest scenario or part file. [byte]"""
MAX_TRACE_BYTES = 50_000_000
"""Largest recorded trace. [byte]"""

_MAX_DEPTH = 12
_MAX_INTEGER = 2**63


@dataclass(frozen=True)
class Source:
    """One TOML file."""

    path: Path
    label: str
    """How messages call the file."""
    text: str
    document: dict[str, Any]
    locator: Locator


def find_scenario(source: str | Path) -> Path:
    """Return the file that a command line means: a path, or the name of a shipped scenario."""
    path = Path(source)
    names = shipped_names()
    if str(source) in names and not _is_file(path):
        return shipped_folder() / f"{source}.toml"
    if _is_file(path):
        return path
    label = shown(str(source))
    if _is_file(path, Path.exists):
        raise ScenarioError([f"{label}: not a file; give a scenario file or one of: {', '.join(names)}"])
    stem = path.stem if path.suffix == ".toml" else str(source)
    raise ScenarioError(
        [f"{label}: no such file and no shipped scenario; shipped: {', '.join(names)}{nearest(stem, names)}"]
    )


def find_beside(name: str, folders: Sequence[Path], owner: str = "scenario") -> Path:
    """Return a file that another file, the `owner`, names, from the first folder that holds it.

    This is the one rule for all that stands in files; only what a command line names may lie anywhere. The
    name is a relative path with forward slashes, and must not lead outside of the folders, the first of them
    that of the owner, not even by a symbolic link. A ValueError says what is wrong with it.
    """
    if not name.isprintable() or Path(name).is_absolute() or "\\" in name or re.match("[A-Za-z]:", name):
        raise ValueError(
            f"{shown(name)} must be a relative path with forward slashes, below the {owner}'s folder"
        )
    if ".." in Path(name).parts:
        raise ValueError(f"{shown(name)} must stay inside the {owner}'s folder; leave out the ..")
    for folder in folders:
        path = folder / name
        if _is_file(path):
            if not path.resolve().is_relative_to(folder.resolve()):
                raise ValueError(f"{shown(name)} is a link that leads out of the {owner}'s folder")
            return path
    known = sorted(
        {found.relative_to(folder).as_posix() for folder in folders for found in folder.glob("parts/*")}
    )
    raise ValueError(
        f"no file {shown(name)} beside the {owner} or among the shipped parts{nearest(name, known)}"
    )


def read_text(path: Path, label: str, limit: int) -> str:
    """Return the text of a file in UTF-8 of at most `limit` bytes, which messages call by its label."""
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise ScenarioError([f"{label}: cannot be read: {error.strerror}"]) from None
    if len(data) > limit:
        raise ScenarioError([f"{label}: larger than {limit / 1e6:g} MB, the largest size allowed"])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = data[error.start]
        raise ScenarioError(
            [f"{label}:{line}: byte 0x{found:02x} is no UTF-8 text; save the file as UTF-8"]
        ) from None


def load_toml(path: Path, label: str) -> Source:
    """Return a TOML file with its text and the lines of its keys."""
    text = read_text(path, label, MAX_SCENARIO_BYTES)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.match(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        message, line = (match[1], match[2]) if match else (str(error), str(text.count("\n") + 1))
        raise ScenarioError([f"{label}:{line}: not valid TOML: {escaped(message, '')}"]) from None
    except (ValueError, RecursionError):
        # Neither carries a place: a number of thousands of digits, brackets nested hundreds deep.
        raise ScenarioError([f"{label}:1: not valid TOML: a number too long or nested too deeply"]) from None
    locator = Locator(text)
    problem = oversize(document)
    if problem:
        raise ScenarioError([f"{label}:{locator.line(problem[0])}: {problem[1]}"])
    return Source(path, label, text, document, locator)


def oversize(document: dict[str, Any]) -> tuple[KeyPath, str] | None:
    """Find what is too deep or too large to be handled safely: (path, message)."""
    waiting: list[tuple[KeyPath, Any]] = [((), document)]
    while waiting:
        path, value = waiting.pop()
        if len(path) > _MAX_DEPTH:
            return path, f"nested more than {_MAX_DEPTH} levels deep"
        if isinstance(value, int) and abs(value) >= _MAX_INTEGER:
            return path, "a whole number beyond 64 bits"
        if isinstance(value, dict):
            waiting += [((*path, key), item) for key, item in value.items()]
        elif isinstance(value, list):
            waiting += [((*path, index), item) for index, item in enumerate(value)]
    return None


def label_of(path: Path) -> str:
    """Return how messages call a file: relative where it lies below the working directory."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def _is_file(path: Path, test: Callable[[Path], bool] = Path.is_file) -> bool:
    try:
        return test(path)
    except OSError:
        # A name too long for the file system.
        return False
