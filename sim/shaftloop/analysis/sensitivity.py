"""Sensitivities of a loop as it is closed, the images of every frequency included.

A loop that ticks several times per hyperperiod answers a sine of one frequency with that frequency and its
images, 1/hyperperiod apart. Its fundamental sensitivity tells what comes back at the frequency itself, the
largest singular value of the lifted one what the worst mixture of a frequency and its images becomes. With
one tick per hyperperiod both are |1/(1 + L)|.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.response import transfer

__all__ = [
    "Peak",
    "amplification",
    "amplification_peak",
    "complementary_peak",
    "highest",
    "sensitivity",
    "sensitivity_peak",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ZOOMS, _ZOOM = 2, 25
"""How often, and with how many points, a peak is looked at closer than the grid does."""
_SAME = 1e-12
"""Share of a frequency by which two of a grid differ that are one."""


class Peak(NamedTuple):
    """The largest value of a function of frequency."""

    size: float
    frequency: float
    """[Hz]"""


def sensitivity(loop: OpenLoop, frequency: Array) -> Complex:
    """Return the fundamental S(f) of the closed loop, shape (n,).

    1 - S is the complementary sensitivity.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        Up to half the rate of the loop. [Hz]
    """
    points = np.asarray(frequency, dtype=np.float64)
    if len(loop.instants) == 1:
        return np.asarray(1.0 / (1.0 - transfer(loop, points)))
    return transfer(loop.disturbed, points)


def amplification(loop: OpenLoop, frequency: Array) -> Array:
    """Return how much the closed loop amplifies the worst mixture of a frequency and its images, shape (n,).

    It repeats with 1/hyperperiod.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        [Hz]
    """
    lifted = loop.disturbed.lifted(np.exp(2j * np.pi * np.asarray(frequency) * loop.hyperperiod))
    if lifted.shape[1] > 2:
        return np.asarray(np.linalg.norm(lifted, 2, axis=(1, 2)))
    # Of one or two ticks the larger eigenvalue of the product with itself, as routines take one by one.
    square = np.swapaxes(lifted.conj(), 1, 2) @ lifted
    first, last = square[:, 0, 0].real, square[:, -1, -1].real
    beside = np.abs(square[:, 0, -1]) if lifted.shape[1] == 2 else 0.0
    return np.asarray(np.sqrt(0.5 * (first + last) + np.hypot(0.5 * (first - last), beside)))


def sensitivity_peak(loop: OpenLoop, frequency: Array, known: Complex) -> Peak:
    """Return the largest fundamental |S|.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    known : ndarray, shape (n,)
        S there.
    """
    return highest(lambda f: np.abs(sensitivity(loop, f)), frequency, np.abs(known))


def complementary_peak(loop: OpenLoop, frequency: Array, known: Complex) -> Peak:
    """Return the largest fundamental |1 - S|.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    known : ndarray, shape (n,)
        S there.
    """
    return highest(lambda f: np.abs(1.0 - sensitivity(loop, f)), frequency, np.abs(1.0 - known))


def amplification_peak(loop: OpenLoop, frequency: Array) -> Peak:
    """Return the largest amplification of a mixture of a frequency and its images.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    """
    half = 0.5 / loop.hyperperiod
    lowest = np.append(frequency[frequency < half], half)
    return highest(lambda f: amplification(loop, f), lowest, amplification(loop, lowest))


def highest(size_at: Callable[[Array], Array], frequency: Array, size: Array) -> Peak:
    """Return the largest value of a function of frequency, known on a grid.

    Parameters
    ----------
    size_at : callable
        The function.
    frequency, size : ndarray, shape (n,)
        The grid [Hz], and what is known there.
    """
    for _ in range(_ZOOMS):
        top = frequency[int(np.argmax(size))]
        # Grids of several loops hold a frequency twice, but for rounding: that is no neighbour.
        below, above = frequency[frequency < (1.0 - _SAME) * top], frequency[frequency > (1.0 + _SAME) * top]
        frequency = np.linspace(max(below, default=top), min(above, default=top), _ZOOM)
        size = size_at(frequency)
    i = int(np.argmax(size))
    return Peak(float(size[i]), float(frequency[i]))
