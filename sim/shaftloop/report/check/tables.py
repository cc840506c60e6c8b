"""The result of `shaftloop check` on the terminal."""

from collections.abc import Sequence
from pathlib import Path

from shaftloop.report.check.files import bounds_words
from shaftloop.report.check.words import bench_words, quantity, verdict_words
from shaftloop.report.terminal import add_row, new_table, print_line, print_table, show_files
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.checks.run import Checked, Refused

__all__ = ["show_check", "verdict"]

_MARKS = {"passed": "ok", "failed": "FAILED", "error": "ERROR"}


def show_check(items: Sequence[Checked | Refused], files: Sequence[Path]) -> None:
    """Print what was found, scenario by scenario, and where files are.

    Parameters
    ----------
    items : sequence of Checked or Refused
        One per scenario.
    files : sequence of Path
        Files that were written.
    """
    for item in items:
        if isinstance(item, Refused):
            print_line(f"{item.name}: refused")
            for message in item.messages:
                print_line(f"  {message}")
        else:
            _show_checked(item)
    show_files(files)


def _show_checked(item: Checked) -> None:
    table = new_table(
        f"{item.scenario.name}: {item.scenario.description.title}", "", "figure", "value", "bound"
    )
    for verdict in item.verdicts:
        expectation = verdict.expectation
        value = "-" if verdict.response.failed else quantity(verdict.now, expectation.unit)
        add_row(table, _MARKS[verdict.status], expectation.label, value, bounds_words(expectation))
    print_table(table)
    for line in bench_words(item):
        print_line(line)
    for verdict in item.verdicts:
        if verdict.status != "passed":
            why = f" ({verdict.expectation.why})" if verdict.expectation.why else ""
            print_line(f"{_MARKS[verdict.status]}: {verdict_words(verdict)}{why}")
    for verdict in item.verdicts:
        if verdict.status == "passed" and _moved(verdict):
            print_line(verdict_words(verdict))


def _moved(verdict: Verdict) -> bool:
    return verdict.drift is not None and verdict.drift.kind != "same"


def verdict(items: Sequence[Checked | Refused]) -> list[str]:
    """Return whether what is expected holds, and what is worst.

    Parameters
    ----------
    items : sequence of Checked or Refused
        One per scenario.
    """
    verdicts = [v for item in items if isinstance(item, Checked) for v in item.verdicts]
    states = [v.status for v in verdicts]
    counts = [(states.count("failed"), "failed"), (states.count("error"), "could not be found")]
    counts.append((sum(isinstance(item, Checked) and bool(item.stale) for item in items), "stale baseline"))
    counts.append((sum(isinstance(item, Refused) for item in items), "refused"))
    said = [f"{count} {word}" for count, word in counts if count]
    kept = f"{states.count('passed')} of {len(verdicts)} expectations hold"
    first = next((v for v in verdicts if v.status != "passed"), None)
    return [f"{', '.join([kept, *said])}.", *([] if first is None else [f"First: {verdict_words(first)}."])]
