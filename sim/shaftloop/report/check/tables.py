"""The result of `shaftloop check` as tables and lines."""

from collections.abc import Iterator, Sequence
from itertools import islice

from shaftloop.report.check.files import bounds_words
from shaftloop.report.check.words import bench_words, quantity, verdict_words
from shaftloop.report.judgement import Judgement
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.checks.run import CheckedScenario, Refused

__all__ = ["details", "judgements", "verdict"]

_MARKS = {"passed": "ok", "failed": "FAILED", "error": "ERROR"}


def details(items: Sequence[CheckedScenario | Refused]) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found, scenario by scenario."""
    for item in items:
        if isinstance(item, Refused):
            yield f"{item.name}: refused"
            for message in item.messages:
                yield f"  {message}"
        else:
            yield from _tell_checked(item)


def _tell_checked(item: CheckedScenario) -> Iterator[Piece]:
    table = new_table(f"{item.label}: {item.scenario.description.title}", "", "figure", "value", "bound")
    for verdict in item.verdicts:
        expectation = verdict.expectation
        value = "-" if verdict.response.failed else quantity(verdict.now, expectation.unit)
        add_row(table, _MARKS[verdict.status], expectation.label, value, bounds_words(expectation))
    yield table
    yield from bench_words(item)
    for verdict in item.verdicts:
        if verdict.status != "passed":
            why = f" ({verdict.expectation.why})" if verdict.expectation.why else ""
            yield f"{_MARKS[verdict.status]}: {verdict_words(verdict)}{why}"
    for verdict in item.verdicts:
        if verdict.status == "passed" and _moved(verdict):
            yield verdict_words(verdict)


def _moved(verdict: Verdict) -> bool:
    return verdict.drift is not None and verdict.drift.kind != "same"


def verdict(items: Sequence[CheckedScenario | Refused]) -> list[str]:
    """Return whether what is expected holds, and what is worst."""
    checked = [item for item in items if isinstance(item, CheckedScenario)]
    judged = [(f", at {item.corner}" if item.corner else "", v) for item in checked for v in item.verdicts]
    states = [v.status for _, v in judged]
    counts = [(states.count("failed"), "failed"), (states.count("error"), "could not be found")]
    counts.append((sum(bool(item.stale) for item in checked), "stale baseline"))
    counts.append((sum(isinstance(item, Refused) for item in items), "refused"))
    said = [f"{count} {word}" for count, word in counts if count]
    kept = f"{states.count('passed')} of {len(states)} expectations hold" if states else "Nothing was checked"
    damaged = [text for item in checked for text in item.overloads]
    if damaged:
        said.append(f"but {damaged[0]}" + (f", and {len(damaged) - 1} more" if len(damaged) > 1 else ""))
    failing = (f"First: {verdict_words(v)}{where}." for where, v in judged if v.status != "passed")
    return [f"{', '.join([kept, *said])}.", *islice(failing, 1)]


def judgements(items: Sequence[CheckedScenario | Refused]) -> Iterator[Judgement]:
    """Yield whether every expectation holds."""
    for item in items:
        for found in item.verdicts if isinstance(item, CheckedScenario) else ():
            yield Judgement("expectation", found.status == "passed", verdict_words(found), found.used)
