"""What `shaftloop uncertainty` makes of a measurement file: document, terminal, folder of files."""

from collections.abc import Iterator
from typing import Any

from shaftloop.answers.uncertainty import MeasurementAnswer
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import tool_version
from shaftloop.report.terminal import Piece
from shaftloop.report.uncertainty.evaluation import evaluation_document
from shaftloop.report.uncertainty.tables import show_components, show_evaluation, stated_text

__all__ = ["FILE", "details", "document", "pictures", "verdict"]

FILE = "uncertainty.json"


def document(results: MeasurementAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    file = results.file
    document = evaluation_document(results.found)
    for expression, result in zip(file.expressions, document["results"].values(), strict=True):
        result["expression"] = expression
    return {
        "measurement": {"name": file.name, "title": file.title, "path": str(file.path), "hash": file.hash},
        "provenance": {"tool": "shaftloop", "version": tool_version(), "seed": file.plan.seed},
        **document,
        "warnings": list(file.warnings),
    }


def verdict(results: MeasurementAnswer) -> list[str]:
    """Return the results with their uncertainty, in a sentence."""
    found = results.found
    said = [
        f"{sampled.name} is {stated_text(stated, sampled.unit, people=False)}"
        for stated, sampled in zip(found.stated, found.sampled.results, strict=True)
    ]
    return [f"{', '.join(said)} ({100.0 * found.sampled.coverage:.4g} % coverage)."]


def details(results: MeasurementAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    yield from show_evaluation(results.file.title, results.found, False)
    if results.found.propagation is not None:
        for budget in results.found.propagation.budgets:
            yield from show_components(budget, False)


def pictures(results: MeasurementAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.uncertainty.bars import bars_picture

    names = [result.name for result in results.found.sampled.results]
    return [bars_picture(results.found, names, False, "contributions", results.file.title)]
