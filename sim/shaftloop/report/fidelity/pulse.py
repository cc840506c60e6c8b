"""How much of the peak of a short pulse arrives, against the width of the pulse."""

from typing import Any

import numpy as np

from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import show

__all__ = ["pulse_picture"]


def pulse_picture(found: Fidelity, subject: str) -> Picture:
    """Return the captured share of the peak of a half-sine pulse against its width.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        _draw(axes, found)

    shows = "Peak of a half-sine pulse of torque against its width, relative to a slow pulse"
    return Picture("pulse", _finding(found), shows, subject, (10.5, 5.8), paint)


def _finding(found: Fidelity) -> str:
    lost = {error: width for error, width in found.pulse_widths.items() if width is not None}
    if not lost:
        return (
            f"Sensor {found.sensor.name} loses less than {100.0 * min(found.pulse_widths):g} % of any pulse"
        )
    parts = [f"{100.0 * error:g} % below {show(width, 's', 3)}" for error, width in sorted(lost.items())]
    return f"Sensor {found.sensor.name} loses more than {', '.join(parts)} of the peak of a pulse"


def _draw(axes: Any, found: Fidelity) -> None:
    curve, width = found.pulse, 1e3 * found.pulse.width
    axes.axhline(1.0, color="black", linewidth=0.7)
    axes.plot(
        width, curve.true, color=COLOURS["mechanical"], linewidth=1.8, label="true torque, from the air gap"
    )
    axes.fill_between(
        width,
        curve.sampled,
        curve.filtered,
        color=COLOURS["reading"],
        alpha=0.35,
        linewidth=0.0,
        label="largest sample, by phase of sampling",
    )
    axes.plot(width, curve.sampled, color=COLOURS["reading"], linewidth=1.8, label="largest sample at worst")
    axes.plot(
        width,
        curve.total,
        color="black",
        linewidth=1.2,
        linestyle="--",
        label="reading at worst, from the air gap",
    )
    highest = float(np.max([curve.true.max(), curve.total.max(), 1.0]))
    axes.set(
        xscale="log",
        xlim=(width[0], width[-1]),
        ylim=(0.0, 1.12 * highest),
        xlabel="width of the half-sine pulse [ms]",
        ylabel="peak / peak of a slow pulse [1]",
    )
    for i, (error, shortest) in enumerate(sorted(found.pulse_widths.items(), reverse=True)):
        if shortest is None or not curve.width[0] < shortest < curve.width[-1]:
            continue
        axes.plot(1e3 * shortest, 1.0 - error, "o", color=COLOURS["reading"], markersize=5.5, zorder=4.0)
        axes.annotate(
            f"-{100.0 * error:g} % at {show(shortest, 's', 3)}",
            (1e3 * shortest, 1.0 - error),
            xytext=(-8, 4 + 9 * i),
            textcoords="offset points",
            ha="right",
            fontsize=9.0,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.5},
        )
    period = show(1.0 / found.sampling, "s", 3)
    low_pass = found.sensor.filter
    what = "no low-pass" if low_pass is None else f"low-pass at {show(low_pass.cutoff, 'Hz', 3)}"
    text = f"sensor {found.sensor.name}: {what}, a sample every {period}; unit {found.unit}, commands held"
    axes.set_title(text, pad=38.0, **SIDE)
    over(axes, 2)
