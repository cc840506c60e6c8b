"""What changed gains do: a step before and now beside the sensitivity before and now."""

from typing import Any

import numpy as np

from shaftloop.cautions import CAUTIONS
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over, thinned
from shaftloop.report.quantities import show
from shaftloop.studies.checks.compare import LoopComparison, Side

__all__ = ["comparison_picture"]

_FURTHEST = 3.0
"""Where the picture of a growing response or a peak without end is cut."""
_BAND, _SHOWN = 0.05, 2.0
"""A step is shown for twice the time to its last exit from ±5 %."""
_LOWEST_DECADE = 1.0
"""Lowest frequency shown. [Hz]"""


def comparison_picture(found: LoopComparison, labels: tuple[str, str], subject: str) -> Picture:
    """Return a loop before and after a change of gains.

    Parameters
    ----------
    found : Comparison
        The loop before and now.
    labels : tuple of str
        What the gains were and are.
    """

    def paint(figure: Any) -> None:
        left, right = figure.subplots(1, 2)
        _steps(left, found, labels)
        _sensitivity(right, found)

    before, now = found.before.margins.ms, found.now.margins.ms
    way = "rises" if now > before else "falls"
    title = f"Loop {found.loop}: Ms (peak sensitivity) {way} from {before:.3g} to {now:.3g}"
    if found.limit is not None:
        title += f", {'beyond' if now > found.limit else 'inside'} the limit of {found.limit:.3g}"
    shows = "True quantity after a step, and sensitivity over frequency, with the gains before and now"
    return Picture("gains", title, shows, subject, (11.5, 5.2), paint, CAUTIONS["gains"])


def _calm(side: Side) -> float:
    """Return a time at which little happens any more [ms]."""
    outside = np.flatnonzero(np.abs(side.step - 1.0) > _BAND)
    last = side.time[outside[-1]] if len(outside) else 0.0
    return 1e3 * float(min(max(_SHOWN * last, 10.0 * side.time[1] - 10.0 * side.time[0]), side.time[-1]))


def _sides(found: LoopComparison) -> list[tuple[Side, str, float]]:
    return [(found.before, COLOURS["before"], 1.4), (found.now, COLOURS["now"], 2.0)]


def _steps(axes: Any, found: LoopComparison, labels: tuple[str, str]) -> None:
    last = max(_calm(side) for side, _, _ in _sides(found))
    axes.set_xlim(-0.06 * last, last)
    axes.plot([-0.06 * last, 0.0, 0.0, last], [0.0, 0.0, 1.0, 1.0], color="black", linewidth=1.0)
    for (side, colour, width), label in zip(_sides(found), labels, strict=True):
        axes.plot(*thinned(1e3 * side.time, side.step), color=colour, linewidth=width, label=label)
    peak = max(float(np.max(side.step)) for side, _, _ in _sides(found))
    lowest = min(float(np.min(side.step)) for side, _, _ in _sides(found))
    axes.set_ylim(max(min(lowest, 0.0) - 0.08, -_FURTHEST), min(max(peak, 1.0) + 0.12, _FURTHEST))
    quantity = "torque" if found.unit == "N m" else "speed"
    axes.set(xlabel="time since the step [ms]", ylabel=f"true {quantity} / size of the step")
    axes.set_title(f"loop {found.loop}, step of {show(found.size, found.unit, 3)}", pad=22.0, **SIDE)
    over(axes, 2)


def _sensitivity(axes: Any, found: LoopComparison) -> None:
    highest = max(found.before.margins.ms, found.now.margins.ms, found.limit or 1.0)
    top = min(1.15 * highest, _FURTHEST)
    for side, colour, width in _sides(found):
        margins = side.margins
        size = np.minimum(np.abs(margins.sensitivity), 2.0 * _FURTHEST)
        axes.semilogx(margins.frequency, size, color=colour, linewidth=width)
        axes.annotate(
            f"Ms {margins.ms:.3g} at {show(margins.ms_frequency, 'Hz', 3)}",
            (margins.ms_frequency, min(margins.ms, 0.9 * top)),
            xytext=(-32, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            color=colour,
            fontsize=9.5,
        )
    if found.limit is not None:
        axes.axhline(found.limit, color="black", linewidth=1.2, linestyle="--")
        axes.annotate(
            f"limit {found.limit:.3g}",
            (1.0, found.limit),
            xycoords=("axes fraction", "data"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=9.5,
        )
    lowest = max(_LOWEST_DECADE, float(found.now.margins.frequency[0]))
    axes.set_xlim(lowest, float(found.now.margins.frequency[-1]))
    axes.set_ylim(0.0, top)
    axes.set(xlabel="frequency [Hz]", ylabel="sensitivity |S|")
    axes.set_title("how much the loop magnifies disturbances", **SIDE)
