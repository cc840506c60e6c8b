"""RunAnswer as JSON documents.

A physical number is ``{"value": ..., "unit": ...}``; one that does not exist is null with a reason.
"""

import json
import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from shaftloop.scenario.reading import Scenario
from shaftloop.text import harmful

__all__ = [
    "as_json",
    "identity",
    "origin",
    "text",
    "tool_version",
]

_LIBRARIES = ("numpy", "scipy", "numba", "simpy")


def as_json(document: dict[str, Any]) -> str:
    """Return a document as text; NaN and infinity are refused, and what steers a terminal is spelt out.

    Parameters
    ----------
    document : dict
        Plain values only.
    """
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if not harmful(text.replace("\n", "")):
        return text
    return "".join(json.dumps(c)[1:-1] if c != "\n" and harmful(c) else c for c in text)


def tool_version() -> str:
    """Return the version of the installed package."""
    return _version("shaftloop")


def identity(scenario: Scenario) -> dict[str, Any]:
    """Return what says which scenario a result belongs to."""
    return {
        "name": text(scenario.name),
        "title": scenario.description.title,
        "path": text(str(scenario.path)),
        "hash": scenario.hash,
    }


def origin(scenario: Scenario) -> dict[str, Any]:
    """Return what any result came from."""
    return {
        "tool": "shaftloop",
        "version": tool_version(),
        "scenario_hash": scenario.hash,
        "seed": scenario.description.seed,
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown: not installed as a package"


def text(name: str) -> str:
    """Return a file name that is valid Unicode whatever bytes it has on disk."""
    return name.encode("utf-8", "replace").decode("utf-8")
