"""Sensitivities of a loop as it is closed, the images of every frequency included.

A loop that ticks several times per hyperperiod answers a sine of one frequency with that frequency and its
images, 1/hyperperiod apart. Its fundamental sensitivity tells what comes back at the frequency itself, the
largest singular value of the lifted one what the worst mixture of a frequency and its images becomes. With
one tick per hyperperiod both are |1/(1 + L)|.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.response import grid, transfer

__all__ = ["Peaks", "amplification", "peaks", "sensitivity"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ZOOMS, _ZOOM = 2, 25
"""How often, and with how many points, a peak is looked at closer than the grid does."""


@dataclass(frozen=True)
class Peaks:
    """The largest sensitivities of a closed loop."""

    ms: float
    """Largest fundamental |S|."""
    ms_frequency: float
    """[Hz]"""
    mt: float
    """Largest fundamental |1 - S|."""
    mt_frequency: float
    """[Hz]"""
    worst: float
    """Largest amplification of a mixture of a frequency and its images."""
    worst_frequency: float
    """The lowest of them. [Hz]"""


def sensitivity(loop: OpenLoop, frequency: Array) -> Complex:
    """Return the fundamental S(f) of the closed loop, shape (n,).

    1 - S is the complementary sensitivity.

    Parameters
    ----------
    loop : OpenLoop
        The opened loop.
    frequency : ndarray, shape (n,)
        Up to half the rate of the loop. [Hz]
    """
    return transfer(loop.disturbed, np.asarray(frequency, dtype=np.float64))


def amplification(loop: OpenLoop, frequency: Array) -> Array:
    """Return how much the closed loop amplifies the worst mixture of a frequency and its images, shape (n,).

    It repeats with 1/hyperperiod.

    Parameters
    ----------
    loop : OpenLoop
        The opened loop.
    frequency : ndarray, shape (n,)
        [Hz]
    """
    closed = loop.disturbed
    z = np.exp(2j * np.pi * np.asarray(frequency) * loop.hyperperiod)
    lifted = closed.d + closed.c @ closed.states(z, closed.b.astype(np.complex128))
    return np.asarray(np.linalg.norm(lifted, 2, axis=(1, 2)))


def peaks(loop: OpenLoop, frequency: Array | None = None, response: Complex | None = None) -> Peaks:
    """Return the largest sensitivities of a loop.

    This is what judges a candidate of a search that works with the scalar 1/(1 + L): open the loop with the
    candidate's gains, `peaks(bench.open(handle, state))`, and compare `ms` and `mt` with the bounds. The
    steady state does not depend on the gains, so it is found once. The loop must be stable.

    Parameters
    ----------
    loop : OpenLoop
        The opened loop, its controller included.
    frequency : ndarray, shape (n,), optional
        From `grid`, where it is known. [Hz]
    response : ndarray, shape (n,), optional
        S there, where it is known.
    """
    points = grid(loop) if frequency is None else frequency
    known = sensitivity(loop, points) if response is None else response
    ms, ms_frequency = _peak(lambda f: np.abs(sensitivity(loop, f)), points, np.abs(known))
    mt, mt_frequency = _peak(lambda f: np.abs(1.0 - sensitivity(loop, f)), points, np.abs(1.0 - known))
    worst, worst_frequency = ms, ms_frequency
    if len(loop.instants) > 1:
        half = 0.5 / loop.hyperperiod
        lowest = np.append(points[points < half], half)
        sizes = amplification(loop, lowest)
        worst, worst_frequency = _peak(lambda f: amplification(loop, f), lowest, sizes)
    return Peaks(ms, ms_frequency, mt, mt_frequency, worst, worst_frequency)


def _peak(size_at: Callable[[Array], Array], frequency: Array, size: Array) -> tuple[float, float]:
    """Return the largest value of a function of frequency, known on a grid, and where."""
    for _ in range(_ZOOMS):
        i = int(np.argmax(size))
        frequency = np.linspace(frequency[max(i - 1, 0)], frequency[min(i + 1, len(size) - 1)], _ZOOM)
        size = size_at(frequency)
    i = int(np.argmax(size))
    return float(size[i]), float(frequency[i])
