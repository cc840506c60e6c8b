"""Pictures of a study: what each factor does, and the indices; maps and parallel axes are drawn elsewhere."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw
from shaftloop.report.files import Picture
from shaftloop.report.study.maps import draw_contour, mapped
from shaftloop.report.study.scales import Scale, factor_scale, figure_scale, log_axis, wrapped
from shaftloop.studies.whatif.answers import Effect
from shaftloop.studies.whatif.findings import Findings
from shaftloop.studies.whatif.sensitivity import Sensitivity

__all__ = ["draw_effects", "draw_indices", "pictures"]

_MOST_ROWS = 5
_MOST_COLUMNS = 6


def pictures(results: Findings) -> Iterator[Picture]:
    """Yield the pictures of whatever the study has to show.

    Parameters
    ----------
    results : Findings
        What was found.
    """
    from shaftloop.report.study.parallel import draw_parallel

    known = (
        ("effects", draw_effects, any(e.figure in results.study.asked for e in results.answers.effects)),
        ("contours", draw_contour, bool(mapped(results))),
        ("parallel", draw_parallel, int(results.table.done.sum()) > 1),
        ("indices", draw_indices, any(entry.indices for entry in results.indices)),
    )
    for name, paint, wanted in known:
        if wanted:
            yield name, partial(paint, results)


def draw_effects(results: Findings, paths: list[Path]) -> None:
    """Draw the mean of every figure against every factor.

    Parameters
    ----------
    results : Findings
        What was found.
    paths : list of Path
        Files to write.
    """
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
                        title = f"{effect.share:.0%} of the variance"
                        axes.set_title(title, fontsize=8.5, fontweight="normal", loc="right")
                if i == 0:
                    without = results.table.without(name)
                    note = f"\n({without} of {total} have none)" if without else ""
                    axes.set_ylabel(wrapped(scale.label) + note, fontsize=9.0)
        for axes, factor in zip(grid[-1], factors, strict=True):
            axes.set_xlabel(factor_scale(results, factor).label, fontsize=9.0)

    size = (max(10.5, 1.2 + 2.7 * len(factors)), 1.3 + 2.1 * len(figures))
    draw(paint, size, f"{results.title}: means over the other factors", paths)


def draw_indices(results: Findings, paths: list[Path]) -> None:
    """Draw first-order and total indices of every figure with their intervals.

    Parameters
    ----------
    results : Findings
        What was found.
    paths : list of Path
        Files to write.
    """
    entries = [entry for entry in results.indices if entry.indices][:_MOST_ROWS]
    count = len(results.study.axes)

    def paint(figure: Any) -> None:
        for axes, entry in zip(figure.subplots(len(entries), 1, squeeze=False)[:, 0], entries, strict=True):
            _bars(axes, entry)
        figure.axes[0].legend(loc="lower right")
        figure.axes[-1].set_xlabel("share of the variance [1], with its 95 % interval")

    draw(paint, (10.5, 1.2 + (0.75 + 0.45 * count) * len(entries)), results.title, paths)


def _effect(axes: Any, effect: Effect, x: Scale, y: Scale) -> None:
    means = [y.of(level.mean) for level in effect.levels]
    if x.texts:
        places = [level.low for level in effect.levels]
        axes.plot(places, means, "o", color=MACHINE_COLOURS[0])
        axes.set_xticks(range(len(x.texts)), x.texts, rotation=30, ha="right", fontsize=8.0, parse_math=False)
        axes.set_xlim(-0.5, len(x.texts) - 0.5)
    else:
        middles = [x.of(0.5 * (level.low + level.high)) for level in effect.levels]
        axes.plot(middles, means, ".-", color=MACHINE_COLOURS[0], markersize=7.0)
        if x.logarithmic:
            log_axis(axes.xaxis, axes.set_xscale)


def _bars(axes: Any, entry: Sensitivity) -> None:
    places = np.arange(len(entry.indices))[::-1]
    kinds = (("total", 0.2, COLOURS["quiet"], "with others"), ("first", -0.2, MACHINE_COLOURS[0], "alone"))
    for kind, shift, colour, label in kinds:
        values = np.array([getattr(index, kind) for index in entry.indices])
        ends = np.array([getattr(index, f"{kind}_interval") for index in entry.indices]).T
        error = np.maximum([values - ends[0], ends[1] - values], 0.0)
        axes.barh(places - shift, values, 0.38, color=colour, label=label)
        axes.errorbar(
            values, places - shift, xerr=error, fmt="none", ecolor="#000000", elinewidth=1.0, capsize=2.5
        )
    names = [index.factor for index in entry.indices]
    axes.set_yticks(places, names, fontsize=9.0, parse_math=False)
    axes.set_title(entry.figure, loc="left", fontweight="normal", parse_math=False)
    axes.axvline(0.0, color="#000000", linewidth=0.8)
    axes.set_xlim(min(-0.02, axes.get_xlim()[0]), max(1.0, axes.get_xlim()[1]))
    axes.grid(visible=False, axis="y")
