"""The open-loop response near -1, with circles of constant sensitivity."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.response import fundamental
from shaftloop.report.canvas import COLOURS, Picture, over

__all__ = ["nyquist_picture"]

Complex = NDArray[np.complex128]

_CIRCLES = (1.4, 1.6, 2.0)
_CURVE, _WORST, _MARGIN = COLOURS["now"], COLOURS["sensitivity"], COLOURS["gain margin"]
_LEFT, _RIGHT, _HIGH = -2.6, 1.15, 1.75
_CIRCLE = "#F2B48C"
"""Pale, in the colour of the sensitivity."""
_TEXT = {"fontsize": 9.5, "parse_math": False}
_MARKS = (1.0, 2.0, 5.0)


def nyquist_picture(margins: Margins, title: str, subject: str) -> Picture:
    """Return L in the complex plane near -1.

    Parameters
    ----------
    title : str
        Its finding.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        axes.set(xlabel="real part of L", ylabel="imaginary part of L", aspect="equal")
        axes.set(xlim=(_LEFT, _RIGHT), ylim=(-_HIGH, _HIGH))
        axes.axhline(0.0, color="black", linewidth=0.8)
        axes.axvline(0.0, color="black", linewidth=0.8)
        _draw_circles(axes)
        curve = _smooth_curve(margins)
        axes.plot(curve.real, curve.imag, color=_CURVE, linewidth=1.8)
        axes.plot(curve.real, -curve.imag, color=_CURVE, linewidth=0.8, alpha=0.4)
        _mark_frequencies(axes, margins)
        _mark_margins(axes, margins)
        over(axes, 2)

    shows = f"Open loop of {margins.loop} in the complex plane near -1, with circles of constant Ms"
    return Picture(f"nyquist-{margins.loop}", title, shows, subject, (10.0, 9.4), paint)


def _smooth_curve(margins: Margins) -> Complex:
    """Return L between the points of the grid, too, so that no corner shows."""
    between = np.sqrt(margins.frequency[1:] * margins.frequency[:-1])
    quarters = np.sqrt(np.concatenate([between * margins.frequency[1:], between * margins.frequency[:-1]]))
    further = np.concatenate([between, quarters])
    order = np.argsort(np.concatenate([margins.frequency, further]))
    return np.concatenate([margins.response, fundamental(margins.system, further)])[order]


def _draw_circles(axes: Any) -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 200)
    axes.plot(np.cos(turn), np.sin(turn), color=COLOURS["quiet"], linewidth=0.8, linestyle=":")
    axes.text(0.72, 0.72, "|L| = 1", color=COLOURS["quiet"], **_TEXT)
    for ms in _CIRCLES:
        radius = 1.0 / ms
        axes.plot(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color=_CIRCLE, linewidth=1.1)
        axes.text(
            -1.0 + 0.02,
            radius,
            f"Ms {ms:.1f}",
            ha="center",
            va="center",
            color=_WORST,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
            **_TEXT,
        )
    axes.plot(-1.0, 0.0, "+", color="black", markersize=13, markeredgewidth=2.0)
    axes.annotate("-1", (-1.0, 0.0), xytext=(-14, -14), textcoords="offset points", **_TEXT)


def _mark_frequencies(axes: Any, margins: Margins) -> None:
    """Write a few frequencies along the curve, no two labels on top of each other."""
    last = float(margins.frequency[-1])
    first = max(float(margins.frequency[0]), 1e-4 * last)
    decades = range(math.floor(math.log10(first)), math.ceil(math.log10(last)) + 1)
    round_ones = [factor * 10.0**decade for decade in decades for factor in _MARKS]
    frequencies = np.array([f for f in round_ones if first <= f <= last])
    taken: list[complex] = [-1.0 + 0.0j, 0.0j, _worst_point(margins)]
    for frequency, value in zip(frequencies, fundamental(margins.system, frequencies), strict=True):
        inside = _LEFT < value.real < _RIGHT and abs(value.imag) < _HIGH
        if inside and min(abs(value - other) for other in taken) > 0.18:
            taken.append(complex(value))
            axes.plot(value.real, value.imag, "o", color=_CURVE, markersize=3.5)
            # Beside the curve, on the side that is away from -1.
            along = complex(fundamental(margins.system, np.array([1.001 * frequency]))[0] - value)
            across = 1j * along / max(abs(along), 1e-300)
            across *= 1.0 if (across * (value + 1.0).conjugate()).real >= 0.0 else -1.0
            axes.annotate(
                f"{frequency:g} Hz",
                (value.real, value.imag),
                xytext=(9.0 * across.real, 9.0 * across.imag),
                textcoords="offset points",
                ha="left" if across.real >= 0.0 else "right",
                va="center",
                color=_CURVE,
                fontsize=8.5,
            )


def _worst_point(margins: Margins) -> complex:
    """Return L where the sensitivity is largest."""
    return complex(fundamental(margins.system, np.array([margins.ms_frequency]))[0])


def _mark_margins(axes: Any, margins: Margins) -> None:
    """Mark the margins; what they are stands above, where no curve is."""
    value = _worst_point(margins)
    axes.plot([-1.0, value.real], [0.0, value.imag], color=_WORST, linewidth=1.4)
    # With several ticks per hyperperiod images take part in Ms, which the curve does not show.
    nearest = (
        f"1/Ms = {1.0 / margins.ms:.3g}" if margins.ticks == 1 else f"least |1 + L| {abs(1.0 + value):.3g}"
    )
    text = f"{nearest} at {margins.ms_frequency:.4g} Hz"
    axes.plot(value.real, value.imag, "o", color=_WORST, markersize=6, label=text)
    for factor in (margins.gain_margin, margins.gain_margin_down):
        if factor is not None and _LEFT < -1.0 / factor < _RIGHT:
            text = (
                f"stable up to {factor:.3g} times the gain" if factor > 1.0 else f"down to {factor:.3g} times"
            )
            axes.plot(-1.0 / factor, 0.0, "s", color=_MARGIN, markersize=6, label=text)
    for crossing in margins.crossings:
        if crossing.kind == "gain":
            at = -np.exp(1j * math.radians(crossing.value))
            text = f"{crossing.value:.1f}° from -180° at {crossing.frequency:.4g} Hz"
            axes.plot(at.real, at.imag, "D", color=COLOURS["phase margin"], markersize=6, label=text)
