"""Contributions to the uncertainty of each result as bars, and its distribution beside them."""

import math
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np

from shaftloop.analysis.uncertainty.evaluation import Evaluation, StatedResult
from shaftloop.analysis.uncertainty.montecarlo import SampledResult
from shaftloop.analysis.uncertainty.propagation import Budget, Contribution
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import percent
from shaftloop.report.uncertainty.tables import scaled, stated_text
from shaftloop.words import spoken

__all__ = ["bars_picture"]

_MOST_BARS = 8
_MOST_ROWS = 5
_BINS = 80
_LABEL = 36
"""Letters in a line of what a contribution is."""


def bars_picture(found: Evaluation, wanted: Sequence[str], people: bool, name: str, subject: str) -> Picture:
    """Return one row per result: contributions on the left, distribution on the right.

    Parameters
    ----------
    wanted : sequence of str
        Results to draw, at most five.
    people : bool
        True where SI units are to become those of people.
    name : str
        Of the file, without ending.
    """
    propagation = found.propagation
    budgets = [None] * len(found.stated) if propagation is None else propagation.budgets
    rows = [
        (budget, stated, sampled)
        for budget, stated, sampled in zip(budgets, found.stated, found.sampled.results, strict=True)
        if sampled.name in wanted and stated.uncertainty > 0.0
    ][:_MOST_ROWS]

    def paint(figure: Any) -> None:
        if not rows:
            figure.subplots().set_axis_off()  # The layout warns of a picture without axes.
            figure.text(0.5, 0.5, "no result has an uncertainty", ha="center")
            return
        figure.get_layout_engine().set(h_pad=0.1, w_pad=0.1)
        heights = [1.6 + len(_bars(budget)) for budget, _, _ in rows]
        grid = figure.subplots(len(rows), 2, squeeze=False, width_ratios=(1.5, 1.0), height_ratios=heights)
        for (left, right), (budget, stated, sampled) in zip(grid, rows, strict=True):
            if budget is None or not _bars(budget):
                left.set_axis_off()
                left.text(0.0, 0.5, "no contributions to first order", transform=left.transAxes)
            else:
                _draw_bars(left, budget, people)
            left.set_title(_title(stated, sampled, found, people), pad=22.0, **SIDE)
            _draw_distribution(right, budget, sampled, people)

    height = sum(1.1 + 0.36 * max(len(_bars(budget)), 4) for budget, _, _ in rows)
    shows = "Contributions to the uncertainty of each result, with its distribution"
    return Picture(name, _finding(rows, found, people), shows, subject, (12.5, max(2.0, 1.2 + height)), paint)


def _finding(
    rows: Sequence[tuple[Budget | None, StatedResult, SampledResult]], found: Evaluation, people: bool
) -> str:
    if not rows:
        return "No result has an uncertainty: no error of what is measured is stated"
    budget, stated, sampled = rows[0]
    text = _title(stated, sampled, found, people)
    if budget is not None and _bars(budget):
        name, _, share = _bars(budget)[0]
        text += f"; largest share: {name}, {percent(share)}"
    return f"{text[0].upper()}{text[1:]}"


def _title(stated: StatedResult, sampled: SampledResult, found: Evaluation, people: bool) -> str:
    k = "" if stated.factor is None else f"k = {stated.factor:.2f}, "
    by = ", Monte Carlo" if stated.by == "monte_carlo" else ""
    text = stated_text(stated, sampled.unit, people)
    return f"{spoken(sampled.name)} = {text}   ({k}{100.0 * found.sampled.coverage:.4g} %{by})"


def _bars(budget: Budget | None) -> list[tuple[str, float, float]]:
    """Return (name, size, share) of the largest contributions, and of all others together."""
    rows = [] if budget is None else [row for row in budget.contributions if row.contribution]
    meant = [row.meaning for row in rows]
    bars = [
        (_label(row, meant.count(row.meaning) > 1), abs(row.contribution), row.share)
        for row in rows[:_MOST_BARS]
    ]
    rest = rows[_MOST_BARS:]
    if rest:
        size = math.sqrt(sum(row.contribution**2 for row in rest))
        bars.append((f"{len(rest)} more", size, sum(row.share for row in rest)))
    return bars


