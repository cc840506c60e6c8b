"""Results as JSON documents.

A physical number is ``{"value": ..., "unit": ...}``; one that does not exist is null with a reason.
"""

import json
import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from shaftloop.analysis.overlay import Overlay
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.verify import Verification
from shaftloop.engine.supervision import Event
from shaftloop.figures import number
from shaftloop.report.results import Results
from shaftloop.scenario.reading import Scenario
from shaftloop.text import harmful

__all__ = [
    "as_json",
    "identity",
    "origin",
    "provenance",
    "simulate_document",
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
    """Return what says which scenario a result belongs to.

    Parameters
    ----------
    scenario : Scenario
        Its scenario.
    """
    return {
        "name": _text(scenario.name),
        "title": scenario.description.title,
        "path": _text(str(scenario.path)),
        "hash": scenario.hash,
    }


def origin(scenario: Scenario) -> dict[str, Any]:
    """Return what any result came from.

    Parameters
    ----------
    scenario : Scenario
        What was looked at.
    """
    return {
        "tool": "shaftloop",
        "version": tool_version(),
        "scenario_hash": scenario.hash,
        "seed": scenario.description.seed,
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
    }


def provenance(scenario: Scenario, simulation: Simulation) -> dict[str, Any]:
    """Return what the result of a run came from.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    simulation : Simulation
        Finished run.
    """
    speed = simulation.duration / simulation.wall_time if simulation.wall_time > 0.0 else None
    return origin(scenario) | {
        "method": simulation.method,
        "step": number(simulation.step, "s"),
        "duration": number(simulation.duration, "s"),
        "wall_time": number(simulation.wall_time, "s"),
        "times_real_time": number(speed, "1"),
    }


def simulate_document(results: Results) -> dict[str, Any]:
    """Return the result of `shaftloop simulate`.

    Parameters
    ----------
    results : Results
        Of the run.
    """
    scenario = results.scenario
    document = {
        "scenario": identity(scenario),
        "provenance": provenance(scenario, results.simulation),
        "metrics": {name: figure.document() for name, figure in results.metrics.items()},
        "events": [_event(event) for event in results.simulation.events],
        "warnings": list(results.warnings),
    }
    if results.verification is not None:
        document["verify"] = _verification(results.verification)
    if results.overlay is not None:
        document["overlay"] = _overlay(results.overlay)
    return document


def _event(event: Event) -> dict[str, Any]:
    return {"time": number(event.time, "s"), "kind": event.kind, "name": event.name}


def _verification(verification: Verification) -> dict[str, Any]:
    changes = {
        name: {
            "change": number(entry.change, entry.unit, entry.reason),
            "relative": number(entry.relative, "1", entry.reason),
        }
        for name, entry in verification.changes.items()
    }
    largest = verification.largest
    return {
        "factor": verification.factor,
        "step": number(verification.step, "s"),
        "largest": None if largest is None else {"metric": largest[0], "relative": number(largest[1], "1")},
        "metrics": changes,
    }


def _overlay(overlay: Overlay) -> dict[str, Any]:
    channels = {}
    for name, entry in overlay.channels.items():
        largest, at = entry.worst
        channels[name] = {
            "mean": number(entry.mean, entry.unit),
            "rms": number(entry.rms, entry.unit),
            "max": number(largest, entry.unit) | {"at": number(at, "s")},
            "points": len(entry.time),
        }
    return {
        "file": _text(overlay.file),
        "offset": number(overlay.offset, "s"),
        "difference": "simulated minus measured",
        "channels": channels,
        "left_out": list(overlay.left_out),
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown: not installed as a package"


def _text(name: str) -> str:
    """Return a file name that is valid Unicode whatever bytes it has on disk."""
    return name.encode("utf-8", "replace").decode("utf-8")
