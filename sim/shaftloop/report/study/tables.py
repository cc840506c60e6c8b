"""What a study found, on the terminal."""

import math
from collections.abc import Iterator

from shaftloop.report.quantities import percent, show
from shaftloop.report.study.scales import wrapped
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.whatif.factors import Axis, Value
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.words import figure_words, value_words

__all__ = ["details", "shown_bound", "shown_figure", "shown_value"]

_MOST_EFFECTS = 4
"""Factors per figure that are shown; the document has all."""
_MOST_REASONS = 5
_LETTERS = 12
"""Most on a line at the head of a column."""
_WIDE = 0.3
"""Width of an interval of an index from which on it says little."""


def details(results: StudyFindings) -> Iterator[Piece]:
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
            f"yield: {good.passed} of {good.drawn} benches keep every bound, {percent(good.share, 2)}; with "
            f"95 % confidence {percent(good.low, 2)} to {percent(good.high, 2)} of all benches"
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


def shown_bound(results: StudyFindings, place: int) -> str:
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
    return f"{figure_words(bound.metric)} {' and '.join(ends)}"


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
    if unit == "1" and value:
        return f"{value:#.4g}".rstrip(".")
    return show(value, unit).replace(" deg", "°") if math.isfinite(value) else f"{value:g}"


def _tell_ranked(results: StudyFindings) -> Iterator[Piece]:
    study, ranked = results.study, results.answers.ranked.tolist()
    if not study.goals:
        yield f"{study.title}: no [[objective]], so no ranking"
        return
    if not ranked:
        yield f"{study.title}: no candidate keeps every bound and has every objective"
        return
    columns = [*(value_words(axis.path) for axis in study.axes), *map(figure_words, study.asked)]
    heads = [wrapped(words, _LETTERS) for words in columns]
    table = new_table(f"{study.title}: best candidates", "number", *heads)
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
    gains = "" if study.tune is None else f", tuned in {' and '.join(study.tune.loops)}"
    yield f"the best again{gains}: {', '.join(_settings(results, ranked[0]))}"


def _settings(results: StudyFindings, number: int) -> list[str]:
    """Return a candidate as settings of the scenario."""
    study = results.study
    (candidate,) = results.store.plan.candidates([number])
    settings = list(study.settings)
    for axis, value in zip(study.axes, candidate.values, strict=True):
        if isinstance(value, str):
            settings.append(axis.setting(value))
        elif value is not None:
            # A float of the plan has digits that nobody has asked for: 0.15000000000000002.
            settings.append(f"{axis.path}={value:.6g} {axis.unit}".rstrip())
    return settings


def _tell_bounds(results: StudyFindings) -> Iterator[Piece]:
    if not results.study.bounds:
        return
    total = results.table.evaluated
    table = new_table("Bounds", "bound", "kept by", "stated in")
    for place, (bound, kept) in enumerate(zip(results.study.bounds, results.answers.kept, strict=True)):
        add_row(table, shown_bound(results, place), f"{kept} of {total}", bound.origin)
    yield table


def _tell_effects(results: StudyFindings) -> Iterator[Piece]:
    table = new_table("What moves the figures", "figure", "factor", "change", "share of variance")
    for name in results.study.asked:
        unit = results.study.figures[name].unit
        effects = [effect for effect in results.answers.effects if effect.figure == name]
        for effect in effects[:_MOST_EFFECTS]:
            share = "-" if effect.share is None else f"{percent(effect.share)}"
            add_row(
                table, figure_words(name), value_words(effect.factor), shown_figure(effect.span, unit), share
            )
    if table.rows:
        yield table
    total = results.table.evaluated
    for name in results.study.asked:
        if 0 < (without := results.table.without(name)) < total:
            lacking = f"{without} of {total} candidates have no {figure_words(name)}"
            yield f"{lacking}, so its means compare unlike benches"


def _tell_indices(results: StudyFindings) -> Iterator[Piece]:
    title = "Shares of the variance (95 % interval)"
    table = new_table(title, "figure", "factor", "alone", "with others")
    for entry in results.indices:
        if not entry.indices:
            add_row(table, figure_words(entry.figure), "-", entry.reason, "")
        for index in entry.indices:
            alone = f"{index.first:.3f} ({index.first_interval[0]:.3f} to {index.first_interval[1]:.3f})"
            every = f"{index.total:.3f} ({index.total_interval[0]:.3f} to {index.total_interval[1]:.3f})"
            add_row(table, figure_words(entry.figure), value_words(index.factor), alone, every)
    yield table
    widest = max(
        (i.total_interval[1] - i.total_interval[0] for e in results.indices for i in e.indices), default=0
    )
    if widest > _WIDE:
        yield (f"intervals up to {widest:.2f} wide say little about what matters; raise count of the design")
