"""Figures of a study as maps over two of its factors."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.report.study.scales import Scale, factor_scale, figure_scale, log_axis, wrapped
from shaftloop.report.study.tables import shown_value
from shaftloop.report.study.verdict import verdict
from shaftloop.studies.whatif.findings import StudyFindings
from shaftloop.studies.whatif.table import TableColumn
from shaftloop.words import value_words

__all__ = ["best_of", "contour_picture", "mapped"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_MOST_MAPS = 6
_COLOURS_OF_MAP = "cividis"
_NO_FIGURE = "#D9D9D9"


def contour_picture(results: StudyFindings) -> Picture:
    """Return the figures as maps over two factors of a study; what breaks a bound is hatched.

    Of more than two factors the strongest two are drawn, the others held as in the best candidate.
    """
    names, plane = mapped(results), _plane(results)
    wide = min(len(names), 3)
    high = -(-len(names) // wide)

    def paint(figure: Any) -> None:
        grid = figure.subplots(high, wide, squeeze=False).ravel()
        for axes, name in zip(grid, names, strict=False):
            _map(figure, axes, results, plane, name)
        for axes in grid[len(names) :]:
            axes.set_visible(False)
        x, y = (factor_scale(results, factor.name) for factor in plane.axes)
        for i, axes in enumerate(grid[: len(names)]):
            if i + wide >= len(names):
                axes.set_xlabel(x.label)
            if i % wide == 0:
                axes.set_ylabel(y.label)

    note = "hatched: breaks a bound" if results.study.bounds else ""
    known = [np.isfinite(results.table.figures[name].values[plane.there]).all() for name in names]
    grey = "" if all(known) and results.study.design.gridded else "grey: no figure"
    star = "star: best" if best_of(results) is not None else ""
    key = "; ".join(part for part in (results.title, *plane.held, note, grey, star) if part)
    shows = "Figures of the study as maps over two of its factors"
    size = (max(10.5, 4.7 * wide), 1.1 + 3.7 * high)
    return Picture("contours", " ".join(verdict(results)[::2]), shows, key, size, paint)


def best_of(results: StudyFindings) -> int | None:
    """Return the best candidate; nothing where none is ranked, or where chance draws and nobody chooses."""
    ranked = results.answers.ranked
    chosen = results.study.design.kind != "monte_carlo" and len(ranked)
    return int(ranked[0]) if chosen else None


def mapped(results: StudyFindings) -> list[str]:
    """Return the figures that can be drawn over two factors of numbers."""
    plane, found = _plane(results), []
    for name in results.study.asked:
        figure = results.table.figures[name]
        seen = plane.there & np.isfinite(figure.values)
        spread = [len(np.unique(factor.values[seen])) for factor in plane.axes]
        if len(spread) == 2 and min(spread) > 2 and np.ptp(figure.values[seen]) > 0.0:
            found.append(name)
    return found[:_MOST_MAPS]


@dataclass(frozen=True)
class _Plane:
    """Two factors of numbers, and the candidates in which all others are as in the best one."""

    axes: tuple[TableColumn, ...]
    """Fewer than two where there are not so many."""
    there: Flags
    """Those candidates, done or not, shape (candidates,)."""
    held: tuple[str, ...]
    """What is held, in words."""


def _plane(results: StudyFindings) -> _Plane:
    table = results.table
    best = [*results.answers.ranked.tolist(), *np.flatnonzero(table.done).tolist()]
    numbers = [path for path, factor in table.factors.items() if not factor.texts]
    axes = results.answers.strongest(results.study.asked, numbers, 2)
    there, held = np.ones(len(table.done), dtype=np.bool_), []
    for axis in results.study.axes:
        factor = table.factors[axis.path]
        if axis.path in axes:
            there &= np.isfinite(factor.values)
        elif best:
            value = factor.values[best[0]]
            there &= factor.values == value
            text = factor.texts[int(value)] if factor.texts else value
            held.append(f"{value_words(axis.path)} {shown_value(axis, text)}")
    return _Plane(tuple(table.factors[path] for path in axes), there, tuple(held))


def _map(figure: Any, axes: Any, results: StudyFindings, plane: _Plane, name: str) -> None:
    import matplotlib

    first, second = plane.axes
    scale, column = figure_scale(results, name), results.table.figures[name]
    seen = plane.there & np.isfinite(column.values)
    z = np.array([scale.of(value) for value in column.values[seen]])
    scales = [factor_scale(results, path) for path in (first.name, second.name)]
    filled = axes.tricontourf(_mesh(plane, scales, seen), z, levels=12, cmap=_COLOURS_OF_MAP)
    figure.colorbar(filled, ax=axes, shrink=0.92)
    axes.set_title(wrapped(scale.label), **SIDE)
    axes.grid(False)
    if results.study.bounds:
        mesh, excess = (
            _mesh(plane, scales, plane.there),
            results.table.excess(results.study.bounds)[plane.there],
        )
        if (excess > 0.0).any():
            with matplotlib.rc_context({"hatch.color": "#FFFFFF", "hatch.linewidth": 1.3}):
                axes.tricontourf(mesh, excess, levels=[0.0, 2.0], colors="none", hatches=["//"])
            axes.tricontour(mesh, excess, levels=[0.0], colors="#FFFFFF", linewidths=1.6)
    # What no figure reaches stays grey, instead of leaving the picture.
    axes.set_facecolor(_NO_FIGURE)
    axes.set_xlim(first.values[plane.there].min(), first.values[plane.there].max())
    axes.set_ylim(second.values[plane.there].min(), second.values[plane.there].max())
    best = best_of(results)
    if best is not None:
        place = (first.values[best], second.values[best])
        style = {"color": COLOURS["limit"], "markeredgecolor": "white", "clip_on": False, "zorder": 5}
        axes.plot(*place, "*", markersize=15, **style)
    for side, put, entry in (
        (axes.xaxis, axes.set_xscale, scales[0]),
        (axes.yaxis, axes.set_yscale, scales[1]),
    ):
        if entry.logarithmic:
            log_axis(side, put)


def _mesh(plane: _Plane, scales: Sequence[Scale], wanted: Flags) -> Any:
    """Return triangles between candidates, made in what is drawn: log where the axis is, as wide as high."""
    import matplotlib.tri

    places = [factor.values[wanted] for factor in plane.axes]
    shown = [np.log(v) if s.logarithmic else v for v, s in zip(places, scales, strict=True)]
    triangles = matplotlib.tri.Triangulation(*(v / (np.ptp(v) or 1.0) for v in shown)).triangles
    return matplotlib.tri.Triangulation(*places, triangles)
