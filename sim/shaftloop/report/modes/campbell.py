"""The Campbell diagram: natural frequencies against speed, with the orders that excite them."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from shaftloop.analysis.interference import Excitation, Interference, Meeting
from shaftloop.analysis.modes import Mode
from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.report.modes.verdict import count, crossing
from shaftloop.report.quantities import show
from shaftloop.scenario.ratios import order_text

__all__ = ["campbell_picture", "spread_out"]

_RPM = 30.0 / math.pi
_BAND = 0.1
"""Shaded around the operating speed, as a share of it."""
_DECADES = 1.0
"""Least width of the speed axis."""
_MOST_NAMES = 18
"""Modes beyond which only the first and the last are named."""
_MOST_LABELS = 16
"""Crossings beyond which those far from the operating speed are not labelled."""
_GAP = 0.008
_LETTER, _LINE = 0.0078, 0.032
"""Width of a character and height of a line, as shares of the diagram."""
_LONGEST = 54
_MODE, _ORDER, _HIT, _HERE = COLOURS["now"], COLOURS["quiet"], COLOURS["limit"], "#000000"

_Range = tuple[float, float]
_Box = tuple[float, float, float, float]
"""Left, bottom, right and top, as shares of the diagram."""


def campbell_picture(found: Interference, modes: Sequence[Mode], subject: str) -> Picture:
    """Return the Campbell diagram.

    Both axes are logarithmic, so that the orders of unbalance and of the electrics, often a factor of a
    hundred apart, are parallel lines with equal room.

    Parameters
    ----------
    modes : sequence of Mode
        From `find_modes`.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        x, y = _ranges(found, modes)
        axes.set(xscale="log", yscale="log", xlim=x, ylim=y, xlabel="speed [rpm]", ylabel="frequency [Hz]")
        _plain_ticks(axes)
        _draw_operating_speed(axes, found, y)
        _draw_orders(axes, found.excitations, x, y)
        _draw_meetings(axes, found, x, y, _draw_modes(axes, modes, x, y))
        style = SIDE | {"pad": 20.0 if found.excitations[-1].order * x[1] / 60.0 >= y[1] else 6.0}
        axes.set_title(f"{count(found)} up to {show(found.max_speed, 'rad/s')}; filled: nearest", **style)

    shows = "Campbell diagram: natural frequencies and excitation orders against speed, with their crossings"
    return Picture("campbell", crossing(found), shows, subject, (12.5, 7.0), paint)


def spread_out(places: Sequence[float], least: float) -> list[float]:
    """Return places moved as little as needed to be a distance apart, in the same order.

    Parameters
    ----------
    places : sequence of float
        Rising.
    least : float
        Distance.
    """
    blocks: list[tuple[float, int]] = []
    for place in places:
        blocks.append((place, 1))
        # A block of touching labels stands with its middle over the middle of the places it belongs to.
        while len(blocks) > 1:
            (low, m), (high, n) = blocks[-2:]
            if high - low >= 0.5 * least * (m + n):
                break
            total = m + n
            shift = 0.5 * least
            middle = (m * (low + shift * n) + n * (high - shift * m)) / total
            blocks[-2:] = [(middle, total)]
    return [middle + least * (i - 0.5 * (count - 1)) for middle, count in blocks for i in range(count)]


def _ranges(found: Interference, modes: Sequence[Mode]) -> tuple[_Range, _Range]:
    """Return the ranges of speed [rpm] and frequency [Hz]."""
    high = _RPM * found.max_speed
    slowest = _RPM * min([meeting.speed for meeting in found.meetings], default=found.max_speed)
    low = min(0.4 * slowest, high / 10.0**_DECADES)
    top = max([mode.frequency for mode in modes], default=high / 60.0)
    bottom = min([mode.frequency for mode in modes], default=high / 60.0)
    first = found.excitations[0].order * high / 60.0
    return (low, 1.05 * high), (min(0.5 * bottom, 0.6 * first), 2.2 * top)


def _plain_ticks(axes: Any) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())


def _draw_operating_speed(axes: Any, found: Interference, y: _Range) -> None:
    speed = _RPM * found.operating_speed
    if speed <= 0.0:
        return
    axes.axvspan((1.0 - _BAND) * speed, (1.0 + _BAND) * speed, color="#000000", alpha=0.07, linewidth=0.0)
    axes.axvline(speed, color=_HERE, linewidth=1.6, zorder=2.0)
    text = f" operating speed {speed:.0f} rpm \n shaded: ±{100.0 * _BAND:.0f} % "
    low, high = axes.get_xlim()
    side = "right" if math.log(speed / low) > 0.5 * math.log(high / low) else "left"
    axes.text(speed, y[1] * 0.97, text, ha=side, va="top", fontsize=9.0, zorder=6.0)


