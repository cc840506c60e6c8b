"""Pictures of the efficiency's uncertainty: over speed and torque, and against the averaging window."""

import math
from typing import Any

import numpy as np

from shaftloop.analysis.efficiency import WindowCurve
from shaftloop.analysis.efficiency_map import EfficiencyMap
from shaftloop.analysis.efficiency_points import BenchPoint
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import show

__all__ = ["efficiency_map_picture", "window_picture"]

_RPM = 30.0 / math.pi
_LEVELS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0)
"""Points of efficiency at which lines are drawn."""
_WORTH = 1.05
"""Ratio of uncertainties from which on another window is worth a word."""
_ROOM = 0.06
"""Between two labels, relative to the axis."""
_NAMES = {"torque": "torque", "speed": "speed", "mechanical_power": "shaft power", "efficiency": "efficiency"}


def efficiency_map_picture(
    found: EfficiencyMap, points: tuple[BenchPoint, ...], missing: str, subject: str
) -> Picture:
    """Return lines of equal expanded uncertainty, of equal efficiency, and where losses become better.

    Parameters
    ----------
    found : EfficiencyMap
        From `efficiency_map`.
    missing : str
        What is not stated, where there is no efficiency.
    """
    speed, torque, direct = _RPM * found.speed, np.abs(found.torque), 100.0 * found.direct
    known = np.isfinite(direct)
    empty = known.sum() < 4
    way = "generating" if found.torque[0] < 0.0 else "motoring"

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        if empty:
            axes.set_axis_off()
            axes.text(0.0, 0.5, f"What is missing: {missing}", transform=axes.transAxes, parse_math=False)
            return
        _draw_surface(figure, axes, speed, torque, direct, found)
        for point in points:
            axes.plot(_RPM * point.speed, abs(point.torque), "o", color="black", markersize=7, zorder=5)
        axes.set(xlabel="speed [rpm]", ylabel="torque at the sensor [N m], size", xlim=(0.0, speed[-1]))
        axes.set_ylim(0.0, torque[-1])
        text = f"{way}; dotted: efficiency; dots: operating points; white: outside the envelope"
        axes.set_title(text, pad=22.0, **SIDE)

    if empty:
        title = (
            "There is no map of the efficiency: too little of it is stated, or nothing lies in the envelope"
        )
    else:
        row, column = np.unravel_index(np.nanargmin(np.where(known, direct, np.nan)), direct.shape)
        title = (
            f"The efficiency ({way}) is surest at {speed[column]:.4g} rpm and {show(torque[row], 'N m', 3)}, "
            f"±{direct[row, column]:.2g} points, and least sure with ±{np.nanmax(direct):.2g} points"
        )
    shows = "Expanded uncertainty of the efficiency over speed and torque"
    return Picture("map", title, shows, subject, (10.0, 2.2 if empty else 7.0), paint)


def window_picture(curve: WindowCurve, window: float, subject: str) -> Picture:
    """Return the expanded uncertainties, relative to those at the stated window, against the window.

    Parameters
    ----------
    curve : WindowCurve
        From `window_curve`.
    window : float
        The stated one. [s]
    """

    def paint(figure: Any) -> None:
        if not curve.expanded:
            figure.subplots().set_axis_off()  # The layout warns of a picture without axes.
            figure.text(0.5, 0.5, "no result has an uncertainty", ha="center")
            return
        axes = figure.subplots()
        for i, (name, expanded) in enumerate(curve.expanded.items()):
            reference = float(np.interp(math.log(window), np.log(curve.window), expanded))
            if reference <= 0.0:
                continue
            colour = MACHINE_COLOURS[i % len(MACHINE_COLOURS)]
            axes.loglog(curve.window, expanded / reference, color=colour, label=_NAMES.get(name, name))
            best = curve.best[name]
            if best is not None:
                place = float(np.interp(math.log(best), np.log(curve.window), expanded)) / reference
                axes.plot(best, place, "o", color=colour, markersize=6)
        axes.axvline(window, color="black", linewidth=1.2)
        style: Any = {"xycoords": ("data", "axes fraction"), "fontsize": 9.5}
        axes.annotate(f" stated: {show(window, 's', 3)}", (window, 0.02), **style)
        axes.set(xlabel="averaging window [s]", ylabel="U / U at the stated window")
        where = f"{show(curve.point.speed, 'rad/s')}, {show(curve.point.torque, 'N m')}"
        axes.set_title(f"at {where}; dot: least", pad=22.0, **SIDE)
        over(axes, 4)

    shows = "Expanded uncertainty against the averaging window, relative to the stated one"
    return Picture("window", _window_finding(curve, window), shows, subject, (10.0, 5.8), paint)


