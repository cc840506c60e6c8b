"""The open-loop response over frequency, with its margins, and the sensitivities that follow from it."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.injection import Measured
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.response import Crossing
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over
from shaftloop.report.quantities import show

__all__ = ["bode_picture"]

Array = NDArray[np.float64]

_CURVE, _PHASE, _GAIN = COLOURS["now"], COLOURS["phase margin"], COLOURS["gain margin"]
_BELOW_CROSSOVER = 60.0
"""How far below the lowest event the picture begins."""
_FLOOR, _CEILING = 1e-2, 1e3
_DEEPEST = -560.0
"""Phase at which the picture is cut off [°]."""
_LABEL = {"fontsize": 9.5, "parse_math": False}
_PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}


def bode_picture(margins: Margins, title: str, subject: str, measured: Measured | None = None) -> Picture:
    """Return L over frequency with its margins marked, and |S| and |T|.

    Parameters
    ----------
    title : str
        Its finding.
    measured : Measured, optional
        Points of an injection to draw over the exact curve.
    """

    def paint(figure: Any) -> None:
        size, angle, closed = figure.subplots(3, 1, sharex=True, height_ratios=(1.2, 1.0, 0.9))
        events = [c.frequency for c in margins.crossings] + [margins.ms_frequency, margins.mt_frequency]
        first = max(margins.frequency[0], min(events) / _BELOW_CROSSOVER)
        last = margins.frequency[-1]
        size.set(xscale="log", xlim=(first, last * 1.3))
        for axes in (size, angle, closed):
            axes.axvline(last, color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
        _draw_size(size, margins, first)
        _draw_angle(angle, margins, first)
        if measured is not None:
            _draw_measured(size, angle, margins, measured)
        _draw_closed(closed, margins)
        closed.set_xlabel("frequency [Hz]   (dotted: half the rate of the loop)")
        size.set_title(_summary(margins), **SIDE)
        for axes in (size, closed):
            _decibels(axes)

    shows = f"Open loop of {margins.loop} over frequency, size and phase, with sensitivities below"
    return Picture(f"bode-{margins.loop}", title, shows, subject, (10.5, 9.0), paint)


def _summary(margins: Margins) -> str:
    point = margins.point
    where = f"{show(point.speed, 'rad/s')} and {show(point.torque, 'N m')}"
    return f"open loop L of {margins.loop}, cut at its command, at {where}"


def _decibels(axes: Any) -> None:
    """Label the right edge of a logarithmic axis in decibels."""
    low, high = axes.get_ylim()
    step = 20.0 * math.ceil(math.log10(high / low) / 6.0) if high / low > 100.0 else 10.0
    ticks = step * np.arange(math.ceil(20.0 * math.log10(low) / step), 20.0 * math.log10(high) / step)
    right = axes.secondary_yaxis("right")
    right.set_yticks(10.0 ** (ticks / 20.0), [f"{tick:.0f}" for tick in ticks])
    right.set_yticks([], minor=True)
    right.set_ylabel("[dB]")


def _draw_size(axes: Any, margins: Margins, first: float) -> None:
    size = np.abs(margins.response)
    seen = size[margins.frequency >= first]
    axes.plot(margins.frequency, size, color=_CURVE)
    axes.axhline(1.0, color="black", linewidth=0.8)
    low = max(min(seen.min(), 0.1), _FLOOR)
    axes.set(yscale="log", ylabel="|L|", ylim=(0.7 * low, min(1.5 * max(seen.max(), 3.0), _CEILING)))
    for crossing in margins.crossings:
        if crossing.kind == "gain":
            axes.plot(crossing.frequency, 1.0, "o", color=_PHASE, markersize=4.5)
    for factor in (margins.gain_margin, margins.gain_margin_down):
        at = None if factor is None else _nearest_phase_crossing(margins, factor)
        if factor is not None and at is not None:
            _bar(axes, at.frequency, (1.0, 1.0 / factor), _GAIN)
            _label(axes, f"gain × {factor:.3g}", (at.frequency, factor**-0.5), factor < 1.0, _GAIN)
    if margins.crossover is not None:
        axes.annotate(
            f"crossover {margins.crossover:.3g} Hz",
            (margins.crossover, 1.0),
            xytext=(6, 8),
            textcoords="offset points",
            color=_PHASE,
            bbox=_PAPER,
            **_LABEL,
        )


def _draw_angle(axes: Any, margins: Margins, first: float) -> None:
    angle = np.degrees(np.unwrap(np.angle(margins.response)))
    angle -= 360.0 * round((angle[0] + 90.0) / 360.0)
    shown = margins.frequency >= first
    axes.plot(margins.frequency, angle, color=_CURVE)
    low, high = float(angle[shown].min()), float(angle[shown].max())
    low, high = max(min(low, -200.0) - 20.0, _DEEPEST), high + 30.0
    axes.set(ylabel="phase of L [°]", ylim=(low, high))
    axes.set_yticks(np.arange(math.ceil(low / 90.0) * 90.0, high, 90.0))
    for line in np.arange(-180.0, low, -360.0):
        axes.axhline(line, color="black", linewidth=0.8)
    for crossing in margins.crossings:
        here = float(np.interp(crossing.frequency, margins.frequency, angle))
        if crossing.kind == "phase":
            axes.plot(crossing.frequency, here, "o", color=_GAIN, markersize=4.5)
        else:
            axes.plot(crossing.frequency, here, "o", color=_PHASE, markersize=4.5)
            if margins.phase_margin is not None and abs(crossing.value) == abs(margins.phase_margin):
                _bar(axes, crossing.frequency, (here - crossing.value, here), _PHASE)
                text = f"phase margin {margins.phase_margin:.1f}°"
                _label(axes, text, (crossing.frequency, here - 0.5 * crossing.value), True, _PHASE)


def _draw_measured(size: Any, angle: Any, margins: Margins, measured: Measured) -> None:
    """Draw the tones of an injection, with the phase on the branch of the exact curve."""
    exact = np.degrees(np.unwrap(np.angle(margins.response)))
    exact -= 360.0 * round((exact[0] + 90.0) / 360.0)
    near = np.interp(measured.frequency, margins.frequency, exact)
    phase = np.degrees(np.angle(measured.response))
    phase += 360.0 * np.round((near - phase) / 360.0)
    style: Any = {
        "color": "black",
        "marker": "x",
        "linestyle": "none",
        "markersize": 5.0,
        "zorder": 4.0,
    }
    size.plot(measured.frequency, np.abs(measured.response), label="measured by injection", **style)
    angle.plot(measured.frequency, phase, **style)
    size.legend(loc="lower left", frameon=False)


def _draw_closed(axes: Any, margins: Margins) -> None:
    sensitivity, complementary = np.abs(margins.sensitivity), np.abs(1.0 - margins.sensitivity)
    style: Any = {"color": COLOURS["sensitivity"], "label": "sensitivity |S|: what is left of a disturbance"}
    axes.plot(margins.frequency, sensitivity, **style)
    style = {
        "color": COLOURS["complementary"],
        "linestyle": "--",
        "label": "|T| = |1 - S|: what a set-point does",
    }
    axes.plot(margins.frequency, complementary, **style)
    most = max(margins.ms, margins.mt)
    axes.set(yscale="log", ylabel="closed loop", ylim=(0.03, 4.0 * max(most, 1.3)))
    axes.axhline(1.0, color="black", linewidth=0.8)
    peaks = [
        (margins.ms, margins.ms_frequency, "Ms", COLOURS["sensitivity"]),
        (margins.mt, margins.mt_frequency, "Mt", COLOURS["complementary"]),
    ]
    close = abs(math.log(margins.ms_frequency / margins.mt_frequency)) < 2.2
    for i, (value, frequency, name, colour) in enumerate(peaks):
        axes.plot(frequency, value, "o", color=colour, markersize=4.5)
        # Two peaks side by side are labelled to either side.
        right = frequency >= peaks[1 - i][1] if close else True
        axes.annotate(
            f"{name} {value:.3g} at {frequency:.3g} Hz",
            (frequency, value),
            xytext=(6 if right else -6, 5),
            textcoords="offset points",
            ha="left" if right else "right",
            color=colour,
            **_LABEL,
        )
    over(axes, 2)


def _nearest_phase_crossing(margins: Margins, factor: float) -> Crossing | None:
    """Return the phase crossover that a gain margin belongs to, nothing where none is within a tenth."""
    found = [c for c in margins.crossings if c.kind == "phase" and abs(c.value / factor - 1.0) < 0.1]
    return min(found, key=lambda c: abs(c.value - factor), default=None)


def _bar(axes: Any, x: float, ends: tuple[float, float], colour: str) -> None:
    axes.plot([x, x], ends, color=colour, linewidth=3.0, solid_capstyle="butt")


def _label(axes: Any, text: str, place: tuple[float, float], left: bool, colour: str) -> None:
    """Write beside a point."""
    axes.annotate(
        text,
        place,
        xytext=(-7 if left else 7, 0),
        textcoords="offset points",
        ha="right" if left else "left",
        va="center",
        color=colour,
        bbox=_PAPER,
        **_LABEL,
    )
