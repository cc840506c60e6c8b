"""Scenario file -> description, with every error at once."""

import hashlib
import json
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaftloop.scenario.assemble import assemble, look_up
from shaftloop.scenario.consistency import check_consistency
from shaftloop.scenario.description import Description
from shaftloop.scenario.draft import read_draft
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.scenario.source import find_scenario, label_of, load_toml
from shaftloop.scenario.timing import check_timing
from shaftloop.scenario.traces import read_traces

__all__ = ["Scenario", "read_scenario", "stated_value"]


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


def read_scenario(source: str | Path, settings: Sequence[str] = ()) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    source : str or Path
        A scenario file, or the name of a shipped one.
    settings : sequence of str
        ``path=value`` each, applied on top of the file; a list element is named by its `name` or its
        index, e.g. ``loop.torque.kp=0.4``.

    Raises
    ------
    ScenarioError
        With everything that is wrong: ``file:line: key: what is wrong, the allowed range, a fix``.
    """
    path = find_scenario(source)
    file = load_toml(path, label_of(path))
    problems = Problems(file, deepcopy(file.document))
    folders = list(dict.fromkeys((path.parent, shipped_folder())))
    broken = assemble(problems, folders, settings)
    draft = read_draft(problems.document, problems, broken)
    digest = hashlib.sha256(json.dumps(problems.document, sort_keys=True, default=str).encode())
    check_consistency(draft, problems)
    read_traces(draft, problems, folders, digest)
    check_timing(draft, problems)
    problems.raise_if_any()
    return Scenario(draft.description(), path.stem, path, digest.hexdigest(), problems.warnings(), file.text)


def stated_value(source: str | Path, settings: Sequence[str], path: str) -> Any:
    """Return what a scenario states at a path, part files and settings applied; None where nothing is stated.

    Parameters
    ----------
    source : str or Path
        A scenario file, or the name of a shipped one.
    settings : sequence of str
        ``path=value`` each.
    path : str
        As in a setting, e.g. ``line.drive.inertia``.

    Raises
    ------
    LookupError
        Where the path names nothing.
    """
    found = find_scenario(source)
    file = load_toml(found, label_of(found))
    problems = Problems(file, deepcopy(file.document))
    assemble(problems, list(dict.fromkeys((found.parent, shipped_folder()))), settings)
    return look_up(problems.document, path)
