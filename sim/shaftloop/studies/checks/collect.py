"""Which scenarios a command line means: files, shipped names, folders."""

import re
from collections.abc import Sequence
from pathlib import Path

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import shown
from shaftloop.scenario.shipped import is_shipped, shipped_names
from shaftloop.scenario.source import MAX_SCENARIO_BYTES
from shaftloop.studies.checks.baseline import SUFFIX

__all__ = ["ENDING", "baseline_file", "collect"]

ENDING = ".shaftloop.toml"
"""Ending of files that are scenarios whatever they hold."""

_EXPECT = re.compile(rb"^[ \t]*\[\[[ \t]*expect[ \t]*\]\]", re.MULTILINE)


def collect(sources: Sequence[str]) -> list[str]:
    """Return the scenarios that a command line means by files, shipped names and folders, each once.

    Of a folder these are the files ``*.shaftloop.toml`` and all other ``*.toml`` that hold an ``[[expect]]``,
    in it and below it, at least one; hidden folders are left out.

    Raises
    ------
    ScenarioError
        Where a folder holds no scenario.
    """
    found: dict[str, None] = {}
    for source in sources:
        if source in shipped_names() or not Path(source).is_dir():
            found[source] = None
            continue
        inside = [str(path) for path in sorted(Path(source).rglob("*.toml")) if _counts(path, Path(source))]
        if not inside:
            raise ScenarioError(
                [f"{shown(source)}: the folder holds no scenario: no *{ENDING} and no *.toml with [[expect]]"]
            )
        found |= dict.fromkeys(inside)
    return list(found)


def baseline_file(scenario: Path, stated: Path | None) -> Path | None:
    """Return where the baseline of a scenario is kept; nothing where that has to be stated.

    Stated is a file, or a folder for the baselines of any number of scenarios.
    """
    if stated is None:
        return None if is_shipped(scenario) else scenario.with_name(scenario.stem + SUFFIX)
    return stated if stated.suffix == ".toml" else stated / (scenario.stem + SUFFIX)


def _counts(path: Path, folder: Path) -> bool:
    below = path.relative_to(folder)
    if any(part.startswith(".") for part in below.parts) or path.name.endswith(SUFFIX) or not path.is_file():
        return False
    if path.name.endswith(ENDING):
        return True
    try:
        with path.open("rb") as file:
            return _EXPECT.search(file.read(MAX_SCENARIO_BYTES)) is not None
    except OSError as error:
        raise ScenarioError([f"{shown(str(path))}: cannot be read: {error.strerror}"]) from None
