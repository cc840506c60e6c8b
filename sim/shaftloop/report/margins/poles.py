"""The eigenvalues of the hyperperiod map: inside the unit circle the bench is stable."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.poles import Pole
from shaftloop.report.canvas import COLOURS, SIDE, Picture
from shaftloop.report.quantities import percent, show

__all__ = ["pole_picture", "slowest"]

Complex = NDArray[np.complex128]

_MOST = 12
"""Motions that are drawn, the slowest to decay first."""


def slowest(poles: Sequence[Pole]) -> str:
    """Return how long what lasts longest takes, or what grows, in words.

    Parameters
    ----------
    poles : sequence of Pole
        Of the map over one hyperperiod, all loops closed.
    """
    if not poles:
        return "nothing moves"
    last = min(poles, key=lambda pole: pole.rate)
    if last.rate > 0.0:
        return f"the slowest decay takes {show(1.0 / last.rate, 's', 3)} to 1/e"
    return f"{_motion(last)} grows by e in {show(1.0 / max(-last.rate, 1e-300), 's', 3)}"


def pole_picture(poles: Sequence[Pole], hyperperiod: float, subject: str) -> Picture:
    """Return the eigenvalues in the plane and, next to it, how long the slowest motions last.

    Parameters
    ----------
    poles : sequence of Pole
        Of the map over one hyperperiod, all loops closed.
    hyperperiod : float
        [s]
    """
    values = np.array([pole.eigenvalue for pole in poles], dtype=np.complex128)
    largest = float(np.abs(values).max(initial=0.0))

    def paint(figure: Any) -> None:
        plane, decay = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        _draw_plane(plane, np.concatenate([values, values.conj()]))
        plane.set_title(f"eigenvalues over {show(hyperperiod, 's', 3)}, unit circle", **SIDE)
        _draw_decay(decay, poles)

    state = "stable" if largest < 1.0 else "UNSTABLE"
    title = f"The bench is {state}: largest eigenvalue {largest:.5f}, {slowest(poles)}"
    shows = "Eigenvalues of one hyperperiod with all loops closed, and the slowest motions"
    return Picture("poles", title, shows, subject, (12.0, 5.8), paint)


def _draw_plane(axes: Any, poles: Complex) -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 300)
    axes.fill(np.cos(turn), np.sin(turn), color="#F2F7FB")
    axes.plot(np.cos(turn), np.sin(turn), color="black", linewidth=1.0)
    for inside, colour in ((True, COLOURS["now"]), (False, COLOURS["limit"])):
        some = poles[(np.abs(poles) < 1.0) == inside]
        axes.plot(some.real, some.imag, "x", color=colour, markersize=7, markeredgewidth=1.6)
    reach = 1.08 * max(1.0, float(np.abs(poles).max(initial=0.0)))
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    axes.set(xlabel="real part", ylabel="imaginary part")


def _draw_decay(axes: Any, poles: Sequence[Pole]) -> None:
    """Draw how long motions last, as bars; what is nearest to the boundary stands on top."""
    shown = sorted(poles, key=lambda pole: pole.rate)[:_MOST]
    times = [1e3 / max(abs(pole.rate), 1e-300) for pole in shown]
    colours = [COLOURS["now"] if pole.rate > 0.0 else COLOURS["limit"] for pole in shown]
    places = range(len(shown))[::-1]
    axes.barh(places, times, color=colours, height=0.6)
    for place, time, pole in zip(places, times, shown, strict=True):
        text = show(1e-3 * time, "s", 3) + ("" if pole.rate > 0.0 else ", GROWS")
        axes.annotate(text, (time, place), (4, 0), textcoords="offset points", va="center", fontsize=9.0)
    axes.set_yticks(places, [_motion(pole) for pole in shown])
    axes.set(xscale="log", xlabel="time to fall to 1/e [ms]")
    if times:
        axes.set_xlim(0.5 * min(times), 3.0 * max(times))
    axes.grid(visible=False, axis="y")
    axes.set_title(f"the {len(shown)} slowest of {len(poles)} motions", **SIDE)


def _motion(pole: Pole) -> str:
    """Return what a motion is, without how long it lasts."""
    if pole.frequency is None:
        return "frequency not told"
    if pole.frequency == 0.0:
        return "no oscillation"
    damping = pole.rate / math.hypot(pole.rate, 2.0 * math.pi * pole.frequency)
    return f"{pole.frequency:.4g} Hz" + (f", damping {percent(damping, 1)}" if pole.rate > 0.0 else "")
