"""Pictures of a study: main effects, a figure over two factors, all candidates across their factors."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.canvas import COLOURS, draw
from shaftloop.studies.whatif.answers import Answers, Effect
from shaftloop.studies.whatif.reading import Study
from shaftloop.studies.whatif.table import Column, Table

__all__ = ["draw_contours", "draw_effects", "draw_parallel"]

Array = NDArray[np.float64]

_MOST_FIGURES = 4
_MOST_FACTORS = 6
_MOST_LINES = 2000


def draw_effects(study: Study, table: Table, answers: Answers, title: str, paths: list[Path]) -> bool:
    """Draw the mean of every figure against every factor; return whether there was anything to draw.

    Parameters
    ----------
    study : Study
        The study.
    table : Table
        Its results.
    answers : Answers
        From `answer`.
    title : str
        Over the picture.
    paths : list of Path
        Files to write.
    """
    effects = {(effect.figure, effect.factor): effect for effect in answers.effects}
    figures = [name for name in table.figures if any(f == name for f, _ in effects)][:_MOST_FIGURES]
    factors = [name for name in table.factors if any(f == name for _, f in effects)][:_MOST_FACTORS]
    if not figures or not factors:
        return False

    def paint(picture: Any) -> None:
        grid = picture.subplots(len(figures), len(factors), sharey="row", sharex="col", squeeze=False)
        for row, figure in zip(grid, figures, strict=True):
            row[0].set_ylabel(_label(table.figures[figure]), parse_math=False)
            for axes, factor in zip(row, factors, strict=True):
                _effect(axes, effects.get((figure, factor)), table.factors[factor])
        for axes, factor in zip(grid[-1], factors, strict=True):
            axes.set_xlabel(_label(table.factors[factor]), parse_math=False)
        grid[0][0].set_title("mean over all other factors", loc="left", fontweight="normal")

    draw(paint, (max(6.0, 3.4 * len(factors)), 1.2 + 2.4 * len(figures)), title, paths)
    return True


def _effect(axes: Any, effect: Effect | None, factor: Column) -> None:
    if effect is None:
        return
    means = [level.mean for level in effect.levels]
    if factor.texts:
        places: list[float] = list(range(len(means)))
        axes.set_xticks(places, [level.label for level in effect.levels], rotation=20, ha="right")
    else:
        places = [0.5 * (level.low + level.high) for level in effect.levels]
    axes.plot(places, means, "o-", color=COLOURS["electrical"], markersize=4.0)


def draw_contours(study: Study, table: Table, answers: Answers, title: str, paths: list[Path]) -> bool:
    """Draw figures over the first two factors that take numbers; return whether there was anything to draw.

    Parameters
    ----------
    study : Study
        The study, whose bounds are drawn as lines.
    table : Table
        Its results.
    answers : Answers
        From `answer`; candidates that pass are marked.
    title : str
        Over the picture.
    paths : list of Path
        Files to write.
    """
    numeric = [column for column in table.factors.values() if not column.texts]
    if len(numeric) != 2 or len(table.factors) != 2:
        return False
    x, y = numeric
    shown = [column for column in table.figures.values() if _enough(table, x, y, column)][:_MOST_FIGURES]
    if not shown:
        return False

    def paint(picture: Any) -> None:
        row = picture.subplots(1, len(shown), sharey=True, squeeze=False)[0]
        for axes, column in zip(row, shown, strict=True):
            known = table.done & np.isfinite(x.values) & np.isfinite(y.values) & np.isfinite(column.values)
            px, py, pz = x.values[known], y.values[known], column.values[known]
            filled = axes.tricontourf(px, py, pz, levels=12, cmap="cividis")
            picture.colorbar(filled, ax=axes, label=_label(column))
            _bound_lines(axes, study, column, px, py, pz)
            good = answers.passed[known]
            style: dict[str, Any] = {
                "linestyle": "none",
                "markersize": 3.5,
                "color": "black",
                "clip_on": False,
            }
            axes.plot(px[~good], py[~good], "x", **style, label="fails a bound")
            axes.plot(px[good], py[good], "o", **style, markerfacecolor="white", label="keeps all bounds")
            axes.set_xlabel(_label(x), parse_math=False)
            axes.grid(visible=False)
        row[0].set_ylabel(_label(y), parse_math=False)
        if study.bounds:
            picture.legend(*row[0].get_legend_handles_labels(), loc="outside lower center", ncols=3)

    draw(paint, (max(6.5, 5.2 * len(shown)), 5.2), title, paths)
    return True


def _bound_lines(axes: Any, study: Study, column: Column, x: Array, y: Array, z: Array) -> None:
    for bound in study.bounds:
        for level in (bound.at_least, bound.at_most):
            if bound.metric == column.name and level is not None and z.min() < level < z.max():
                lines = axes.tricontour(x, y, z, levels=[level], colors="white", linewidths=2.0)
                axes.clabel(lines, fmt=f"bound {level:g}", fontsize=9.0)


def _enough(table: Table, x: Column, y: Column, column: Column) -> bool:
    """Return whether a figure is known at points that span a plane, and varies."""
    known = table.done & np.isfinite(x.values) & np.isfinite(y.values) & np.isfinite(column.values)
    levels = [len(np.unique(values[known])) for values in (x.values, y.values, column.values)]
    return min(levels) >= 2 and int(known.sum()) >= 4


def draw_parallel(study: Study, table: Table, answers: Answers, title: str, paths: list[Path]) -> bool:
    """Draw every candidate as a line across its factors and figures; return whether there was any.

    Parameters
    ----------
    study : Study
        The study.
    table : Table
        Its results.
    answers : Answers
        From `answer`: what passes and what is on the front stands out.
    title : str
        Over the picture.
    paths : list of Path
        Files to write.
    """
    columns = [*list(table.factors.values())[:_MOST_FACTORS], *list(table.figures.values())[:_MOST_FIGURES]]
    scaled = np.array([_scaled(column.values) for column in columns])
    whole = np.flatnonzero(table.done & np.isfinite(scaled).all(axis=0))
    if len(columns) < 2 or not len(whole):
        return False
    thin = whole[:: -(-len(whole) // _MOST_LINES)]
    front = set(answers.front.tolist())

    def paint(picture: Any) -> None:
        from matplotlib.lines import Line2D

        axes = picture.subplots()
        best = [n for n in whole if int(n) in front]
        groups = (
            ([n for n in thin if not answers.passed[n]], "#BBBBBB", 0.7, "fails a bound, or is not done"),
            ([n for n in thin if answers.passed[n]], COLOURS["electrical"], 0.9, "keeps all bounds"),
            (best, COLOURS["loss"], 1.8, "of these, none better in every objective"),
        )
        shown = [group for group in groups if group[0]]
        for members, colour, width, _ in shown:
            axes.plot(scaled[:, members], color=colour, linewidth=width, alpha=0.8)
        for place, column in enumerate(columns):
            axes.axvline(place, color="black", linewidth=0.8)
            low, high = _ends(column)
            style: dict[str, Any] = {"ha": "center", "fontsize": 9.0, "parse_math": False, "clip_on": False}
            axes.text(place, -0.02, low, va="top", **style)
            axes.text(place, 1.02, high, va="bottom", **style)
        names = [f"{column.name}\n[{column.unit}]" for column in columns]
        axes.set_xticks(range(len(columns)), names, rotation=25, ha="right", rotation_mode="anchor")
        axes.tick_params(axis="x", pad=16.0, length=0.0)
        axes.set(yticks=[], ylim=(-0.01, 1.01), xlim=(-0.3, len(columns) - 0.7))
        axes.grid(visible=False)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        handles = [Line2D([], [], color=colour, linewidth=2.0, label=label) for _, colour, _, label in shown]
        picture.legend(handles=handles, loc="outside lower center", ncols=3)

    draw(paint, (max(7.5, 1.7 * len(columns) + 2.0), 6.0), title, paths)
    return True


def _scaled(values: Array) -> Array:
    """Return values between 0 and 1; infinite ones at the ends, the middle where all are the same."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return np.full(len(values), np.nan)
    low, high = float(finite.min()), float(finite.max())
    if high == low:
        return np.where(np.isnan(values), np.nan, 0.5)
    return np.where(np.isnan(values), np.nan, np.clip((values - low) / (high - low), 0.0, 1.0))


def _ends(column: Column) -> tuple[str, str]:
    finite = column.values[np.isfinite(column.values)]
    low, high = float(finite.min()), float(finite.max())
    if column.texts:
        return column.texts[int(low)], column.texts[int(high)]
    return f"{low:.4g}", f"{high:.4g}"


def _label(column: Column) -> str:
    return f"{column.name} [{column.unit}]"
