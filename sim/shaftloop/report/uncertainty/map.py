"""Pictures of the efficiency's uncertainty: over speed and torque, and against the averaging window."""

import math
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.analysis.efficiency import WindowCurve
from shaftloop.analysis.efficiency_map import EfficiencyMap
from shaftloop.analysis.efficiency_points import BenchPoint
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, draw
from shaftloop.report.quantities import show

__all__ = ["draw_efficiency_map", "draw_window"]

_RPM = 30.0 / math.pi
_LEVELS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0)
"""Points of efficiency at which lines are drawn."""
_NAMES = {"torque": "torque", "speed": "speed", "mechanical_power": "shaft power", "efficiency": "efficiency"}


def draw_efficiency_map(
    found: EfficiencyMap, points: tuple[BenchPoint, ...], title: str, paths: list[Path]
) -> None:
    """Draw lines of equal expanded uncertainty, of equal efficiency, and where losses become better.

    Parameters
    ----------
    found : EfficiencyMap
        From `efficiency_map`.
    points : tuple of BenchPoint
        Operating points, marked.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        speed, torque = _RPM * found.speed, np.abs(found.torque)
        direct = 100.0 * found.direct
        if np.isfinite(direct).sum() < 4:
            axes.text(0.5, 0.5, "no efficiency inside the envelope", ha="center", transform=axes.transAxes)
            return
        _draw_surface(figure, axes, speed, torque, direct, found)
        for point in points:
            axes.plot(_RPM * point.speed, abs(point.torque), "o", color="black", markersize=7, zorder=5)
        label = "generating" if found.torque[0] < 0.0 else "motoring"
        axes.set(xlabel="speed [rpm]", ylabel="torque at the sensor [N m], size", xlim=(0.0, speed[-1]))
        axes.set_ylim(0.0, torque[-1])
        axes.set_title(
            f"{label}; dotted: efficiency [%]; dots: operating points; white: outside the envelope",
            loc="left",
            fontweight="normal",
            fontsize=9.5,
        )

    draw(paint, (9.5, 6.6), title, paths)


def draw_window(curve: WindowCurve, window: float, title: str, paths: list[Path]) -> None:
    """Draw the expanded uncertainties, relative to those at the stated window, against the window.

    Parameters
    ----------
    curve : WindowCurve
        From `window_curve`.
    window : float
        The stated one. [s]
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
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
        axes.annotate(
            f" stated: {window:g} s",
            (window, 0.02),
            xycoords=("data", "axes fraction"),
            fontsize=9.5,
        )
        axes.set(
            xlabel="averaging window [s]", ylabel="expanded uncertainty over that at the stated window [1]"
        )
        where = f"{show(curve.point.speed, 'rad/s')}, {show(curve.point.torque, 'N m')}"
        if axes.get_legend_handles_labels()[0]:
            axes.legend(title=f"at {where}; dot: least", loc="upper left", bbox_to_anchor=(0.12, 1.0))
        axes.grid(visible=True, which="major")

    draw(paint, (9.0, 5.6), title, paths)


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
        axes.clabel(dashed, fmt="%g %%", fontsize=8)
    better = np.ma.masked_invalid(found.from_losses - found.direct)
    if better.count() and better.min() < 0.0 < better.max():
        axes.contour(speed, torque, better, levels=[0.0], colors=COLOURS["loss"], linewidths=2.2)
        axes.contourf(speed, torque, better, levels=[float(better.min()), 0.0], colors="none", hatches=["//"])
        hatched = Patch(facecolor="none", edgecolor="black", hatch="//")
        axes.legend([hatched], ["hatched: from losses is the better way"], loc="upper right")
    elif better.count():
        text = (
            "losses are the better way everywhere"
            if better.max() < 0.0
            else "input/output is better everywhere"
        )
        axes.text(0.98, 0.02, text, ha="right", transform=axes.transAxes, color=COLOURS["loss"], fontsize=9.5)
    bar = figure.colorbar(mesh, ax=axes)
    bar.set_label(f"expanded uncertainty of the efficiency [points], {100.0 * found.coverage:.4g} %")
    bar.set_ticks(levels, labels=[f"{level:g}" for level in levels])
    bar.minorticks_off()
