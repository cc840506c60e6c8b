"""Scenario file -> description, with every error at once."""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from shaftloop.scenario.assemble import apply_settings, assemble, names_files, resolve
from shaftloop.scenario.consistency import check_consistency
from shaftloop.scenario.description import Description
from shaftloop.scenario.draft import Draft, read_draft
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.scenario.source import Source, find_scenario, label_of, load_toml
from shaftloop.scenario.statements import Statement, statements
from shaftloop.scenario.tables import read_tables
from shaftloop.scenario.timing import check_timing
from shaftloop.scenario.traces import read_traces

__all__ = ["Scenario", "Variants", "place_of", "read_scenario", "stated_value", "stated_values"]


@dataclass(frozen=True)
class Scenario:
    """A scenario that has been read and checked."""

    description: Description
    name: str
    """Name of the file without its ending."""
    path: Path
    hash: str
    """SHA-256 of the effective document: the file, its part files, its traces and the settings."""
    warnings: tuple[str, ...]
    """What is allowed but looks wrong, each with its place."""
    text: str
    """The scenario file as it stands."""
    settings: tuple[str, ...] = ()
    """What was set on top of the file, ``path=value`` each."""
    beside: tuple[Path, ...] = ()
    """Further folders that may hold its part files."""


def read_scenario(
    source: str | Path,
    settings: Sequence[str] = (),
    *,
    beside: Sequence[Path] = (),
    load: Callable[[Path, str], Source] = load_toml,
) -> Scenario:
    """Read and check a scenario: a file, or the name of a shipped one.

    Settings ``path=value`` are applied on top of the file; a list element is named by its `name` or its
    index, ``loop.torque.kp=0.4``. Folders beside may hold part files, before the shipped ones. `load` takes a
    file and how messages call it; for one who reads the same files again and again. Raises ScenarioError with
    everything that is wrong: ``file:line: key: what is wrong, the allowed range, a fix``.
    """
    problems, folders, broken = _assembled(source, settings, beside, load)
    file = problems.source
    digest = hashlib.sha256(json.dumps(problems.document, sort_keys=True, default=str).encode())
    draft = read_draft(problems, broken)
    _check(draft, problems, folders, digest)
    return Scenario(
        draft.description(),
        file.path.stem,
        file.path,
        digest.hexdigest(),
        problems.warnings(),
        file.text,
        tuple(settings),
        tuple(beside),
    )


class Variants:
    """A scenario that is read again and again, each time with further settings: its files are read once.

    But for traces, they are read here.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._of = scenario
        self._load = lru_cache(maxsize=256)(load_toml)
        of = scenario.path, scenario.settings, scenario.beside
        self._problems, self._folders, self._broken = _assembled(*of, self._load)
        self._draft = read_draft(self._problems, self._broken)
        read_tables(self._draft, self._problems, self._folders)

    def read(self, settings: Sequence[str]) -> Description:
        """Return what `read_scenario` makes of the scenario with settings on top of its own, in less time.

        What the settings do not touch is taken over, but for the checks across entries.

        Raises
        ------
        ScenarioError
            As `read_scenario` does.
        """
        if names_files(settings):
            of, every = self._of, (*self._of.settings, *settings)
            return read_scenario(of.path, every, beside=of.beside, load=self._load).description
        problems = self._problems.varied()
        apply_settings(problems, settings)
        draft = read_draft(problems, self._broken, self._draft)
        _check(draft, problems, self._folders, hashlib.sha256())
        return draft.description()


def stated_value(
    source: str | Path, path: str, settings: Sequence[str] = (), *, beside: Sequence[Path] = ()
) -> object:
    """Return what a sound scenario holds at a path, ``loop.torque.kp``, nothing where it leaves the key out.

    Settings and folders as in `read_scenario`. A LookupError names the nearest where there is no such path.
    """
    problems, _, _ = _assembled(source, settings, beside, load_toml)
    value: Any = problems.document
    for key in resolve(value, path.split(".")):
        value = value.get(key) if isinstance(value, dict) else value[key]
        if value is None:
            return None
    return value


def place_of(scenario: Scenario, path: str) -> KeyPath:
    """Return the keys that lead to a value of the effective document; a LookupError names the nearest."""
    problems, _, _ = _assembled(scenario.path, scenario.settings, scenario.beside, load_toml)
    return resolve(problems.document, path.split("."))


def stated_values(scenario: Scenario) -> tuple[Statement, ...]:
    """Return every value that a scenario has, each with its unit and with what states it.

    Its part files are looked for again.
    """
    problems, _, _ = _assembled(scenario.path, scenario.settings, scenario.beside, load_toml)
    return tuple(statements(scenario.description, problems))


def _check(draft: Draft, problems: Problems, folders: Sequence[Path], digest: Any) -> None:
    """Fill in tables and traces of a draft, and check across its entries."""
    read_tables(draft, problems, folders, digest)
    check_consistency(draft, problems)
    read_traces(draft, problems, folders, digest)
    check_timing(draft, problems)
    problems.raise_if_any()


def _assembled(
    source: str | Path,
    settings: Sequence[str],
    beside: Sequence[Path],
    load: Callable[[Path, str], Source],
) -> tuple[Problems, list[Path], set[int]]:
    """Return the effective document, the folders that may hold its files, and the entries without part."""
    path = find_scenario(source)
    file = load(path, label_of(path))
    problems = Problems(file, file.document)
    folders = list(dict.fromkeys((path.parent, *beside, shipped_folder())))
    return problems, folders, assemble(problems, folders, settings, load)
