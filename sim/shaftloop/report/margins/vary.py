"""Margins against a parameter of the scenario, and how far it may go."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.margins import Margins
from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.studies.vary import LIMITS, Threshold, Variation
from shaftloop.words import value_words

__all__ = ["vary_picture"]

Array = NDArray[np.float64]

_MOST_MS = 4.0
_MOST_GAIN = 20.0


def vary_picture(variation: Variation, subject: str) -> Picture:
    """Return Ms and gain margin against the parameter; phase margin where there is no gain margin.

    Parameters
    ----------
    variation : Variation
        From `vary`.
    """

    def paint(figure: Any) -> None:
        loops = list(variation.margins)
        grid = figure.subplots(2, len(loops), sharex=True, squeeze=False)
        for i, name in enumerate(loops):
            _draw_loop(grid[0][i], grid[1][i], variation, name)

    title = "; ".join(_finding(variation, name) for name in variation.margins)
    shows = f"Ms (peak sensitivity) and gain margin against {value_words(variation.range.path)}"
    size = (max(9.0, 6.2 * len(variation.margins)), 7.0)
    return Picture("vary", title, shows, subject, size, paint)


def _finding(variation: Variation, name: str) -> str:
    """Return how far the parameter may go for a loop."""
    margins, unit = variation.margins[name], variation.range.unit
    ends = []
    for threshold in variation.thresholds[name]:
        way = "up to" if threshold.broken > threshold.kept else "from"
        ends.append(f"{_demand(threshold)} {way} {threshold.kept:.4g} {unit}".rstrip())
    if ends:
        return f"Loop {name}, {value_words(variation.range.path)}: {', '.join(ends)}"
    stable = [m for m in margins if m.stable]
    if not stable:
        return f"Loop {name} is unstable at every {value_words(variation.range.path)} looked at"
    worst = max(m.ms for m in stable)
    where = value_words(variation.range.path)
    return f"Loop {name} is stable all over {where}, with Ms (peak sensitivity) up to {worst:.3g}"


def _demand(threshold: Threshold) -> str:
    return threshold.demand.replace("ms<", "Ms < ")


def _draw_loop(top: Any, low: Any, variation: Variation, name: str) -> None:
    margins, values = variation.margins[name], np.array(variation.values)
    ms = np.array([m.ms if m.stable else np.nan for m in margins])
    top.plot(values, ms, ".-", color=COLOURS["sensitivity"])
    for limit in LIMITS:
        top.axhline(limit, color=COLOURS["quiet"], linewidth=1.1)
        style: Any = {"transform": top.get_yaxis_transform(), "ha": "right", "va": "bottom", "clip_on": True}
        top.text(0.995, limit, f"Ms {limit:g}", fontsize=9.0, color=COLOURS["quiet"], **style)
    seen = ms[np.isfinite(ms)]
    top.set_ylim(1.0, min(max(1.05 * seen.max() if len(seen) else 2.0, 2.2), _MOST_MS))
    _draw_room(low, values, margins)
    for i, threshold in enumerate(variation.thresholds[name]):
        _mark(top, low, threshold, variation, i)
    _shade(top, low, variation, name)
    unit = variation.range.unit or "1"
    low.set(xlabel=f"{value_words(variation.range.path)} [{unit}]", xlim=(values[0], values[-1]))
    top.set(ylabel="Ms (peak sensitivity)")
    top.set_title(f"loop {name}", **SIDE)


def _draw_room(axes: Any, values: Array, margins: Sequence[Margins]) -> None:
    """Draw the gain margin, or the phase margin where no gain makes the loop unstable."""
    gain = np.array([_none_as_nan(m.gain_margin, m) for m in margins])
    if np.isfinite(gain).any():
        axes.plot(values, gain, ".-", color=COLOURS["gain margin"])
        axes.set(
            ylabel="gain margin, factor up", ylim=(1.0, min(max(1.05 * np.nanmax(gain), 2.2), _MOST_GAIN))
        )
        return
    phase = np.array([_none_as_nan(m.phase_margin, m) for m in margins])
    axes.plot(values, phase, ".-", color=COLOURS["phase margin"])
    if not np.isfinite(phase).any():
        axes.text(0.5, 0.75, "no margin at any value", transform=axes.transAxes, ha="center")
    axes.set(ylabel="phase margin [°]\n(no gain makes the loop unstable)", ylim=(0.0, None))


def _mark(top: Any, low: Any, threshold: Threshold, variation: Variation, row: int) -> None:
    """Mark where a demand is kept no longer, with the value."""
    colour = COLOURS["limit"] if threshold.demand == "stable" else "black"
    for axes in (top, low):
        axes.axvline(threshold.kept, color=colour, linewidth=1.1, linestyle="--")
    first, last = variation.values[0], variation.values[-1]
    right = threshold.kept > 0.5 * (first + last)
    top.annotate(
        f" {_demand(threshold)}: {threshold.kept:.4g} {variation.range.unit} ",
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
        style = {"ha": "center", "color": COLOURS["limit"]}
        low.text(middle, 0.5, "unstable", transform=low.get_xaxis_transform(), **style)


def _none_as_nan(value: float | None, margins: Margins) -> float:
    return float("nan") if value is None or not margins.stable else value
