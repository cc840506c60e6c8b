"""A measured run drawn over the simulated one, and the difference below."""

import math
from typing import Any

from shaftloop.analysis.overlay import Difference, Overlay
from shaftloop.analysis.simulation import Simulation
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over, thinned
from shaftloop.report.quantities import show

__all__ = ["overlay_picture"]

_MOST = 6
"""Channels that are drawn; all of them are compared."""


def overlay_picture(simulation: Simulation, overlay: Overlay, subject: str) -> Picture:
    """Return the measured channels over the simulated ones.

    Parameters
    ----------
    overlay : Overlay
        From `lay_over`.
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

    rms = [f"{name} {show(entry.rms, entry.unit, 3)}" for name, entry in drawn]
    title = f"Simulated and measured ({overlay.file}) differ by, rms: {', '.join(rms)}"
    shows = "Measured channels over the simulated ones, and the difference"
    return Picture("overlay", title, shows, subject, (11.0, 4.2 * len(drawn) + 0.8), paint)


def _draw_channel(above: Any, below: Any, simulation: Simulation, name: str, entry: Difference) -> None:
    factor, unit = (30.0 / math.pi, "rpm") if entry.unit == "rad/s" else (1.0, entry.unit)
    x, y = thinned(simulation.time, factor * simulation.traces[name])
    above.plot(x, y, color=COLOURS["now"], linewidth=2.4, alpha=0.6, label="simulated")
    x, y = thinned(entry.time, factor * entry.measured)
    above.plot(x, y, color=COLOURS["setpoint"], linewidth=0.9, label="measured")
    above.set_ylabel(f"{name}\n[{unit}]", parse_math=False)
    over(above, 2)
    x, y = thinned(entry.time, factor * entry.difference)
    below.plot(x, y, color=COLOURS["limit"], linewidth=1.0)
    below.axhline(0.0, color=COLOURS["quiet"], linewidth=0.8)
    below.set_ylabel(f"difference\n[{unit}]")
    largest, at = entry.worst
    mean, rms = show(entry.mean, entry.unit, 3), show(entry.rms, entry.unit, 3)
    below.set_title(
        f"simulated minus measured: mean {mean}, rms {rms}, "
        f"largest {show(largest, entry.unit, 3)} at {at:.5g} s",
        **SIDE,
    )


def _span(overlay: Overlay) -> tuple[float, float]:
    first = min(float(entry.time[0]) for entry in overlay.channels.values())
    last = max(float(entry.time[-1]) for entry in overlay.channels.values())
    return (first, last) if last > first else (first - 0.5, last + 0.5)
