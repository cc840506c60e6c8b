"""What `shaftloop uncertainty` makes of a measurement file: document, terminal, folder of files."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from shaftloop.answers.uncertainty import MeasurementAnswer
from shaftloop.report.documents import tool_version
from shaftloop.report.files import Outputs, write_text
from shaftloop.report.terminal import show_files
from shaftloop.report.uncertainty.evaluation import evaluation_document
from shaftloop.report.uncertainty.tables import show_components, show_evaluation, stated_text

__all__ = ["document", "tell", "verdict", "write"]


def document(results: MeasurementAnswer) -> dict[str, Any]:
    """Return the JSON document.

    Parameters
    ----------
    results : MeasurementAnswer
        What was found.
    """
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
    """Return the results with their uncertainty, in a sentence.

    Parameters
    ----------
    results : MeasurementAnswer
        What was found.
    """
    found = results.found
    said = [
        f"{sampled.name} is {stated_text(stated, sampled.unit, people=False)}"
        for stated, sampled in zip(found.stated, found.sampled.results, strict=True)
    ]
    return [f"{', '.join(said)} ({100.0 * found.sampled.coverage:.4g} % coverage)."]


def tell(results: MeasurementAnswer, files: Sequence[Path]) -> None:
    """Print what was found, and where its files are.

    Parameters
    ----------
    results : MeasurementAnswer
        What was found.
    files : sequence of Path
        Files that were written.
    """
    show_evaluation(results.file.title, results.found, False)
    if results.found.propagation is not None:
        for budget in results.found.propagation.budgets:
            show_components(budget, False)
    show_files(files)


def write(folder: Path, results: MeasurementAnswer, document: str, kinds: Sequence[str]) -> list[Path]:
    """Write document and picture and return the files.

    Parameters
    ----------
    folder : Path
        An existing folder.
    results : MeasurementAnswer
        What was found.
    document : str
        The JSON document, written as uncertainty.json.
    kinds : sequence of str
        Formats of the pictures; none, no pictures.
    """
    from shaftloop.report.uncertainty.bars import draw_bars

    out = Outputs(folder, kinds)
    write_text(out.file("uncertainty.json"), document)
    names = [result.name for result in results.found.sampled.results]
    draw_bars(results.found, names, False, results.file.title, out.picture("contributions"))
    return out.files
