"""The response that logs show, with its band, what the rational function makes of it, and the coherence."""

from typing import Any

import numpy as np

from shaftloop.analysis.logs.frequency import LogResponse
from shaftloop.report.canvas import COLOURS, Picture
from shaftloop.report.logs import SIDES

__all__ = ["response_picture"]

_LABEL = {"fontsize": 9.5, "parse_math": False}


def response_picture(found: LogResponse, title: str, subject: str) -> Picture:
    """Return gain, phase and coherence over frequency.

    Parameters
    ----------
    subject : str
        What responds to what.
    """
    response, resonances = found.response, found.resonances

    def paint(figure: Any) -> None:
        size, angle, share = figure.subplots(3, 1, sharex=True, height_ratios=(1.3, 1.0, 0.7))
        frequency, value = response.frequency, response.value
        gain, spread = np.abs(value), np.sqrt(response.variance / 2.0)
        shown = np.isfinite(gain) & (gain > 0.0)
        low, high = np.percentile(gain[shown], (0.5, 99.9))
        band = np.maximum(gain - SIDES * spread, 0.1 * low), gain + SIDES * spread
        size.fill_between(frequency, *band, color=COLOURS["now"], alpha=0.2, linewidth=0, label="95 %")
        size.plot(frequency, gain, color=COLOURS["now"], linewidth=0.9, label="logged")
        phase = np.degrees(np.angle(value))
        angle.plot(frequency, phase, ".", color=COLOURS["now"], markersize=2.0)
        share.plot(frequency, response.coherence, color=COLOURS["quiet"], linewidth=0.8)
        if resonances is not None:
            size.plot(
                resonances.lines,
                np.abs(resonances.fitted),
                color=COLOURS["limit"],
                linewidth=1.2,
                label=f"rational function of order {resonances.order}",
            )
            fitted = np.degrees(np.angle(resonances.fitted))
            angle.plot(resonances.lines, fitted, ".", color=COLOURS["limit"], markersize=1.5)
            for i, mode in enumerate(resonances.modes):
                right = mode.frequency > frequency[-1] * (frequency[0] / frequency[-1]) ** 0.15
                for axes in (size, angle):
                    axes.axvline(mode.frequency, color=COLOURS["limit"], linewidth=0.8, linestyle=":")
                size.annotate(
                    f"{mode.frequency:.4g} Hz\ndamping {mode.damping:.2g}",
                    (mode.frequency, 1.0),
                    xycoords=("data", "axes fraction"),
                    xytext=(-4 if right else 4, -2 - 26 * (i % 3)),
                    ha="right" if right else "left",
                    textcoords="offset points",
                    va="top",
                    color=COLOURS["limit"],
                    **_LABEL,
                )
        size.set(xscale="log", yscale="log", ylim=(0.5 * low, 3.0 * high), xlim=(frequency[0], frequency[-1]))
        size.set_ylabel(f"gain\n[{found.unit}]", parse_math=False)
        size.legend(loc="lower left")
        angle.set(ylabel="phase [°]", ylim=(-185.0, 185.0), yticks=(-180, -90, 0, 90, 180))
        share.set(ylabel="coherence", ylim=(0.0, 1.02), xlabel="frequency [Hz]")

    shows = "Gain, phase and coherence over frequency, with the rational function that was fitted"
    return Picture("response", title, shows, subject, (10.5, 8.0), paint)
