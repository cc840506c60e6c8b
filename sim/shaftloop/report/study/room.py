"""What `shaftloop study` found: as a document and as a folder of files."""

from collections.abc import Iterable
from typing import Any

from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.files import Outputs
from shaftloop.report.study.pictures import pictures
from shaftloop.report.study.table import write_table
from shaftloop.report.study.tables import details
from shaftloop.report.study.verdict import verdict
from shaftloop.studies.whatif.answers import FactorEffect
from shaftloop.studies.whatif.factors import Axis, Listed, Value
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.studies.whatif.reading import Bound, Study
from shaftloop.studies.whatif.sensitivity import Sensitivity
from shaftloop.studies.whatif.store import Entry, ResultStore

__all__ = ["FILE", "details", "document", "pictures", "verdict", "write_more"]

FILE = "study.json"

_MOST_FRONT = 200


def document(results: StudyFindings) -> dict[str, Any]:
    """Return the JSON document; it is the same wherever and in whatever order the candidates ran."""
    study, store, answers = results.study, results.store, results.answers
    front = answers.front.tolist()
    return {
        "study": {"name": study.name, "title": study.title, "path": str(study.path)},
        "scenario": identity(study.scenario),
        "provenance": origin(study.scenario) | {"settings": list(study.settings)},
        "design": {
            "kind": study.design.kind,
            "count": study.design.count,
            "seed": study.design.seed,
            "candidates": store.plan.total,
        },
        "factors": {axis.path: _factor(axis) for axis in study.axes},
        "figures": {
            name: {"unit": entry.unit, "meaning": entry.meaning} for name, entry in study.figures.items()
        },
        "candidates": {
            "total": store.plan.total,
            "evaluated": results.table.evaluated,
            "done": int(results.table.done.sum()),
            "passed": int(answers.passed.sum()),
            "simulated": _simulated(results),
            "not_done": [
                {"status": status, "reason": reason, "count": count, "first": first}
                for status, reason, count, first in results.reasons()
            ],
        },
        "constraints": [
            _bound(study, bound, kept) for bound, kept in zip(study.bounds, answers.kept, strict=True)
        ],
        "objectives": [
            {"metric": goal.metric, "goal": "maximise" if goal.maximise else "minimise"}
            for goal in study.goals
        ],
        "ranked": _candidates(store, answers.ranked.tolist()),
        "front": {"count": len(front), "candidates": _candidates(store, front[:_MOST_FRONT])},
        "main_effects": [_effect(study, effect) for effect in answers.effects],
        "sensitivity": [_sensitivity(entry) for entry in results.indices],
        "yield": _yield(results),
        "warnings": list(results.warnings),
    }


def write_more(out: Outputs, results: StudyFindings) -> None:
    """Write the table of the candidates."""
    write_table(out.file("candidates.csv"), results.store, results.answers)


def _simulated(results: StudyFindings) -> dict[str, int] | None:
    if not results.simulates:
        return None
    in_lanes, singly = results.store.shared
    return {"in_lanes": in_lanes, "singly": singly}


def _factor(axis: Axis) -> dict[str, Any]:
    if isinstance(axis, Listed):
        return {"unit": axis.unit or "1", "values": list(axis.choices)}
    ends = {
        "low": number(axis.low, axis.unit or "1", "no end"),
        "high": number(axis.high, axis.unit or "1", "no end"),
    }
    if axis.kind in ("linear", "log"):
        return {"unit": axis.unit or "1", "scale": axis.kind, **ends}
    nominal = number(axis.nominal, axis.unit or "1", "not needed")
    width = number(axis.width, "1" if axis.kind == "lognormal" else axis.unit or "1", "given by the ends")
    return {"unit": axis.unit or "1", "distribution": axis.kind, "nominal": nominal, "spread": width, **ends}


def _bound(study: Study, bound: Bound, kept: int) -> dict[str, Any]:
    unit = study.figures[bound.metric].unit
    return {
        "metric": bound.metric,
        "at_least": number(bound.at_least, unit, "no bound"),
        "at_most": number(bound.at_most, unit, "no bound"),
        "origin": bound.origin,
        "kept": kept,
    }


def _candidates(store: ResultStore, numbers: Iterable[int]) -> list[dict[str, Any]]:
    return [_candidate(store.study, entry) for entry in store.entries(numbers)]


def _candidate(study: Study, entry: Entry) -> dict[str, Any]:
    place, _, _, values, figures, missing = entry
    return {
        "candidate": place,
        "factors": {axis.path: _value(axis, v) for axis, v in zip(study.axes, values, strict=True)},
        "figures": {
            name: number(value, known.unit, missing.get(name))
            for (name, known), value in zip(study.figures.items(), figures, strict=True)
        },
    }


def _value(axis: Axis, value: Value | None) -> Any:
    return value if isinstance(value, str) else number(value, axis.unit or "1", "as in the scenario")


def _effect(study: Study, effect: FactorEffect) -> dict[str, Any]:
    unit = study.figures[effect.figure].unit
    return {
        "figure": effect.figure,
        "factor": effect.factor,
        "span": number(effect.span, unit),
        "share_of_variance": number(effect.share, "1", "the figure does not vary"),
        "levels": [
            ({"value": level.label} if level.label else {"low": level.low, "high": level.high})
            | {"mean": number(level.mean, unit), "count": level.count}
            for level in effect.levels
        ],
    }


def _sensitivity(entry: Sensitivity) -> dict[str, Any]:
    document: dict[str, Any] = {
        "figure": entry.figure,
        "rows": entry.rows,
        "indices": [
            {
                "factor": index.factor,
                "first": index.first,
                "first_interval": list(index.first_interval),
                "total": index.total,
                "total_interval": list(index.total_interval),
            }
            for index in entry.indices
        ],
    }
    return document if entry.indices else document | {"reason": entry.reason}


def _yield(results: StudyFindings) -> dict[str, Any]:
    good = results.good
    if good is None:
        reason = "needs bounds and the design monte_carlo, which draws benches independently"
        return number(None, "1", reason)
    interval = {"low": good.low, "high": good.high, "confidence": 0.95, "method": "Clopper-Pearson"}
    return number(good.share, "1") | {"passed": good.passed, "drawn": good.drawn, "interval": interval}