def _label(row: Contribution, shared: bool) -> str:
    """Return what an input is, with its quantity where another one has an input that is the same."""
    if not shared or not row.meaning:
        return row.meaning or row.name
    return f"{' of '.join(row.name.split('.')[:-1])}: {row.meaning}"


def _draw_bars(axes: Any, budget: Budget, people: bool) -> None:
    bars = _bars(budget)
    factor, unit = scaled(budget.uncertainty, budget.unit, people)
    sizes = [factor * size for _, size, _ in bars]
    places = np.arange(len(bars))[::-1]
    colours = [COLOURS["quiet"] if name.endswith(" more") else COLOURS["now"] for name, _, _ in bars]
    axes.barh(places, sizes, height=0.68, color=colours)
    axes.axvline(factor * budget.uncertainty, color="black", linewidth=1.6)
    # The combined one stands out to the right of all bars unless contributions cancel.
    axes.set_xlim(0.0, 1.22 * max([*sizes, factor * budget.uncertainty]))
    for place, size, (_, _, share) in zip(places, sizes, bars, strict=True):
        axes.annotate(
            f"{100.0 * share:.0f} %",
            (size, place),
            (4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8.5,
        )
    axes.set_yticks(
        places, [textwrap.fill(name, _LABEL) for name, _, _ in bars], fontsize=9.0, parse_math=False
    )
    axes.set_xlabel(f"standard uncertainty [{unit or '1'}]; line: combined, labels: share of the variance")
    axes.grid(visible=False, axis="y")


def _draw_distribution(axes: Any, budget: Budget | None, sampled: SampledResult, people: bool) -> None:
    factor, unit = scaled(abs(sampled.mean) or sampled.uncertainty, sampled.unit, people)
    values = factor * sampled.values
    reach = np.quantile(values, (0.001, 0.999))
    counts, edges = np.histogram(values, bins=_BINS, range=(float(reach[0]), float(reach[1])))
    width = edges[1] - edges[0]
    axes.stairs(counts / (len(values) * width), edges, fill=True, color="#B9D6EA", label="Monte Carlo")
    for end in (sampled.low, sampled.high):
        axes.axvline(factor * end, color=COLOURS["now"], linewidth=1.2)
    limits = float(edges[0]), float(edges[-1])
    if budget is not None and budget.uncertainty > 0.0:
        middle, spread = factor * budget.value, factor * budget.uncertainty
        limits = min(limits[0], middle - 3.5 * spread), max(limits[1], middle + 3.5 * spread)
        x = np.linspace(*limits, 300)
        axes.plot(
            x, _density(x, middle, spread, budget.dof), color="black", linewidth=1.2, label="first order"
        )
        for end in (middle - factor * budget.expanded, middle + factor * budget.expanded):
            axes.axvline(end, color="black", linewidth=1.2, linestyle=(0, (4, 3)))
    axes.set(xlabel=f"{spoken(sampled.name)} [{unit or '1'}]", yticks=[], xlim=limits)
    axes.spines["left"].set_visible(False)
    axes.ticklabel_format(axis="x", useOffset=False)
    axes.locator_params(axis="x", nbins=5)
    over(axes, 2)


def _density(x: Any, middle: float, spread: float, dof: float) -> Any:
    """Return the density of the t distribution that the budget assumes."""
    z = (x - middle) / spread
    if math.isinf(dof) or dof > 1e4:
        return np.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi))
    scale = math.exp(math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof)) / math.sqrt(dof * math.pi)
    return scale * (1.0 + z * z / dof) ** (-0.5 * (dof + 1.0)) / spread
