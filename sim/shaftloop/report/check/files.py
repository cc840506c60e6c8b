"""The result of `shaftloop check` for other tools: JUnit XML, and Markdown for a merge request."""

import re
from collections.abc import Callable, Sequence

from shaftloop.report.check.document import overall
from shaftloop.report.check.words import bench_words, quantity, verdict_words
from shaftloop.report.documents import tool_version
from shaftloop.studies.checks.expectations import Expectation
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.checks.run import CheckedScenario, Refused
from shaftloop.text import escaped

__all__ = ["bounds_words", "junit_text", "markdown_text"]

_MARKS = {"passed": "✅", "failed": "❌ failed", "error": "💥 error", "refused": "❌ refused"}
_HEAD = "| | figure | value | bound | baseline |\n|---|---|---|---|---|\n"


def junit_text(items: Sequence[CheckedScenario | Refused], spelt: Callable[[str], str] = str) -> str:
    """Return the result as JUnit XML: a suite per scenario, a case per expectation.

    Parameters
    ----------
    spelt : callable
        Returns a text with the arguments that it has in backticks as its readers know them.
    """
    from junitparser import Error, Failure, JUnitXml, TestCase, TestSuite

    report = JUnitXml("shaftloop check")
    for item in items:
        suite = TestSuite(escaped(item.name if isinstance(item, Refused) else item.label))
        for name, status, text in _cases(item):
            case = TestCase(name, classname=f"shaftloop.{suite.name}")
            if status == "failed":
                case.result = [Failure(spelt(text), "expectation")]
            elif status == "error":
                case.result = [Error(spelt(text), "simulation")]
            suite.add_testcase(case)
        report.add_testsuite(suite)
    return str(report.tostring().decode("utf-8")) + "\n"  # type: ignore[no-untyped-call]


def markdown_text(items: Sequence[CheckedScenario | Refused], spelt: Callable[[str], str] = str) -> str:
    """Return the result as Markdown; nothing in a scenario is taken for markup.

    Parameters
    ----------
    spelt : callable
        As in `junit_text`.
    """
    parts = [f"## shaftloop check: {_MARKS[overall(items)]}\n"]
    for item in items:
        if isinstance(item, Refused):
            parts.append(f"### {_inert(item.name)}: {_MARKS['refused']}\n")
            parts.append("".join(f"- {_inert(spelt(message))}\n" for message in item.messages))
            continue
        parts.append(f"### {_inert(item.label)}: {_MARKS[item.status]}\n")
        parts.append(f"{_inert(item.scenario.description.title)}\n")
        notes = [*bench_words(item), *(_said(verdict) for verdict in item.verdicts if _worth_saying(verdict))]
        parts.append("".join(f"- {_inert(spelt(note))}\n" for note in notes))
        parts.append(_HEAD + "".join(_row(verdict) for verdict in item.verdicts))
    parts.append(f"shaftloop {_inert(tool_version())}\n")
    return "\n".join(parts)


def bounds_words(expectation: Expectation) -> str:
    """Return the bounds of an expectation, e.g. ``at least 35.0 deg``."""
    bounds = (("at least", expectation.at_least), ("at most", expectation.at_most))
    found = [f"{word} {quantity(bound, expectation.unit)}" for word, bound in bounds if bound is not None]
    return " and ".join(found)


def _cases(item: CheckedScenario | Refused) -> list[tuple[str, str, str]]:
    """Return (name, status, text) of the cases of a suite."""
    if isinstance(item, Refused):
        return [("input", "error", escaped("\n".join(item.messages)))]
    cases: list[tuple[str, str, str]] = [
        (v.expectation.label, v.status, escaped(_said(v))) for v in item.verdicts
    ]
    if item.reference is not None:
        notes = escaped("\n".join(bench_words(item)))
        cases.append(("baseline", "failed" if item.stale else "passed", notes))
    return cases


def _said(verdict: Verdict) -> str:
    why = f" ({verdict.expectation.why})" if verdict.expectation.why and verdict.status != "passed" else ""
    return verdict_words(verdict) + why


def _worth_saying(verdict: Verdict) -> bool:
    return verdict.status != "passed" or (verdict.drift is not None and verdict.drift.kind != "same")


def _row(verdict: Verdict) -> str:
    expectation, unit = verdict.expectation, verdict.expectation.unit
    before = "" if verdict.drift is None else quantity(verdict.drift.before, unit)
    now = "error" if verdict.response.failed else quantity(verdict.now, unit)
    cells = (expectation.label, now, bounds_words(expectation), before)
    return f"| {_MARKS[verdict.status]} | {' | '.join(_inert(cell) for cell in cells)} |\n"


def _inert(text: str) -> str:
    """Return a text in which Markdown and HTML find nothing to act on, links and mentions included."""
    marks = re.sub(r"[&<>@#|`*_\[\]\\~$!{}]", lambda found: f"&#{ord(found[0])};", escaped(text))
    return re.sub(r"(?i)www\.", "www&#46;", marks.replace("://", ":&#47;/").replace("\n", " "))
