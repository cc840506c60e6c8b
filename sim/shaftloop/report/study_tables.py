"""What a study says on the terminal."""

import math
from collections.abc import Sequence
from pathlib import Path

from shaftloop.report.quantities import show
from shaftloop.report.terminal import add_row, console, new_table, print_line, show_files
from shaftloop.studies.whatif.findings import Findings

__all__ = ["show_study"]

_MOST_EFFECTS = 4
_MOST_COLUMNS = 5


def show_study(results: Findings, files: Sequence[Path]) -> None:
    """Print the answers and where the files are.

    Parameters
    ----------
    results : Findings
        From `find`.
    files : sequence of Path
        Files that were written.
    """
    total, done = len(results.table.done), int(results.table.done.sum())
    print_line(f"{results.study.title}: {done} of {total} candidates done")
    for status, reason, count, first in results.reasons:
        print_line(f"{status}: {count} candidates, the first is number {first}: {reason}")
    _show_bounds(results)
    _show_ranked(results)
    _show_effects(results)
    _show_sensitivities(results)
    show_files(files)


def _show_bounds(results: Findings) -> None:
    study = results.study
    if not study.bounds:
        return
    table = new_table("Bounds", "figure", "bound", "kept by", "from")
    for bound, kept in zip(study.bounds, results.answers.kept, strict=True):
        unit = study.figures[bound.metric].unit
        ends = [(">=", bound.at_least), ("<=", bound.at_most)]
        text = ", ".join(f"{sign} {_figure(end, unit)}" for sign, end in ends if end is not None)
        add_row(table, bound.metric, text, f"{kept} of {len(results.table.done)}", bound.origin)
    console().print(table)
    if results.share is not None and study.design.kind == "monte_carlo":
        share = results.share
        print_line(
            f"tolerance yield {100.0 * share.share:.1f} %: {share.passed} of {share.drawn} benches keep "
            f"all bounds; 95 % interval {100.0 * share.low:.1f} to {100.0 * share.high:.1f} %"
        )
    else:
        print_line(f"{int(results.answers.passed.sum())} candidates keep all bounds")


def _show_ranked(results: Findings) -> None:
    study = results.study
    if not results.ranked:
        if study.goals:
            print_line("no candidate keeps all bounds and has a value of every objective: nothing to rank")
        return
    shown = results.ranked[:_MOST_COLUMNS]
    table = new_table("Best candidates, best first", "", *(f"number {entry[0]}" for entry in shown))
    for place, axis in enumerate(study.axes):
        add_row(table, axis.path, *(_factor(entry[3][place], axis.unit) for entry in shown))
    for place, (name, known) in enumerate(study.figures.items()):
        add_row(table, name, *(_figure(entry[4][place], known.unit) for entry in shown))
    console().print(table)
    print_line(f"{len(results.answers.front)} candidates that none beats in every objective")


def _factor(value: object, unit: str) -> str:
    if value is None:
        return "-"
    return f"{value:.5g} {unit}".rstrip() if isinstance(value, float) else str(value)


def _figure(value: float | None, unit: str) -> str:
    """Return a figure with its unit; bare numbers are no percentages here."""
    if value is None:
        return "-"
    return f"{value:.4g}" if unit == "1" or math.isinf(value) else show(value, unit)


def _show_effects(results: Findings) -> None:
    if not results.answers.effects:
        return
    table = new_table("Main effects", "figure", "factor", "moves its mean by", "share of its variance")
    seen: dict[str, int] = {}
    goals = {goal.metric for goal in results.study.goals} or set(list(results.study.figures)[:3])
    for effect in [effect for effect in results.answers.effects if effect.figure in goals]:
        seen[effect.figure] = seen.get(effect.figure, 0) + 1
        if seen[effect.figure] > _MOST_EFFECTS:
            continue
        share = "-" if effect.share is None else f"{100.0 * effect.share:.1f} %"
        unit = results.study.figures[effect.figure].unit
        add_row(table, effect.figure, effect.factor, _figure(effect.span, unit), share)
    console().print(table)


def _show_sensitivities(results: Findings) -> None:
    for entry in results.sensitivities:
        if entry.reason:
            print_line(f"{entry.figure}: no indices: {entry.reason}")
            continue
        table = new_table(
            f"Variance of {entry.figure}, {entry.rows} rows", "factor", "alone", "95 %", "with others", "95 %"
        )
        for index in entry.indices:
            add_row(
                table,
                index.factor,
                f"{index.first:.3f}",
                "{:.3f} to {:.3f}".format(*index.first_interval),
                f"{index.total:.3f}",
                "{:.3f} to {:.3f}".format(*index.total_interval),
            )
        console().print(table)
