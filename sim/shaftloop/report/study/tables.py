"""What a study found, on the terminal."""

import math
import re
from collections.abc import Iterator

from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.whatif.factors import Axis, Value
from shaftloop.studies.whatif.findings import Findings

__all__ = ["details", "shown_bound", "shown_figure", "shown_value"]

_MOST_EFFECTS = 4
"""Factors per figure that are shown; the document has all."""
_MOST_REASONS = 5
_WIDE = 0.3
"""Width of an interval of an index from which on it says little."""


def details(results: Findings) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    total, done = results.table.evaluated, int(results.table.done.sum())
    yield from _tell_ranked(results)
    yield from _tell_bounds(results)
    if results.indices:
        yield from _tell_indices(results)
    else:
        yield from _tell_effects(results)
    if results.good is not None:
        good = results.good
        yield (
            f"yield: {good.passed} of {good.drawn} benches keep every bound, {good.share:.2%}; with 95 % "
            f"confidence {good.low:.2%} to {good.high:.2%} of all benches"
        )
    yield f"{done} of {total} candidates done, {int(results.answers.passed.sum())} keep every bound"
    if results.simulates:
        yield "simulated in lanes, several at a time: {}; singly: {}".format(*results.store.shared)
    for status, reason, count, first in results.reasons()[:_MOST_REASONS]:
        yield f"  {count} {status}, the first is number {first}: {reason}"


def shown_value(axis: Axis, value: Value | None) -> str:
    """Return the value of a factor as text.

    Parameters
    ----------
    value : float or str or None
        In its unit.
    """
    if value is None:
        return "as is"
    return value if isinstance(value, str) else f"{value:.4g} {axis.unit}".rstrip()


def shown_bound(results: Findings, place: int) -> str:
    """Return a bound as text.

    Parameters
    ----------
    place : int
        Of the bound.
    """
    bound = results.study.bounds[place]
    unit = results.study.figures[bound.metric].unit
    ends = [
        f"{word} {shown_figure(end, unit)}"
        for word, end in (("at least", bound.at_least), ("at most", bound.at_most))
        if end is not None
    ]
    return f"{bound.metric} {' and '.join(ends)}"


def shown_figure(value: float | None, unit: str) -> str:
    """Return a figure as text; a share stays a plain number, for a margin is not read in %.

    Parameters
    ----------
    value : float or None
        In `unit`.
    unit : str
        Its unit.
    """
    if value is None:
        return "-"
    return f"{value:#.4g}".rstrip(".") if unit == "1" or not math.isfinite(value) else show(value, unit)


def _stacked(name: str) -> str:
    """Return a dotted name over several lines, so that a table stays narrow."""
    return re.sub(r"(\w{6,}?_)(?=\w{5,})", r"\1\n", name).replace(".", ".\n")


def _tell_ranked(results: Findings) -> Iterator[Piece]:
    study, ranked = results.study, results.answers.ranked.tolist()
    if not study.goals:
        yield f"{study.title}: no [[objective]], so no ranking"
        return
    if not ranked:
        yield f"{study.title}: no candidate keeps every bound and has every objective"
        return
    columns = [axis.path for axis in study.axes] + list(study.asked)
    table = new_table(f"{study.title}: best candidates", "number", *map(_stacked, columns))
    front = set(results.answers.front.tolist())
    for number, _, _, values, figures, _ in results.store.entries(ranked):
        cells = [shown_value(axis, value) for axis, value in zip(study.axes, values, strict=True)]
        # The figures that the study names come first.
        cells += [shown_figure(figures[i], study.figures[name].unit) for i, name in enumerate(study.asked)]
        add_row(table, f"{number}{' *' if number in front and len(study.goals) > 1 else ''}", *cells)
    yield table
    if len(study.goals) > 1:
        yield (
            f"* no other candidate is better in every objective; there are {len(front)} such; those without "
            "a star come after them in the same manner, each set by the first objective"
        )


def _tell_bounds(results: Findings) -> Iterator[Piece]:
    if not results.study.bounds:
        return
    total = results.table.evaluated
    table = new_table("Bounds", "bound", "kept by", "stated in")
    for place, (bound, kept) in enumerate(zip(results.study.bounds, results.answers.kept, strict=True)):
        add_row(table, shown_bound(results, place), f"{kept} of {total}", bound.origin)
    yield table


def _tell_effects(results: Findings) -> Iterator[Piece]:
    table = new_table("What moves the figures", "figure", "factor", "change", "share of variance")
    for name in results.study.asked:
        unit = results.study.figures[name].unit
        effects = [effect for effect in results.answers.effects if effect.figure == name]
        for effect in effects[:_MOST_EFFECTS]:
            share = "-" if effect.share is None else f"{effect.share:.0%}"
            add_row(table, name, effect.factor, shown_figure(effect.span, unit), share)
    if table.rows:
        yield table
    total = results.table.evaluated
    for name in results.study.asked:
        if 0 < (without := results.table.without(name)) < total:
            yield f"{without} of {total} candidates have no {name}, so its means compare unlike benches"


def _tell_indices(results: Findings) -> Iterator[Piece]:
    title = "Shares of the variance (95 % interval)"
    table = new_table(title, "figure", "factor", "alone", "with others")
    for entry in results.indices:
        if not entry.indices:
            add_row(table, entry.figure, "-", entry.reason, "")
        for index in entry.indices:
            alone = f"{index.first:.3f} ({index.first_interval[0]:.3f} to {index.first_interval[1]:.3f})"
            every = f"{index.total:.3f} ({index.total_interval[0]:.3f} to {index.total_interval[1]:.3f})"
            add_row(table, entry.figure, index.factor, alone, every)
    yield table
    widest = max(
        (i.total_interval[1] - i.total_interval[0] for e in results.indices for i in e.indices), default=0
    )
    if widest > _WIDE:
        yield (f"intervals up to {widest:.2f} wide say little about what matters; raise count of the design")
