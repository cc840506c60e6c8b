"""The eigenvalues of the hyperperiod map: inside the unit circle the bench is stable."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.poles import Pole
from shaftloop.report.canvas import COLOURS, draw
from shaftloop.report.quantities import show

__all__ = ["draw_pole_map"]

Complex = NDArray[np.complex128]

_LABELLED = 8
_WIDE, _HIGH = 0.5, 0.03
"""Of a label: width relative to the highest frequency, height relative to that of the axes."""
_LEFT, _RIGHT = -0.6, 1.65
"""Ends of the axis, relative to the highest frequency."""


def draw_pole_map(poles: Sequence[Pole], hyperperiod: float, title: str, paths: list[Path]) -> None:
    """Draw the eigenvalues in the plane and, next to it, how fast and at which frequency each one decays.

    Parameters
    ----------
    poles : sequence of Pole
        Of the map over one hyperperiod, all loops closed.
    hyperperiod : float
        [s]
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    values = np.array([pole.eigenvalue for pole in poles], dtype=np.complex128)

    def paint(figure: Any) -> None:
        plane, decay = figure.subplots(1, 2)
        _draw_plane(plane, np.concatenate([values, values.conj()]), hyperperiod)
        _draw_decay(decay, poles)

    draw(paint, (12.5, 6.0), title, paths)


def _draw_plane(axes: Any, poles: Complex, hyperperiod: float) -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 300)
    axes.fill(np.cos(turn), np.sin(turn), color="#F2F7FB")
    axes.plot(np.cos(turn), np.sin(turn), color="black", linewidth=1.0)
    for inside, colour in ((True, COLOURS["electrical"]), (False, COLOURS["loss"])):
        some = poles[(np.abs(poles) < 1.0) == inside]
        axes.plot(some.real, some.imag, "x", color=colour, markersize=7, markeredgewidth=1.6)
    reach = 1.1 * max(1.05, float(np.abs(poles).max()) if len(poles) else 1.0)
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    axes.set(xlabel="real part", ylabel="imaginary part")
    largest = float(np.abs(poles).max()) if len(poles) else 0.0
    state = "stable" if largest < 1.0 else "UNSTABLE"
    text = f"eigenvalues over {show(hyperperiod, 's', 3)}: largest {largest:.5f}, {state}"
    axes.set_title(text, loc="left", fontweight="normal", parse_math=False)


def _draw_decay(axes: Any, poles: Sequence[Pole]) -> None:
    """Draw frequency against decay rate; what stands lowest is nearest to the boundary."""
    places = np.array([pole.folded if pole.frequency is None else pole.frequency for pole in poles])
    rate = np.array([pole.rate for pole in poles])
    told = np.array([pole.frequency is not None for pole in poles], dtype=bool)
    for some, marker in ((told, "x"), (~told, "o")):
        for side, colour in ((rate > 0.0, COLOURS["electrical"]), (rate <= 0.0, COLOURS["loss"])):
            style = {"color": colour, "markeredgewidth": 1.6, "fillstyle": "none", "linestyle": "none"}
            axes.plot(places[some & side], np.abs(rate[some & side]), marker, **style)
    right_end = max(float(places.max(initial=0.0)), 1.0)
    axes.set(yscale="log", xlabel="frequency [Hz]", ylabel="decay rate [1/s]")
    axes.set_xlim(_LEFT * right_end, _RIGHT * right_end)
    axes.set_xticks([tick for tick in axes.get_xticks() if 0.0 <= tick <= _RIGHT * right_end])
    text = "the slowest to decay are nearest to the boundary"
    if not told.all():
        text += " (circle: frequency not told)"
    axes.set_title(text, loc="left", fontweight="normal", fontsize=10.0, parse_math=False)
    low, high = (math.log10(limit) for limit in axes.get_ylim())
    taken: list[tuple[float, float]] = []
    # What hardly oscillates any more stands near 0 Hz, where it would hide the modes.
    dull = np.array(
        [pole.frequency is not None and 0.0 < 2.0 * math.pi * pole.frequency < pole.rate for pole in poles]
    )
    for i in np.lexsort((rate, dull)):
        x, y = places[i] / right_end, (math.log10(max(abs(rate[i]), 1e-300)) - low) / (high - low)
        for right in (True, False) if x > 0.0 else (False,):
            start = x if right else x - _WIDE
            free = all(abs(start - other) > _WIDE or abs(y - height) > _HIGH for other, height in taken)
            if free and start > _LEFT and start + _WIDE < _RIGHT:
                break
        else:
            continue
        taken.append((start, y))
        axes.annotate(
            _described(poles[i]),
            (places[i], abs(rate[i])),
            xytext=(7, 0) if right else (-7, 0),
            textcoords="offset points",
            ha="left" if right else "right",
            va="center",
            fontsize=9.0,
            color=COLOURS["electrical"] if rate[i] > 0.0 else COLOURS["loss"],
        )
        if len(taken) == _LABELLED:
            return


def _described(pole: Pole) -> str:
    if pole.frequency is None:
        return "GROWS" if pole.rate <= 0.0 else f"falls to 1/e in {show(1.0 / pole.rate, 's', 3)}"
    if pole.rate <= 0.0:
        return f"{pole.frequency:.4g} Hz, GROWS"
    if pole.frequency == 0.0:
        return f"time constant {show(1.0 / pole.rate, 's', 3)}"
    damping = pole.rate / math.hypot(pole.rate, 2.0 * math.pi * pole.frequency)
    return f"{pole.frequency:.4g} Hz, damping {damping:.1%}"
