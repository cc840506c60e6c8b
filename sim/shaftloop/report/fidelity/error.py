"""Amplitude and phase error of the reading over frequency, with the bands in which it can be trusted."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.signalpath import hold_response
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.fidelity.verdict import bands
from shaftloop.report.quantities import show

__all__ = ["error_picture"]

Array = NDArray[np.float64]

_MECHANICAL, _SIGNAL, _TOTAL = COLOURS["mechanical"], COLOURS["reading"], "#000000"
_SHADES = {"3 dB": "#F1F1F1", "5 %": "#E0E0E0", "1 %": "#CACACA"}
_DECADES_BELOW = 2.5
"""How far below the first end of a band the picture begins."""
_STEEPEST = -720.0


def error_picture(found: Fidelity, subject: str) -> Picture:
    """Return amplitude and phase errors of mechanics, signal path and both.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    """

    def paint(figure: Any) -> None:
        gain, zoom, phase = figure.subplots(3, 1, sharex=True, height_ratios=(1.2, 1.2, 0.9))
        low, high = _limits(found)
        gain.set(xscale="log", xlim=(low, high))
        shown = (found.frequency >= low) & (found.frequency <= high)
        _draw_gain(gain, found, shown)
        _draw_zoom(zoom, found, shown)
        _draw_phase(phase, found, shown)
        for axes in (gain, zoom, phase):
            axes.axvline(0.5 * found.sampling, color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
        phase.set_xlabel("frequency [Hz]   (dotted: half the rate of the sensor, above which all is folded)")
        gain.set_title(_summary(found), pad=22.0, **SIDE)

    shows = "Amplitude and phase of the reading over frequency, relative to a slow torque"
    return Picture("error", bands(found), shows, subject, (10.5, 9.5), paint)


def _summary(found: Fidelity) -> str:
    where = f"{show(found.point.speed, 'rad/s')} and {show(found.point.torque, 'N m')}"
    share = f"a slow torque turns the whole line, {100.0 * found.share:.3g} % of it passes the sensor"
    return f"at {where}, torque commands held: {share}"


def _limits(found: Fidelity) -> tuple[float, float]:
    ends = [band.high for bands in found.bands.values() for band in bands if band.high is not None]
    first = min(ends, default=found.sampling) / 10.0**_DECADES_BELOW
    return max(first, float(found.frequency[0])), float(found.frequency[-1])


def _curves(found: Fidelity) -> list[tuple[str, NDArray[np.complex128], dict[str, Any]]]:
    return [
        ("mechanical: air gap to sensor", found.mechanical, {"color": _MECHANICAL, "linewidth": 1.8}),
        ("signal path: sensor to samples", found.signal, {"color": _SIGNAL, "linewidth": 1.8}),
        ("both", found.total, {"color": _TOTAL, "linewidth": 1.2, "linestyle": "--"}),
    ]


def _draw_gain(axes: Any, found: Fidelity, shown: NDArray[np.bool_]) -> None:
    sizes = []
    for label, curve, style in _curves(found):
        axes.plot(found.frequency[shown], np.abs(curve[shown]), label=label, **style)
        sizes.append(np.abs(curve[shown]))
    every = np.concatenate(sizes)
    closed = found.closed_at(found.frequency[shown])
    if closed is not None:
        style = {"color": COLOURS["quiet"], "linewidth": 1.0, "zorder": 1.8}
        axes.plot(found.frequency[shown], np.abs(closed), label="both, with the loops closed", **style)
    axes.set(
        yscale="log",
        ylabel="amplitude / slow torque's",
        ylim=(max(0.6 * every.min(), 1e-4), 2.0 * max(every.max(), 1.5)),
    )
    axes.axhline(1.0, color="black", linewidth=0.7)
    over(axes, 4)


def _draw_zoom(axes: Any, found: Fidelity, shown: NDArray[np.bool_]) -> None:
    """Draw the amplitude error in percent with the bands of the whole chain shaded."""
    low, high = axes.get_xlim()
    for band in reversed(found.bands["total"]):
        if band.exists:
            ends = max(band.low or low, low), min(band.high or high, high)
            axes.axvspan(*ends, color=_SHADES[band.level], linewidth=0.0, zorder=0.5)
            if band.high is not None and band.high < high:
                style: Any = {"rotation": 90.0, "ha": "right", "va": "bottom", "fontsize": 8.5}
                axes.text(band.high, -19.0, f"±{band.level} to {show(band.high, 'Hz', 3)} ", **style)
    for label, curve, style in _curves(found):
        error = 100.0 * (np.abs(curve[shown]) - 1.0)
        axes.plot(found.frequency[shown], np.clip(error, -40.0, 40.0), label=label, **style)
    axes.axhline(0.0, color="black", linewidth=0.7)
    axes.set(ylabel="amplitude error [%]", ylim=(-20.0, 20.0))
    for band in found.bands["signal"]:
        if band.high is not None:
            level = {"1 %": -1.0, "5 %": -5.0}.get(band.level)
            if level is not None:
                axes.plot(band.high, level, "o", color=_SIGNAL, markersize=5.0, zorder=4.0)
                text = f" signal path ±{band.level} to {show(band.high, 'Hz', 3)}"
                axes.annotate(
                    text,
                    (band.high, level),
                    xytext=(4, 4),
                    textcoords="offset points",
                    color=_SIGNAL,
                    fontsize=9.0,
                    bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.5},
                )


def _draw_phase(axes: Any, found: Fidelity, shown: NDArray[np.bool_]) -> None:
    lowest = 0.0
    for label, curve, style in _curves(found):
        angle = np.degrees(np.unwrap(np.angle(curve)))
        angle -= 360.0 * np.round(angle[0] / 360.0)
        axes.plot(found.frequency[shown], angle[shown], label=label, **style)
        lowest = min(lowest, float(angle[shown].min()))
    held = np.degrees(np.unwrap(np.angle(found.signal * hold_response(found.frequency, found.sampling))))
    (late,) = axes.plot(
        found.frequency[shown],
        held[shown],
        color=_SIGNAL,
        linewidth=0.9,
        linestyle=":",
        label="signal path, held between samples",
    )
    bottom = max(lowest, _STEEPEST)
    axes.set(ylabel="phase [°]", ylim=(bottom - 20.0, 60.0))
    axes.set_yticks(np.arange(-90.0 * np.floor(-bottom / 90.0), 61.0, 90.0))
    over(axes, 1, handles=[late])
