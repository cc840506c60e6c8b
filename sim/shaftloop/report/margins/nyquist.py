"""The open-loop response near -1, with circles of constant sensitivity."""

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.response import fundamental
from shaftloop.report.canvas import COLOURS, draw

__all__ = ["draw_nyquist"]

Complex = NDArray[np.complex128]

_CIRCLES = (1.4, 1.6, 2.0)
_CURVE, _WORST, _MARGIN = COLOURS["electrical"], COLOURS["loss"], COLOURS["true"]
_LEFT, _RIGHT, _HIGH = -2.6, 1.15, 1.75
_TEXT = {"fontsize": 9.5, "parse_math": False}
_MARKS = (1.0, 2.0, 5.0)


def draw_nyquist(margins: Margins, title: str, paths: list[Path]) -> None:
    """Draw L near -1.

    Parameters
    ----------
    margins : Margins
        Of one loop.
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
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
        state = "stable" if margins.stable else "UNSTABLE"
        worst = f"Ms {margins.ms:.3g} at {margins.ms_frequency:.3g} Hz"
        axes.set_title(
            f"loop {margins.loop}: {worst}; {state}", loc="left", fontweight="normal", parse_math=False
        )

    draw(paint, (10.5, 9.4), title, paths)


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
        axes.plot(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color=COLOURS["stored"], linewidth=1.1)
        axes.text(
            -1.0 + 0.02,
            radius,
            f"Ms {ms:.1f}",
            ha="center",
            va="center",
            color="#8A6100",
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
            axes.annotate(
                f"{frequency:g} Hz",
                (value.real, value.imag),
                xytext=(6, -3),
                textcoords="offset points",
                color=_CURVE,
                fontsize=8.5,
            )


def _worst_point(margins: Margins) -> complex:
    """Return L where the sensitivity is largest."""
    return complex(fundamental(margins.system, np.array([margins.ms_frequency]))[0])


def _mark_margins(axes: Any, margins: Margins) -> None:
    value = _worst_point(margins)
    axes.plot([-1.0, value.real], [0.0, value.imag], color=_WORST, linewidth=1.4)
    axes.plot(value.real, value.imag, "o", color=_WORST, markersize=5)
    middle = 0.5 * (value - 1.0)
    # With several ticks per hyperperiod images take part in Ms, which the curve does not show.
    axes.annotate(
        f"1/Ms = {1.0 / margins.ms:.3g}" if margins.ticks == 1 else f"|1 + L| = {abs(1.0 + value):.3g}",
        (middle.real, middle.imag),
        xytext=(4, 4 if abs(middle.imag) > 0.1 else 16 if value.imag >= 0.0 else -22),
        textcoords="offset points",
        color=_WORST,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        **_TEXT,
    )
    for factor in (margins.gain_margin, margins.gain_margin_down):
        if factor is not None and _LEFT < -1.0 / factor < _RIGHT:
            axes.plot(-1.0 / factor, 0.0, "s", color=_MARGIN, markersize=6)
            axes.annotate(
                f"gain × {factor:.3g}",
                (-1.0 / factor, 0.0),
                xytext=(0, -18 if value.imag >= 0.0 else 10),
                textcoords="offset points",
                ha="center",
                color=_MARGIN,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
                **_TEXT,
            )
    for crossing in margins.crossings:
        if crossing.kind == "gain":
            at = -np.exp(1j * math.radians(crossing.value))
            axes.plot(at.real, at.imag, "D", color=COLOURS["phase margin"], markersize=5)
            axes.annotate(
                f"{crossing.value:.1f}° at {crossing.frequency:.3g} Hz",
                (at.real, at.imag),
                xytext=(-8, -10 if at.imag < 0.0 else 6),
                textcoords="offset points",
                ha="right",
                color=COLOURS["phase margin"],
                **_TEXT,
            )
