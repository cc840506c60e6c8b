"""Pictures of a study: what each factor does, and the indices; maps and parallel axes are drawn elsewhere."""

from typing import Any

import numpy as np

from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import percent
from shaftloop.report.study.maps import contour_picture, mapped
from shaftloop.report.study.parallel import parallel_picture
from shaftloop.report.study.scales import Scale, factor_scale, figure_scale, log_axis, wrapped
from shaftloop.studies.whatif.answers import FactorEffect
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.studies.whatif.sensitivity import Sensitivity
from shaftloop.words import figure_words, value_words

__all__ = ["effects_picture", "indices_picture", "pictures"]

_MOST_ROWS = 5
_MOST_COLUMNS = 6


def pictures(results: StudyFindings) -> list[Picture]:
    """Return whatever the study has to show."""
    drawn = []
    if any(effect.figure in results.study.asked for effect in results.answers.effects):
        drawn.append(effects_picture(results))
    if mapped(results):
        drawn.append(contour_picture(results))
    if int(results.table.done.sum()) > 1:
        drawn.append(parallel_picture(results))
    if any(entry.indices for entry in results.indices):
        drawn.append(indices_picture(results))
    return drawn


def effects_picture(results: StudyFindings) -> Picture:
    """Return the mean of every figure against every factor."""
    effects = {(effect.figure, effect.factor): effect for effect in results.answers.effects}
    known = {figure for figure, _ in effects}
    figures = [name for name in results.study.asked if name in known][:_MOST_ROWS]
    factors = results.answers.strongest(figures, list(results.table.factors), _MOST_COLUMNS)
    total = results.store.plan.total

    def paint(figure: Any) -> None:
        grid = figure.subplots(len(figures), len(factors), sharey="row", sharex="col", squeeze=False)
        for row, name in zip(grid, figures, strict=True):
            scale = figure_scale(results, name)
            for i, (axes, factor) in enumerate(zip(row, factors, strict=True)):
                if (name, factor) in effects:
                    effect = effects[name, factor]
                    _effect(axes, effect, factor_scale(results, factor), scale)
                    # Where there are indices they are the better answer.
                    if effect.share is not None and not results.indices:
                        title = f"{percent(effect.share)} of the variance"
                        axes.set_title(title, fontsize=8.5, fontweight="normal", loc="right")
                rest = _rest(results, name)
                if i == 0 and rest is not None and not results.indices:
                    axes.set_title(
                        f"together: {percent(rest)}", fontsize=8.5, fontweight="normal", loc="left"
                    )
                if i == 0:
                    without = results.table.without(name)
                    note = f"\n({without} of {total} have none)" if without else ""
                    axes.set_ylabel(wrapped(scale.label) + note, fontsize=9.0)
        for axes, factor in zip(grid[-1], factors, strict=True):
            axes.set_xlabel(factor_scale(results, factor).label, fontsize=9.0)

    size = (max(10.5, 1.2 + 2.7 * len(factors)), 1.3 + 2.1 * len(figures))
    shows = "Mean of each figure against each factor, over all that the others do"
    return Picture("effects", _strongest(results, figures), shows, results.title, size, paint)


def _rest(results: StudyFindings, figure: str) -> float | None:
    """Return the share of the variance that no factor makes alone; nothing where it is not known."""
    shares = [effect.share for effect in results.answers.effects if effect.figure == figure]
    known = [share for share in shares if share is not None]
    return max(1.0 - sum(known), 0.0) if known else None


def _strongest(results: StudyFindings, figures: list[str]) -> str:
    """Return what moves the first figure most, and what the rest of its variance is."""
    name, words = figures[0], figure_words(figures[0])
    effects = [effect for effect in results.answers.effects if effect.figure == name]
    best = max(effects, key=lambda effect: effect.share or 0.0)
    rest = _rest(results, name)
    if best.share is None or rest is None:
        return f"{words} does not vary"
    others = "factors acting together"
    if not results.study.design.gridded:
        others += " and the chance of the sample"
    of = f"{percent(best.share)} of its variance; {others} make {percent(rest)}"
    return f"{value_words(best.factor)} moves {words} most: {of}"


def indices_picture(results: StudyFindings) -> Picture:
    """Return first-order and total indices of every figure with their intervals."""
    entries = [entry for entry in results.indices if entry.indices][:_MOST_ROWS]
    count = len(results.study.axes)

    def paint(figure: Any) -> None:
        for axes, entry in zip(figure.subplots(len(entries), 1, squeeze=False)[:, 0], entries, strict=True):
            _bars(axes, entry)
        over(figure.axes[0], 2)
        figure.axes[-1].set_xlabel("share of the variance [1], with its 95 % interval")

    first = entries[0]
    top = max(first.indices, key=lambda index: index.total)
    shares = f"{percent(top.first)} of its variance alone, {percent(top.total)} with others"
    title = f"{value_words(top.factor)} moves {figure_words(first.figure)} most: {shares}"
    shows = "First-order and total indices of each figure, with their 95 % intervals"
    size = (10.5, 1.6 + (0.75 + 0.45 * count) * len(entries))
    return Picture("indices", title, shows, results.title, size, paint)


def _effect(axes: Any, effect: FactorEffect, x: Scale, y: Scale) -> None:
    means = [y.of(level.mean) for level in effect.levels]
    if x.texts:
        places = [level.low for level in effect.levels]
        axes.plot(places, means, "o", color=COLOURS["now"])
        axes.set_xticks(range(len(x.texts)), x.texts, rotation=30, ha="right", fontsize=8.0, parse_math=False)
        axes.set_xlim(-0.5, len(x.texts) - 0.5)
    else:
        middles = [x.of(0.5 * (level.low + level.high)) for level in effect.levels]
        axes.plot(middles, means, ".-", color=COLOURS["now"], markersize=7.0)
        if x.logarithmic:
            log_axis(axes.xaxis, axes.set_xscale)


def _bars(axes: Any, entry: Sensitivity) -> None:
    places = np.arange(len(entry.indices))[::-1]
    kinds = (("total", 0.2, COLOURS["quiet"], "with others"), ("first", -0.2, COLOURS["now"], "alone"))
    for kind, shift, colour, label in kinds:
        values = np.array([getattr(index, kind) for index in entry.indices])
        ends = np.array([getattr(index, f"{kind}_interval") for index in entry.indices]).T
        error = np.maximum([values - ends[0], ends[1] - values], 0.0)
        axes.barh(places - shift, values, 0.38, color=colour, label=label)
        axes.errorbar(
            values, places - shift, xerr=error, fmt="none", ecolor="#000000", elinewidth=1.0, capsize=2.5
        )
    names = [value_words(index.factor) for index in entry.indices]
    axes.set_yticks(places, names, fontsize=9.0, parse_math=False)
    axes.set_title(figure_words(entry.figure), pad=20.0, **SIDE)
    axes.axvline(0.0, color="#000000", linewidth=0.8)
    axes.set_xlim(min(-0.02, axes.get_xlim()[0]), max(1.0, axes.get_xlim()[1]))
    axes.grid(visible=False, axis="y")
