"""Where the ripple of the unit appears in the reading, over the speed range."""

import math
from typing import Any

import numpy as np

from shaftloop.analysis.fidelity.aliasing import Aliasing, FoldedOrder
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.report.modes.campbell import spread_out
from shaftloop.report.quantities import show
from shaftloop.scenario.ratios import order_text

__all__ = ["folding_picture"]

_RPM = 30.0 / math.pi
_QUIET, _FOLDED, _BAND = COLOURS["quiet"], COLOURS["limit"], COLOURS["now"]
_PALE = "#F0B98F"
_MOST_NAMES = 12


def folding_picture(found: Fidelity, aliasing: Aliasing, subject: str) -> Picture:
    """Return frequency in the reading against speed, one line per order, folded parts in another colour.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    aliasing : Aliasing
        From `aliasing`.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        _draw(axes, found, aliasing)

    shows = "Frequency at which each order of torque ripple appears in the reading, against speed"
    return Picture("folding", _finding(found, aliasing), shows, subject, (11.5, 6.4), paint)


def _draw(axes: Any, found: Fidelity, aliasing: Aliasing) -> None:
    half = 0.5 * found.sampling
    reach = _RPM * aliasing.max_speed
    highest = max([entry.ripple.order for entry in aliasing.orders], default=1.0) * reach / 60.0
    top = min(half, 1.15 * max(highest, aliasing.band or 0.0))
    axes.set(
        xlim=(0.0, reach),
        ylim=(0.0, 1.02 * top),
        xlabel="speed [rpm]",
        ylabel="frequency in the reading [Hz]",
    )
    if aliasing.band is not None:
        axes.axhspan(0.0, aliasing.band, color=_BAND, alpha=0.13, linewidth=0.0)
        text = f"band of the torque loop, to {show(aliasing.band, 'Hz', 3)} "
        style: Any = {"color": _BAND, "fontsize": 9.0, "va": "bottom", "ha": "right", "zorder": 6.0}
        axes.text(reach, aliasing.band, text, **style)
    if found.point.speed:
        axes.axvline(_RPM * abs(found.point.speed), color="black", linewidth=1.0, linestyle=":")
        axes.text(_RPM * abs(found.point.speed), 1.02 * top, " operating speed", fontsize=9.0, va="top")
    for entry in aliasing.orders:
        _draw_order(axes, entry, half, aliasing)
    _name(axes, aliasing, reach, top)
    axes.set_title(_key(found, aliasing), **SIDE)


def _draw_order(axes: Any, entry: FoldedOrder, half: float, aliasing: Aliasing) -> None:
    """Draw an order; its width says how much of it arrives, folded parts below the level are pale."""
    from matplotlib.collections import LineCollection

    points = np.column_stack([_RPM * entry.speed, entry.folded])
    segments = np.stack([points[:-1], points[1:]], axis=1)
    frequency = entry.ripple.order * entry.speed / (2.0 * math.pi)
    known = entry.ripple.amplitude is not None
    arriving = entry.size * (entry.ripple.amplitude or 1.0) / (aliasing.level if known else 1.0)
    widths = np.clip(1.6 + 0.8 * np.log10(np.maximum(arriving, 1e-12)), 0.7, 4.0)
    folded = np.where(arriving > 1.0, _FOLDED, _PALE) if known else np.full(len(arriving), _FOLDED)
    colours = np.where(frequency > half, folded, _QUIET)
    lines = LineCollection(
        list(segments), colors=list(colours[:-1]), linewidths=widths[:-1], zorder=3.0, capstyle="butt"
    )
    axes.add_collection(lines)


def _name(axes: Any, aliasing: Aliasing, reach: float, top: float) -> None:
    """Write the orders beside their ends."""
    ends = sorted((float(entry.folded[-1]), entry) for entry in aliasing.orders[:_MOST_NAMES])
    places = spread_out([place for place, _ in ends], 0.045 * top)
    for (_, entry), place in zip(ends, places, strict=True):
        amplitude = entry.ripple.amplitude
        text = f" {order_text(entry.ripple.order)}x" + (
            "" if amplitude is None else f", {show(amplitude, 'N m', 3)}"
        )
        axes.text(reach, min(place, top), text, fontsize=9.0, va="center", ha="left", clip_on=False)


def _finding(found: Fidelity, aliasing: Aliasing) -> str:
    reach, half = aliasing.max_speed, 0.5 * found.sampling
    highest = max((entry.ripple.order for entry in aliasing.orders), default=0.0)
    if not highest:
        return "No order of torque ripple is known, so none is seen to fold"
    if not _folds(found, aliasing):
        return f"No aliasing up to {show(reach, 'rad/s')}: no order comes above half the rate of the sensor"
    begins = show(2.0 * math.pi * half / highest, "rad/s")
    where = f"; {aliasing.warnings[0]}" if aliasing.warnings else ", outside the band of the torque loop"
    return f"Order {highest:g} folds above {begins}{where}"


def _folds(found: Fidelity, aliasing: Aliasing) -> bool:
    highest = max((entry.ripple.order for entry in aliasing.orders), default=0.0)
    return highest * aliasing.max_speed > math.pi * found.sampling


def _key(found: Fidelity, aliasing: Aliasing) -> str:
    text = f"sensor {found.sensor.name} at {show(found.sampling, 'Hz', 4)}; the wider, the more arrives"
    if not _folds(found, aliasing):
        return text
    known = any(entry.ripple.amplitude is not None for entry in aliasing.orders)
    level = f", pale below {show(aliasing.level, 'N m', 3)}"
    return f"{text}; orange: folded{level if known else '; no amplitude stated, so per N m'}"
