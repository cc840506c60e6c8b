"""The report about a bench: all answers, as a page, a PDF and a document."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaftloop.analysis.simulation import remembered
from shaftloop.answers.base import Answer
from shaftloop.answers.show import ShowAnswer, find_bench
from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.files import OutputError, Outputs, write_text
from shaftloop.report.page.front import Front, front_of
from shaftloop.report.page.pdf import find_browser, write_pdf
from shaftloop.report.page.sections import AnsweredSection, Asked, find_sections, named_sections
from shaftloop.report.terminal import Piece, add_row, new_table

__all__ = ["FILE", "Report", "details", "document", "make_report", "verdict", "write_more", "write_page"]

FILE = ""
"""The document goes to stdout only."""

_ENDINGS = {".html": write_text, ".pdf": write_pdf}


@dataclass(frozen=True)
class Report(Answer):
    """All answers about a bench."""

    bench: ShowAnswer
    found: tuple[AnsweredSection, ...]
    front: Front
    files: tuple[Path, ...] = ()
    """Where it is to be written."""
    spelt: Callable[[str], str] = str
    """Returns a text with the arguments that it has in backticks as readers of the page know them."""


def make_report(asked: Asked, names: Iterable[str] = (), files: Iterable[Path] = ()) -> Report:
    """Answer all questions about a bench.

    Parameters
    ----------
    names : iterable of str
        Sections; all where left out.
    files : iterable of Path
        Where the report is to be written.

    Raises
    ------
    ScenarioError
        Where there is no such section.
    OutputError
        Where a file has an ending other than ``.html`` and ``.pdf``, or there is no browser to print it.
    """
    places = tuple(files)
    for path in places:
        if path.suffix not in _ENDINGS:
            raise OutputError(f"{path}: unknown ending; a report is written as {', '.join(_ENDINGS)}")
        if path.suffix == ".pdf":
            find_browser()
    with remembered():
        found = tuple(find_sections(asked, named_sections(names)))
    return Report(asked.scenario, find_bench(asked.scenario), found, front_of(found), places)


def verdict(report: Report) -> list[str]:
    """Return whether the bench does its job, what binds, and what to do, in at most three sentences."""
    return report.front.sentences


def document(report: Report) -> dict[str, Any]:
    """Return the JSON document."""
    front = report.front
    return {
        "scenario": identity(report.scenario),
        "provenance": origin(report.scenario),
        "holds": front.holds,
        "reservation": front.reservation or None,
        "demands": [
            {
                "kind": entry.kind,
                "holds": entry.holds,
                "words": entry.words,
                "share_of_bound": number(entry.used, "1", "the finding and its bound have no ratio"),
            }
            for entry in front.judgements
        ],
        "binding": [entry.words for entry in front.binding],
        "advice": list(front.advice),
        "unsafe": list(front.dangers),
        "sections": [
            {
                "name": entry.section.name,
                "question": entry.section.question,
                "answered": not entry.reason,
                "answer": entry.sentences,
            }
            for entry in report.found
        ],
        "files": [str(path) for path in report.files],
        "warnings": list(report.warnings),
    }


def details(report: Report) -> Iterator[Piece]:
    """Yield what does not hold, and the answer to every question."""
    failing = [entry for entry in report.front.judgements if not entry.holds]
    if failing:
        table = new_table("What does not hold", "demand", "finding")
        for entry in failing:
            add_row(table, entry.kind, entry.words)
        yield table
    for section in report.found:
        yield section.section.question
        yield f"  {' '.join(section.sentences)}"
        yield ""


def write_page(report: Report) -> None:
    """Write the report into its files.

    Raises
    ------
    OutputError
        Where a file cannot be written.
    """
    from shaftloop.report.page.page import page_text

    page = page_text(report.bench, report.found, report.front, report.spelt)
    for path in report.files:
        _ENDINGS[path.suffix](path, page)


def write_more(out: Outputs, report: Report) -> None:
    """Write the page in all its formats."""
    write_page(report)
    out.files += report.files
