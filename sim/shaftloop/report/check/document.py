"""The result of `shaftloop check` as a JSON document."""

from collections.abc import Sequence
from math import isfinite
from typing import Any

from shaftloop.figures import number
from shaftloop.report.check.words import bench_words, verdict_words
from shaftloop.report.documents import identity, origin, tool_version
from shaftloop.studies.checks.judge import Drift, Verdict
from shaftloop.studies.checks.run import CheckedScenario, Refused

__all__ = ["check_document", "overall", "verdict_document"]

_ORDER = ("refused", "error", "failed", "passed")
"""Worst first."""


def overall(items: Sequence[CheckedScenario | Refused]) -> str:
    """Return the worst status: ``refused``, ``error``, ``failed`` or ``passed``."""
    return min((item.status for item in items), key=_ORDER.index, default="passed")


def check_document(items: Sequence[CheckedScenario | Refused]) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "tool": "shaftloop",
        "version": tool_version(),
        "status": overall(items),
        "scenarios": [_checked(item) for item in items if isinstance(item, CheckedScenario)],
        "refused": [
            {"name": item.name, "messages": list(item.messages)}
            for item in items
            if isinstance(item, Refused)
        ],
    }


def _checked(item: CheckedScenario) -> dict[str, Any]:
    reference = item.reference
    return {
        "scenario": identity(item.scenario),
        "provenance": origin(item.scenario),
        "corner": item.corner or None,
        "status": item.status,
        "baseline": None
        if reference is None
        else {
            "file": reference.label,
            "scenario_hash": reference.scenario_hash,
            "version": reference.tool_version,
            "bench_changed": list(item.stale),
            "not_in_baseline": list(item.unknown),
        },
        "gain_changes": [
            {"path": path, "before": before, "now": now} for path, (before, now) in item.gain_changes.items()
        ],
        "expectations": [verdict_document(verdict) for verdict in item.verdicts],
        "notes": bench_words(item),
        "warnings": list(item.warnings),
    }


def verdict_document(verdict: Verdict) -> dict[str, Any]:
    """Return what was found about an expectation."""
    expectation, response, unit = verdict.expectation, verdict.response, verdict.expectation.unit
    document: dict[str, Any] = {
        "metric": expectation.metric,
        "name": expectation.name or None,
        "meaning": expectation.meaning,
        "why": expectation.why or None,
        "status": verdict.status,
        "broken": list(verdict.broken),
        "found": number(response.value, unit, response.reason),
    }
    for key in ("at_most", "at_least"):
        bound = getattr(expectation, key)
        document[key] = None if bound is None else number(bound, unit)
    document["baseline"] = None if verdict.drift is None else _drift(verdict.drift, unit)
    return document | {"words": verdict_words(verdict)}


def _drift(drift: Drift, unit: str) -> dict[str, Any]:
    endless = "beyond every bound" if drift.before is not None and not isfinite(drift.before) else "no value"
    return {
        "value": number(drift.before, unit, endless),
        "change": number(drift.change, unit, "one of the two has no end or no value"),
        "kind": drift.kind,
        "allowed": None if drift.allowance is None else number(drift.allowance, unit),
        "exceeded": drift.exceeded,
    }
