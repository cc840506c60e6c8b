"""Pictures of a study: what each factor does, two factors as a map, all candidates at once, indices."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw
from shaftloop.report.study_scales import Scale, factor_scale, figure_scale
from shaftloop.studies.whatif.answers import Effect
from shaftloop.studies.whatif.findings import Findings
from shaftloop.studies.whatif.sensitivity import Sensitivity

__all__ = ["draw_contour", "draw_effects", "draw_indices", "draw_study"]

Array = NDArray[np.float64]

_MOST_ROWS = 5
_MOST_COLUMNS = 6
_MOST_MAPS = 6
_COLOURS_OF_MAP = "cividis"


def draw_study(folder: Path, results: Findings) -> list[Path]:
    """Draw whatever the study has to show and return the files.

    Parameters
    ----------
    folder : Path
        An existing folder.
    results : Findings
        What was found.
    """
    from shaftloop.report.study_parallel import draw_parallel

    found = []
    pictures = (
        ("effects", draw_effects, any(e.figure in results.study.asked for e in results.answers.effects)),
        ("contours", draw_contour, bool(mapped(results))),
        ("parallel", draw_parallel, int(results.table.done.sum()) > 1),
        ("indices", draw_indices, any(entry.indices for entry in results.indices)),
    )
    for name, paint, wanted in pictures:
        if wanted:
            paths = [folder / f"{name}.{kind}" for kind in ("svg", "png")]
            paint(results, paths)
            found += paths
    return found


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
    factors = _strongest(results, figures)

    def paint(figure: Any) -> None:
        grid = figure.subplots(len(figures), len(factors), sharey="row", sharex="col", squeeze=False)
        for row, name in zip(grid, figures, strict=True):
            scale = figure_scale(results, name)
            for i, (axes, factor) in enumerate(zip(row, factors, strict=True)):
                if (name, factor) in effects:
                    _effect(axes, effects[name, factor], factor_scale(results, factor), scale)
                if i == 0:
                    axes.set_ylabel(_wrapped(scale.label), fontsize=9.0)
        for axes, factor in zip(grid[-1], factors, strict=True):
            axes.set_xlabel(factor_scale(results, factor).label, fontsize=9.0)

    size = (max(10.5, 1.2 + 2.7 * len(factors)), 1.3 + 2.1 * len(figures))
    draw(paint, size, f"{results.title}: means over the other factors", paths)


def draw_contour(results: Findings, paths: list[Path]) -> None:
    """Draw the figures as maps over the two factors of a study; what breaks a bound is hatched.

    Parameters
    ----------
    results : Findings
        What was found.
    paths : list of Path
        Files to write.
    """
    names = mapped(results)
    wide = min(len(names), 3)
    high = -(-len(names) // wide)

    def paint(figure: Any) -> None:
        grid = figure.subplots(high, wide, squeeze=False).ravel()
        for axes, name in zip(grid, names, strict=False):
            _map(figure, axes, results, name)
        for axes in grid[len(names) :]:
            axes.set_visible(False)
        x, y = (factor_scale(results, path) for path in results.table.factors)
        for i, axes in enumerate(grid[: len(names)]):
            if i + wide >= len(names):
                axes.set_xlabel(x.label)
            if i % wide == 0:
                axes.set_ylabel(y.label)

    note = "hatched: breaks a bound" if results.study.bounds else ""
    star = "star: best" if len(results.answers.ranked) else ""
    title = "; ".join(part for part in (results.title, note, star) if part)
    draw(paint, (max(10.5, 4.7 * wide), 0.9 + 3.7 * high), title, paths)


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


def mapped(results: Findings) -> list[str]:
    """Return the figures that can be drawn over two factors of numbers.

    Parameters
    ----------
    results : Findings
        What was found.
    """
    factors = list(results.table.factors.values())
    if len(factors) != 2 or any(factor.texts for factor in factors):
        return []
    found = []
    for name in results.study.asked:
        figure = results.table.figures[name]
        seen = results.table.done & np.isfinite(figure.values)
        for factor in factors:
            seen &= np.isfinite(factor.values)
        spread = [len(np.unique(factor.values[seen])) for factor in factors]
        if seen.any() and min(spread) > 2 and np.ptp(figure.values[seen]) > 0.0:
            found.append(name)
    return found[:_MOST_MAPS]


def _strongest(results: Findings, figures: list[str]) -> list[str]:
    """Return the factors with the largest share in any figure, in the order of the study."""
    shares: dict[str, float] = {}
    for effect in results.answers.effects:
        if effect.figure in figures:
            shares[effect.factor] = max(shares.get(effect.factor, 0.0), effect.share or 0.0)
    best = sorted(shares, key=lambda factor: -shares[factor])[:_MOST_COLUMNS]
    return [path for path in results.table.factors if path in best]


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
            _log_axis(axes.xaxis, axes.set_xscale)
    if effect.share is not None:
        axes.set_title(f"{effect.share:.0%} of the variance", fontsize=8.5, fontweight="normal", loc="right")


def _map(figure: Any, axes: Any, results: Findings, name: str) -> None:
    first, second = results.table.factors.values()
    scale, column = figure_scale(results, name), results.table.figures[name]
    seen = results.table.done & np.isfinite(column.values)
    seen &= np.isfinite(first.values) & np.isfinite(second.values)
    x, y = first.values[seen], second.values[seen]
    z = np.array([scale.of(value) for value in column.values[seen]])
    scales = [factor_scale(results, path) for path in (first.name, second.name)]
    # Triangles are made in what is drawn: on a log axis evenly spread values should look evenly spread.
    shown = [np.log(v) if s.logarithmic else v for v, s in zip((x, y), scales, strict=True)]
    triangles = _triangles(*shown)
    import matplotlib.tri

    mesh = matplotlib.tri.Triangulation(x, y, triangles)
    filled = axes.tricontourf(mesh, z, levels=12, cmap=_COLOURS_OF_MAP)
    figure.colorbar(filled, ax=axes, shrink=0.92)
    axes.set_title(_wrapped(scale.label), loc="left", fontweight="normal", fontsize=9.5, parse_math=False)
    axes.grid(False)
    if results.study.bounds:
        broken = 1.0 - results.answers.passed[seen].astype(np.float64)
        if broken.any():
            with matplotlib.rc_context({"hatch.color": "#FFFFFF", "hatch.linewidth": 1.3}):
                axes.tricontourf(mesh, broken, levels=[0.5, 1.5], colors="none", hatches=["//"])
            axes.tricontour(mesh, broken, levels=[0.5], colors="#FFFFFF", linewidths=1.6)
    if len(results.answers.ranked):
        best = int(results.answers.ranked[0])
        place = (first.values[best], second.values[best])
        style = {"color": COLOURS["loss"], "markeredgecolor": "white", "clip_on": False, "zorder": 5}
        axes.plot(*place, "*", markersize=15, **style)
    for side, put, entry in (
        (axes.xaxis, axes.set_xscale, scales[0]),
        (axes.yaxis, axes.set_yscale, scales[1]),
    ):
        if entry.logarithmic:
            _log_axis(side, put)


def _triangles(x: Array, y: Array) -> Any:
    import matplotlib.tri

    width, height = np.ptp(x) or 1.0, np.ptp(y) or 1.0
    return matplotlib.tri.Triangulation(x / width, y / height).triangles


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


def _log_axis(axis: Any, put: Any) -> None:
    """Make an axis logarithmic with a handful of plain numbers on it."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    put("log")
    axis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0), numticks=8))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def _wrapped(label: str) -> str:
    """Return a name over two lines where it is long, broken behind a dot."""
    head, dot, tail = label.rpartition(".")
    return f"{head}.\n{tail}" if dot and len(label) > 26 else label