def _draw_modes(axes: Any, modes: Sequence[Mode], x: _Range, y: _Range) -> list[_Box]:
    """Draw a line for every mode, its name over its left end; return where the names stand."""
    for mode in modes:
        axes.axhline(mode.frequency, color=_MODE, linewidth=2.0 if len(modes) < 10 else 1.0, zorder=2.5)
    every = len(modes) <= _MOST_NAMES
    named = [(n, mode) for n, mode in enumerate(modes, 1) if every or n in (1, len(modes))]
    places = spread_out([_share(mode.frequency, y) for _, mode in named], _LINE)
    boxes = []
    for (number, mode), place in zip(named, places, strict=True):
        text = f"mode {number}: {show(mode.frequency, 'Hz')}"
        boxes.append((0.0, place, 1.4 * _LETTER * len(text), place + _LINE))
        style: Any = {"color": _MODE, "fontweight": "bold", "va": "bottom", "zorder": 5.0}
        style["bbox"] = {"facecolor": "white", "linewidth": 0.0, "pad": 0.5}
        axes.text(0.003, place + 0.004, text, transform=axes.transAxes, **style)
    return boxes


def _draw_orders(axes: Any, excitations: Sequence[Excitation], x: _Range, y: _Range) -> None:
    """Draw a line for every order, its name at its end: right of the diagram, or above it."""
    right = [entry for entry in excitations if entry.order * x[1] / 60.0 < y[1]]
    above = [entry for entry in reversed(excitations) if entry.order * x[1] / 60.0 >= y[1]]
    speeds = np.array(x)
    for entry in excitations:
        axes.plot(speeds, entry.order * speeds / 60.0, color=_ORDER, linewidth=1.0, zorder=2.0)
    style: Any = {"color": _ORDER, "fontsize": 9.0, "transform": axes.transAxes, "parse_math": False}
    ends = spread_out([_share(entry.order * x[1] / 60.0, y) for entry in right], _LINE)
    for entry, place in zip(right, ends, strict=True):
        axes.text(1.01, place, _words(entry), ha="left", va="center", **style)
    ends = spread_out([_share(60.0 * y[1] / entry.order, x) for entry in above], 6.0 * _LETTER)
    for entry, place in zip(above, ends, strict=True):
        if place <= 1.0:
            axes.text(place, 1.01, f"{order_text(entry.order)}x", ha="center", va="bottom", **style)


def _words(entry: Excitation) -> str:
    text = f"{order_text(entry.order)}x: {entry.source}"
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def _share(value: float, limits: _Range) -> float:
    """Return where a value stands on a logarithmic axis, from 0 to 1."""
    return math.log(value / limits[0]) / math.log(limits[1] / limits[0])


def _draw_meetings(axes: Any, found: Interference, x: _Range, y: _Range, taken: list[_Box]) -> None:
    """Mark crossings, the nearest one filled, with its margin. Labels that find no room are left out."""
    dots = [(_share(_RPM * m.speed, x), _share(m.frequency, y)) for m in found.meetings]
    taken = [*taken, *((i - 0.008, j - 0.012, i + 0.008, j + 0.012) for i, j in dots)]
    for (i, j), meeting in zip(dots, found.meetings, strict=True):
        face, size = (_HIT, 11.0) if meeting.nearest else ("white", 7.0)
        style: Any = {"markerfacecolor": face, "markeredgecolor": _HIT, "transform": axes.transAxes}
        axes.plot(i, j, "o", markersize=size, zorder=4.0 + meeting.nearest, **style)
    for meeting in _worth_a_label(found):
        text = show(meeting.speed, "rad/s", 3)
        if meeting.nearest:
            text += f"\n{meeting.margin:+.1f} %"
        lines = text.split("\n")
        wide, high = _LETTER * max(map(len, lines)), _LINE * len(lines)
        i, j = _share(_RPM * meeting.speed, x), _share(meeting.frequency, y)
        # An order rises to the right, so there is room below it to the right and above it to the left.
        below = (i + _GAP, j - _GAP - high, i + _GAP + wide, j - _GAP)
        above = (i - _GAP - wide, j + _GAP, i - _GAP, j + _GAP + high)
        free = (box for box in (below, above) if box[2] <= 1.0 and not any(_overlap(box, t) for t in taken))
        box = next(free, below if meeting.nearest else None)
        if box is not None:
            taken.append(box)
            style = {"color": _HIT, "fontsize": 9.0, "fontweight": "bold" if meeting.nearest else "normal"}
            style |= {"va": "top", "ha": "left" if box is below else "right", "zorder": 3.5}
            style["bbox"] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5}
            corner = (box[0] if box is below else box[2], box[3])
            axes.text(*corner, text, transform=axes.transAxes, **style)


def _worth_a_label(found: Interference) -> list[Meeting]:
    """Return the crossings to label, those nearest to the operating speed, in the order in which they choose.

    From the right: of two close ones the right one is labelled to its right, the left one to its left.
    """
    near = sorted(found.meetings, key=lambda meeting: abs(meeting.speed - found.operating_speed))
    return sorted(near[:_MOST_LABELS], key=lambda meeting: (not meeting.nearest, -meeting.speed))


def _overlap(a: _Box, b: _Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
