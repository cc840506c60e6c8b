"""A measured run drawn over the simulated one, and the difference below."""

import math
from pathlib import Path
from typing import Any

from shaftloop.analysis.overlay import Difference, Overlay
from shaftloop.analysis.simulation import Simulation
from shaftloop.report.canvas import COLOURS, draw, thinned
from shaftloop.report.quantities import show

__all__ = ["draw_overlay"]

_MOST = 6
"""Channels that are drawn; all of them are compared."""


def draw_overlay(simulation: Simulation, overlay: Overlay, title: str, paths: list[Path]) -> None:
    """Draw the measured channels over the simulated ones.

    Parameters
    ----------
    simulation : Simulation
        Finished run.
    overlay : Overlay
        From `lay_over`.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    drawn = list(overlay.channels.items())[:_MOST]

    def paint(figure: Any) -> None:
        axes = figure.subplots(
            2 * len(drawn), 1, squeeze=False, sharex=True, height_ratios=[2.0, 1.0] * len(drawn)
        )
        for i, (name, entry) in enumerate(drawn):
            _draw_channel(axes[2 * i][0], axes[2 * i + 1][0], simulation, name, entry)
        axes[-1][0].set_xlabel("time of the run [s]")
        axes[-1][0].set_xlim(*_span(overlay))

    draw(paint, (11.0, 4.2 * len(drawn) + 0.8), f"{title}, simulated and measured ({overlay.file})", paths)


def _draw_channel(above: Any, below: Any, simulation: Simulation, name: str, entry: Difference) -> None:
    factor, unit = (30.0 / math.pi, "rpm") if entry.unit == "rad/s" else (1.0, entry.unit)
    x, y = thinned(simulation.time, factor * simulation.traces[name])
    above.plot(x, y, color=COLOURS["true"], linewidth=2.4, alpha=0.6, label="simulated")
    x, y = thinned(entry.time, factor * entry.measured)
    above.plot(x, y, color=COLOURS["setpoint"], linewidth=0.9, label="measured")
    above.set_ylabel(f"{name}\n[{unit}]", parse_math=False)
    above.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.98), ncols=2, borderaxespad=0.0)
    x, y = thinned(entry.time, factor * entry.difference)
    below.plot(x, y, color=COLOURS["loss"], linewidth=1.0)
    below.axhline(0.0, color=COLOURS["quiet"], linewidth=0.8)
    below.set_ylabel(f"difference\n[{unit}]")
    largest, at = entry.worst
    mean, rms = show(entry.mean, entry.unit, 3), show(entry.rms, entry.unit, 3)
    below.set_title(
        f"simulated minus measured: mean {mean}, rms {rms}, "
        f"largest {show(largest, entry.unit, 3)} at {at:.5g} s",
        loc="left",
        fontweight="normal",
        fontsize=9.5,
    )


def _span(overlay: Overlay) -> tuple[float, float]:
    first = min(float(entry.time[0]) for entry in overlay.channels.values())
    last = max(float(entry.time[-1]) for entry in overlay.channels.values())
    return (first, last) if last > first else (first - 0.5, last + 0.5)
