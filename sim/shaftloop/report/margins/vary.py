"""Margins against a parameter of the scenario, and how far it may go."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.analysis.margins import Margins
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw
from shaftloop.studies.vary import LIMITS, Threshold, Variation

__all__ = ["draw_variation"]

_MOST_MS = 4.0
_MOST_GAIN = 20.0


def draw_variation(variation: Variation, title: str, paths: list[Path]) -> None:
    """Draw Ms and gain margin against the parameter.

    Parameters
    ----------
    variation : Variation
        From `vary`.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """

    def paint(figure: Any) -> None:
        loops = list(variation.margins)
        grid = figure.subplots(2, len(loops), sharex=True, squeeze=False)
        for i, name in enumerate(loops):
            _draw_loop(grid[0][i], grid[1][i], variation, name, MACHINE_COLOURS[i % len(MACHINE_COLOURS)])

    draw(paint, (max(8.0, 6.2 * len(variation.margins)), 7.0), title, paths)


def _draw_loop(top: Any, low: Any, variation: Variation, name: str, colour: str) -> None:
    margins, values = variation.margins[name], np.array(variation.values)
    ms = np.array([m.ms if m.stable else np.nan for m in margins])
    gain = np.array([_gain(m) for m in margins])
    top.plot(values, ms, ".-", color=colour)
    low.plot(values, gain, ".-", color=colour)
    for limit in LIMITS:
        top.axhline(limit, color=COLOURS["stored"], linewidth=1.1)
        style: Any = {"transform": top.get_yaxis_transform(), "ha": "right", "va": "bottom", "clip_on": True}
        top.text(0.995, limit, f"Ms {limit:g}", fontsize=9.0, color="#8A6100", **style)
    seen = ms[np.isfinite(ms)]
    top.set_ylim(1.0, min(max(1.05 * seen.max() if len(seen) else 2.0, 2.2), _MOST_MS))
    shown = gain[np.isfinite(gain)]
    if not len(shown):
        low.text(0.5, 0.75, "no gain margin at any value", transform=low.transAxes, ha="center")
    low.set_ylim(1.0, min(max(1.05 * shown.max() if len(shown) else 2.0, 2.2), _MOST_GAIN))
    for i, threshold in enumerate(variation.thresholds[name]):
        _mark(top, low, threshold, variation, i)
    _shade(top, low, variation, name)
    unit = variation.range.unit or "1"
    low.set(
        xlabel=f"{variation.range.path} [{unit}]",
        ylabel="gain margin, factor up",
        xlim=(values[0], values[-1]),
    )
    top.set(ylabel="Ms")
    top.set_title(f"loop {name}", loc="left", fontweight="normal", parse_math=False)


def _mark(top: Any, low: Any, threshold: Threshold, variation: Variation, row: int) -> None:
    """Mark where a demand is kept no longer, with the value."""
    colour = COLOURS["loss"] if threshold.demand == "stable" else "#8A6100"
    for axes in (top, low):
        axes.axvline(threshold.kept, color=colour, linewidth=1.1, linestyle="--")
    text = threshold.demand.replace("ms<", "Ms < ")
    first, last = variation.values[0], variation.values[-1]
    right = threshold.kept > 0.5 * (first + last)
    top.annotate(
        f" {text}: {threshold.kept:.4g} {variation.range.unit} ",
        (threshold.kept, 0.96 - 0.09 * (row % 5)),
        xycoords=("data", "axes fraction"),
        ha="right" if right else "left",
        va="top",
        fontsize=9.5,
        color=colour,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
        parse_math=False,
    )


def _shade(top: Any, low: Any, variation: Variation, name: str) -> None:
    """Shade where the bench is unstable, from the very value at which stability is lost."""
    values, stable = variation.values, [m.stable for m in variation.margins[name]]
    edges = [t.broken for t in variation.thresholds[name] if t.demand == "stable"]
    spans = []
    for (left, good), (right, fine) in pairwise(zip(values, stable, strict=True)):
        inside = [edge for edge in edges if left <= edge <= right]
        if not good and not fine:
            spans.append((left, right))
        elif good != fine and inside:
            spans.append((inside[0], right) if good else (left, inside[0]))
    for span in spans:
        for axes in (top, low):
            axes.axvspan(*span, color="#F6DDCC", linewidth=0.0)
    if spans:
        middle = 0.5 * (spans[0][0] + spans[-1][1])
        style = {"ha": "center", "color": COLOURS["loss"]}
        low.text(middle, 0.5, "unstable", transform=low.get_xaxis_transform(), **style)


def _gain(margins: Margins) -> float:
    if not margins.stable or margins.gain_margin is None:
        return float("nan")
    return margins.gain_margin