def _window_finding(curve: WindowCurve, window: float) -> str:
    """Return what another window would bring for each result."""
    gains = {}
    for name, expanded in curve.expanded.items():
        reference = float(np.interp(math.log(window), np.log(curve.window), expanded))
        if reference > 0.0:
            best = int(np.argmin(expanded))
            over_best = show(float(curve.window[best]), "s", 3)
            gains[_NAMES.get(name, name)] = reference / float(expanded[best]), over_best
    if not gains:
        return "No result has an uncertainty that averaging could change"
    better = [f"{name} {gain:.3g} times (over {at})" for name, (gain, at) in gains.items() if gain >= _WORTH]
    same = [name for name, (gain, _) in gains.items() if gain < _WORTH]
    stated = f"Instead of over {show(window, 's', 3)}, averaging"
    if not better:
        return f"{stated} over any other time makes {', '.join(same)} no surer"
    rest = f", but {', '.join(same)} no surer over any time" if same else ""
    return f"{stated} over another time makes surer: {', '.join(better)}{rest}"


def _draw_surface(figure: Any, axes: Any, speed: Any, torque: Any, direct: Any, found: EfficiencyMap) -> None:
    from matplotlib.colors import LogNorm
    from matplotlib.patches import Patch

    low, high = float(np.nanmin(direct)), float(np.nanmax(direct))
    levels = [level for level in _LEVELS if low < level < high] or [0.5 * (low + high)]
    masked = np.ma.masked_invalid(direct)
    norm = LogNorm(max(low, 1e-3), max(high, 1.01 * low))
    shades = np.geomspace(0.999 * max(low, 1e-3), 1.001 * max(high, 1.01 * low), 40)
    mesh = axes.contourf(speed, torque, masked, levels=shades, cmap="YlGnBu", norm=norm)
    lines = axes.contour(speed, torque, masked, levels=levels, colors="#0B3C5D", linewidths=1.1)
    axes.clabel(lines, fmt=lambda value: f"±{value:g}", fontsize=9)
    share = np.ma.masked_invalid(100.0 * found.efficiency)
    etas = [
        level for level in (50, 70, 80, 85, 90, 92, 94, 95, 96, 97, 98) if share.min() < level < share.max()
    ]
    if etas:
        dashed = axes.contour(
            speed, torque, share, levels=etas, colors="black", linewidths=0.8, linestyles=":"
        )
        # Labelled beside the right edge, where the others are not, and only those that have room.
        places: list[tuple[float, float]] = []
        for place in (_level_at(torque, share[:, -2], level) for level in etas):
            if np.isfinite(place) and all(abs(place - y) > _ROOM * torque[-1] for _, y in places):
                places.append((speed[-2], place))
        axes.clabel(dashed, fmt="%g %%", fontsize=8, manual=places)
    better = np.ma.masked_invalid(found.from_losses - found.direct)
    if better.count() and better.min() < 0.0 < better.max():
        axes.contour(speed, torque, better, levels=[0.0], colors=COLOURS["loss"], linewidths=2.2)
        axes.contourf(speed, torque, better, levels=[float(better.min()), 0.0], colors="none", hatches=["//"])
        hatched = Patch(facecolor="none", edgecolor="black", hatch="//")
        over(axes, 1, handles=[hatched], labels=["from losses is the better way"])
    elif better.count():
        text = (
            "losses are the better way everywhere"
            if better.max() < 0.0
            else "input/output is better everywhere"
        )
        paper = {"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.85}
        axes.text(0.98, 0.02, text, ha="right", transform=axes.transAxes, fontsize=9.5, bbox=paper)
    bar = figure.colorbar(mesh, ax=axes)
    bar.set_label(f"expanded uncertainty of the efficiency [points], {100.0 * found.coverage:.4g} %")
    bar.set_ticks(levels, labels=[f"{level:g}" for level in levels])
    bar.minorticks_off()


def _level_at(torque: Any, share: Any, level: float) -> float:
    """Return the torque at which the efficiency of a column first reaches a level, nan where it does not."""
    above = np.flatnonzero(np.ma.filled(share, np.nan) >= level)
    return float(torque[above[0]]) if len(above) else float("nan")
