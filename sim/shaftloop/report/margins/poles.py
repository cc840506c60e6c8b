"""The eigenvalues of the hyperperiod map: inside the unit circle the bench is stable."""

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.report.canvas import COLOURS, draw
from shaftloop.report.quantities import show

__all__ = ["draw_pole_map"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DEAD = 1e-5
"""Eigenvalues below are forgotten within one hyperperiod or two: delay lines and the like."""
_LABELLED = 5


def draw_pole_map(dynamics: Array, hyperperiod: float, title: str, paths: list[Path]) -> None:
    """Draw the eigenvalues in the plane and, next to it, how fast and at which frequency each one decays.

    Parameters
    ----------
    dynamics : ndarray, shape (n, n)
        Map over one hyperperiod, all loops closed.
    hyperperiod : float
        [s]
    title : str
        What stands over the picture.
    paths : list of Path
        Files to write.
    """
    poles = np.linalg.eigvals(dynamics).astype(np.complex128)

    def paint(figure: Any) -> None:
        plane, decay = figure.subplots(1, 2)
        _draw_plane(plane, poles, hyperperiod)
        _draw_decay(decay, poles, hyperperiod)

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


def _draw_decay(axes: Any, poles: Complex, hyperperiod: float) -> None:
    """Draw frequency against decay rate; what stands lowest is nearest to the boundary."""
    poles = poles[(np.abs(poles) > _DEAD) & (poles.imag >= -1e-12)]
    rate = -np.log(np.abs(poles)) / hyperperiod
    frequency = np.abs(np.angle(poles)) / (2.0 * math.pi * hyperperiod)
    stable = rate > 0.0
    axes.plot(frequency[stable], rate[stable], "x", color=COLOURS["electrical"], markeredgewidth=1.6)
    axes.plot(frequency[~stable], -rate[~stable], "x", color=COLOURS["loss"], markeredgewidth=1.6)
    axes.set(
        yscale="log",
        xlabel="frequency [Hz]",
        ylabel="decay rate [1/s]",
        xlim=(-0.19 / hyperperiod, 0.52 / hyperperiod),
    )
    axes.set_xticks([tick for tick in axes.get_xticks() if 0.0 <= tick <= 0.5 / hyperperiod])
    folded = show(0.5 / hyperperiod, "Hz")
    text = f"the slowest to decay are nearest to the boundary (folded at {folded})"
    axes.set_title(text, loc="left", fontweight="normal", fontsize=10.0, parse_math=False)
    taken: list[tuple[float, float]] = []
    for i in np.argsort(rate):
        place = (2.0 * hyperperiod * frequency[i], math.log10(abs(rate[i])))
        near = any(abs(place[0] - x) < 0.3 and abs(place[1] - y) < 0.17 for x, y in taken)
        if near or len(taken) == _LABELLED:
            continue
        taken.append(place)
        right = 0.0 < place[0] < 0.6
        axes.annotate(
            _described(float(rate[i]), float(frequency[i])),
            (frequency[i], abs(rate[i])),
            xytext=(7, 0) if right else (-7, 0),
            textcoords="offset points",
            ha="left" if right else "right",
            va="center",
            fontsize=9.0,
            color=COLOURS["electrical"] if rate[i] > 0.0 else COLOURS["loss"],
        )


def _described(rate: float, frequency: float) -> str:
    if rate <= 0.0:
        return f"{frequency:.3g} Hz, GROWS"
    if frequency == 0.0:
        return f"time constant {show(1.0 / rate, 's', 3)}"
    damping = rate / math.hypot(rate, 2.0 * math.pi * frequency)
    return f"{frequency:.3g} Hz, damping {damping:.1%}"
