"""All candidates of a study at once: one line each, across one axis per factor and figure."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import percent
from shaftloop.report.study.maps import best_of
from shaftloop.report.study.scales import Scale, factor_scale, figure_scale, wrapped
from shaftloop.report.study.verdict import verdict
from shaftloop.studies.whatif.findings import StudyFindings

__all__ = ["parallel_picture"]

Array = NDArray[np.float64]

_MOST_LINES = 400
_MOST_AXES = 10
_LETTERS = 14
"""Most on a line below an axis."""
_PASSED, _BROKEN = "viridis", "#D5D5D5"


@dataclass(frozen=True)
class _Rail:
    """One of the upright axes."""

    scale: Scale
    places: Array
    """Of every candidate, from 0 to 1; nan where there is none."""
    ends: tuple[float, float]
    """Values at the bottom and at the top, as drawn."""


def parallel_picture(results: StudyFindings) -> Picture:
    """Return every candidate, or as many as can be told apart, as a line over all factors and figures.

    The best one stands out; where none keeps every bound, the one that comes nearest.
    """
    table, passed = results.table, results.answers.passed
    factors, figures = list(table.factors), list(results.study.asked)
    rails = [_rail(factor_scale(results, path), table.factors[path].values) for path in factors]
    rails += [_rail(figure_scale(results, name), table.figures[name].values) for name in figures]
    rails = rails[:_MOST_AXES]
    goal = results.study.goals[0].metric if results.study.goals else figures[0]
    colour = _rail(figure_scale(results, goal), np.where(passed, table.figures[goal].values, np.nan))
    whole = results.table.done & ~np.isnan([rail.places for rail in rails]).any(axis=0)
    shown = _chosen(whole, passed)
    best, label = best_of(results), "best candidate"
    if not passed.any() and whole.any():
        excess = np.where(whole, table.excess(results.study.bounds), np.inf)
        best = int(np.argmin(excess))
        label = f"nearest: candidate {best}, breaks a bound by {percent(excess[best])} of its range"

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        _lines(figure, axes, rails, colour, passed, shown)
        if best is not None:
            places = [rail.places[best] for rail in rails]
            style = "-" if passed.any() else "--"
            axes.plot(places, style, color=COLOURS["limit"], linewidth=2.6, zorder=4, label=label)
            over(axes, 1)
        _rails(axes, rails)
        axes.set_title(f"{count}{grey}", pad=22.0, **SIDE)

    count = f"{len(shown)} of {len(passed)} candidates"
    if lacking := int((~whole).sum()):
        count += f"; {lacking} lack a figure"
    grey = "; grey: breaks a bound" if results.study.bounds else ""
    shows = "Every candidate as a line across one axis per factor and figure"
    size = (max(10.0, 1.6 + 1.45 * len(rails)), 6.0)
    return Picture("parallel", " ".join(verdict(results)[:2]), shows, results.title, size, paint)


def _rail(scale: Scale, values: Array) -> _Rail:
    drawn = np.array([scale.of(value) for value in values])
    drawn[~np.isfinite(drawn)] = np.nan
    if np.isnan(drawn).all():
        return _Rail(scale, drawn, (0.0, 1.0))
    low, high = (0.0, len(scale.texts) - 1.0) if scale.texts else (np.nanmin(drawn), np.nanmax(drawn))
    if scale.logarithmic:
        drawn, span = np.log(drawn / low), np.log(high / low)
    else:
        drawn, span = drawn - low, high - low
    return _Rail(scale, drawn / span if span > 0.0 else drawn + 0.5, (float(low), float(high)))


def _chosen(whole: NDArray[np.bool_], passed: NDArray[np.bool_]) -> list[int]:
    """Return the candidates to draw: evenly thinned, those that pass first in line, the best among them."""
    found: list[int] = []
    for group in (whole & passed, whole & ~passed):
        numbers = np.flatnonzero(group)
        count = min(len(numbers), _MOST_LINES // 2 if not found else _MOST_LINES - len(found))
        found += numbers[np.linspace(0, len(numbers) - 1, count).astype(int)].tolist() if count else []
    return found


def _lines(
    figure: Any, axes: Any, rails: list[_Rail], colour: _Rail, passed: NDArray[np.bool_], shown: list[int]
) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import LineCollection
    from matplotlib.colors import Normalize

    x = np.arange(len(rails))
    groups = [[n for n in shown if not passed[n]], [n for n in shown if passed[n]]]
    for numbers, order in zip(groups, (1, 2), strict=True):
        lines = [np.column_stack((x, [rail.places[n] for rail in rails])) for n in numbers]
        bundle = LineCollection(lines, linewidths=1.0, zorder=order, alpha=0.75)
        if order == 1:
            bundle.set_color(_BROKEN)
        else:
            bundle.set_array(np.array([colour.places[n] for n in numbers]))
            bundle.set_cmap(_PASSED)
            bundle.set_clim(0.0, 1.0)
        axes.add_collection(bundle)
    if groups[1]:
        bar = ScalarMappable(Normalize(*colour.ends), _PASSED)
        figure.colorbar(bar, ax=axes, shrink=0.8, pad=0.02).set_label(colour.scale.label, parse_math=False)


def _rails(axes: Any, rails: list[_Rail]) -> None:
    """Draw the upright axes with the values at their ends, names below."""
    axes.set(xlim=(-0.35, len(rails) - 0.65), ylim=(-0.09, 1.09))
    axes.grid(False)
    axes.yaxis.set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    names = [wrapped(rail.scale.label, _LETTERS) for rail in rails]
    axes.set_xticks(range(len(rails)), names, fontsize=8.5, parse_math=False)
    axes.tick_params(axis="x", length=0)
    for i, rail in enumerate(rails):
        axes.axvline(i, 0.09 / 1.18, 1.09 / 1.18, color="#000000", linewidth=1.0, zorder=3)
        if rail.scale.texts:
            for j, text in enumerate(rail.scale.texts):
                place = j / max(len(rail.scale.texts) - 1, 1) if rail.ends[1] > 0.0 else 0.5
                axes.text(
                    i + 0.03, place, text, fontsize=7.5, va="center", zorder=5, bbox=_PAPER, parse_math=False
                )
            continue
        for end, place, align in ((rail.ends[0], -0.02, "top"), (rail.ends[1], 1.02, "bottom")):
            axes.text(i, place, f"{end:.4g}", ha="center", va=align, fontsize=8.5)


_PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}
