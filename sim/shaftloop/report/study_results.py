"""What a finished study hands out: one JSON document, a table of all candidates, pictures."""

import csv
import io
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from shaftloop.report.documents import identity, number, origin
from shaftloop.report.files import open_atomically, write_text
from shaftloop.report.study_pictures import draw_contours, draw_effects, draw_parallel
from shaftloop.studies.whatif.findings import Findings
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.sensitivity import Sensitivity
from shaftloop.studies.whatif.store import Entry, Store

__all__ = ["study_document", "write_study"]

_BEYOND = "no bound limits it"


def study_document(results: Findings) -> dict[str, Any]:
    """Return the answers as a document.

    Parameters
    ----------
    results : Findings
        From `find`.
    """
    study, answers, table = results.study, results.answers, results.table
    done = int(table.done.sum())
    return {
        "study": {"name": study.name, "title": study.title, "design": study.design.kind},
        "scenario": identity(study.scenario),
        "provenance": origin(study.scenario),
        "candidates": {"total": len(table.done), "done": done, "not_done": len(table.done) - done},
        "not_done": [
            {"status": status, "reason": reason, "count": count, "first": first}
            for status, reason, count, first in results.reasons
        ],
        "bounds": [
            {
                "metric": bound.metric,
                "at_least": bound.at_least,
                "at_most": bound.at_most,
                "unit": study.figures[bound.metric].unit,
                "origin": bound.origin,
                "kept": kept,
            }
            for bound, kept in zip(study.bounds, answers.kept, strict=True)
        ],
        "passed": int(answers.passed.sum()),
        "yield": _yield(results),
        "ranked": [_candidate(study, entry) for entry in results.ranked],
        "front": answers.front.tolist(),
        "main_effects": [
            {
                "figure": effect.figure,
                "factor": effect.factor,
                "span": number(effect.span, study.figures[effect.figure].unit),
                "share": number(effect.share, "1", "the figure does not vary"),
                "levels": [
                    {"low": level.low, "high": level.high, "label": level.label, "mean": level.mean}
                    for level in effect.levels
                ],
            }
            for effect in answers.effects
        ],
        "sensitivity": [_sensitivity(entry) for entry in results.sensitivities],
    }


def _yield(results: Findings) -> dict[str, Any] | None:
    if results.share is None:
        return None
    share = results.share
    interval = [share.low, share.high] if results.study.design.kind == "monte_carlo" else None
    return {"share": share.share, "interval_95": interval, "passed": share.passed, "drawn": share.drawn}


def _candidate(study: Study, entry: Entry) -> dict[str, Any]:
    candidate, status, reason, values, figures, missing = entry
    return {
        "candidate": candidate,
        "status": status,
        "reason": reason,
        "factors": {
            axis.path: value if isinstance(value, str) else number(value, axis.unit or "1", "as the scenario")
            for axis, value in zip(study.axes, values, strict=True)
        },
        "figures": {
            name: number(value, known.unit, missing.get(name, _BEYOND))
            for (name, known), value in zip(study.figures.items(), figures, strict=True)
        },
    }


def _sensitivity(entry: Sensitivity) -> dict[str, Any]:
    return {
        "figure": entry.figure,
        "rows": entry.rows,
        "reason": entry.reason,
        "indices": [
            {
                "factor": index.factor,
                "first": index.first,
                "first_interval_95": list(index.first_interval),
                "total": index.total,
                "total_interval_95": list(index.total_interval),
            }
            for index in entry.indices
        ],
    }


def write_study(folder: Path, results: Findings, store: Store, document: str) -> list[Path]:
    """Write document, table and pictures, and return the files.

    Parameters
    ----------
    folder : Path
        Where they go.
    results : Findings
        From `find`.
    store : Store
        Its rows, all of which go into the table.
    document : str
        From `study_document`.
    """
    files = [folder / "study.json", folder / "candidates.csv"]
    write_text(files[0], document)
    _write_table(files[1], results.study, store.entries())
    title = results.study.title
    for draw, name in ((draw_effects, "effects"), (draw_contours, "contours"), (draw_parallel, "parallel")):
        paths = [folder / f"{name}.svg", folder / f"{name}.png"]
        if draw(results.study, results.table, results.answers, title, paths):
            files += paths
    return files


def _write_table(path: Path, study: Study, entries: Iterator[Entry]) -> None:
    """Write all candidates as CSV, row by row."""
    head: Sequence[str] = [
        *("candidate", "status", "reason"),
        *(f"{axis.path} [{axis.unit or 1}]" for axis in study.axes),
        *(f"{name} [{known.unit}]" for name, known in study.figures.items()),
    ]
    with open_atomically(path) as file:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(head)
        for number_, status, reason, values, figures, _ in entries:
            writer.writerow([number_, status, reason, *map(_cell, values), *map(_cell, figures)])
        text.detach()


def _cell(value: object) -> object:
    """Return a cell: empty where there is no value, ``inf`` where no bound limits it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return repr(value) if isinstance(value, float) else value
