"""Frequency response of an opened loop on a grid that misses no resonance.

The loop is broken at its actuator command. Where it ticks once per hyperperiod its response is a scalar
transfer; where it ticks several times it is periodically time-varying, and the response at the frequency
that goes in (the fundamental) is given.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import OpenLoop
from shaftloop.errors import SimulationError

__all__ = ["Crossing", "crossings", "fundamental", "grid", "refine"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_AROUND = np.concatenate([[0.0], np.geomspace(0.03, 30.0, 13)])
"""Distances from a pole or zero, in units of its half-width, at which the grid has points."""
_SMOOTH = 0.5
"""Damping beyond which a pole or zero shows on the ordinary grid well enough."""
_ORDINARY = 48
"""Points per decade of the ordinary grid."""
_CHUNK = 2_000_000
"""Matrix elements that are solved for at once."""
_NOTHING = 1e-300
"""Stands for a response that vanishes, where a logarithm is due."""
_LOWEST = 1e-5
"""Lowest frequency of the grid, relative to half the rate of the loop, unless a pole or zero lies lower."""
_BELOW = 0.01
"""Lowest frequency of the grid, relative to the slowest pole or zero."""
_STANDING = 1e-8
"""Distance from 1 up to which a pole or zero may be one at 1 that rounding has moved."""


@dataclass(frozen=True)
class Crossing:
    """A frequency at which the open-loop response crosses a boundary."""

    kind: str
    """``gain`` where |L| = 1, ``phase`` where L is real and negative."""
    frequency: float
    """[Hz]"""
    value: float
    """Phase margin there [deg] for ``gain``, factor 1/|L| for ``phase``."""


def fundamental(loop: OpenLoop, frequency: Array) -> Complex:
    """Return L(f) of an opened loop, shape (n,); negative feedback, so the loop is closed by 1 + L.

    Parameters
    ----------
    loop : OpenLoop
        The opened loop.
    frequency : ndarray, shape (n,)
        Up to half the rate of the loop. [Hz]

    Raises
    ------
    SimulationError
        Where a frequency lies above.
    """
    points = np.asarray(frequency, dtype=np.float64)
    half, highest = 0.5 / loop.period, float(np.max(points, initial=0.0))
    if highest > half * (1.0 + 1e-9):
        raise SimulationError(
            f"a response at {highest:.6g} Hz was asked for, above half the rate of the loop, {half:.6g} Hz",
            "ask for lower frequencies: a sampled loop has no response beyond",
        )
    chunk = max(1, _CHUNK // max(loop.a.size, 1))
    parts = [_response(loop, points[i : i + chunk]) for i in range(0, len(points), chunk)]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.complex128)


def _response(loop: OpenLoop, frequency: Array) -> Complex:
    omega = 2.0 * np.pi * frequency
    z = np.exp(1j * omega * loop.hyperperiod)
    wave = np.exp(1j * np.outer(omega, loop.instants))
    forced = wave @ loop.b.T
    pencil = z[:, None, None] * np.eye(len(loop.a)) - loop.a
    state = np.linalg.solve(pencil, forced[:, :, None])[:, :, 0] if len(loop.a) else forced
    output = state @ loop.c.T + wave @ loop.d.T
    return np.asarray(-np.mean(output * np.conj(wave), axis=1))


def grid(loop: OpenLoop) -> Array:
    """Return frequencies, dense around every pole and zero of the opened and of the closed loop [Hz].

    Parameters
    ----------
    loop : OpenLoop
        The opened loop.
    """
    half = 0.5 / loop.period
    values = np.concatenate([np.linalg.eigvals(loop.a), np.linalg.eigvals(loop.closed()), _zeros(loop)])
    values = values[np.abs(values) > 1e-6].astype(np.complex128)
    moving = np.log(values[np.abs(values - 1.0) > _STANDING]) / loop.hyperperiod
    slowest = float(np.min(np.abs(moving), initial=np.inf)) / (2.0 * np.pi)
    lowest = min(_LOWEST * half, _BELOW * slowest)
    points = [np.geomspace(lowest, half, round(_ORDINARY * math.log10(half / lowest)))]
    rates = np.log(values) / loop.hyperperiod
    rates = rates[np.abs(rates.real) < _SMOOTH * np.abs(rates.imag)]
    centre, width = np.abs(rates.imag) / (2.0 * np.pi), np.abs(rates.real) / (2.0 * np.pi)
    aliases = np.arange(len(loop.instants)) / loop.hyperperiod
    for sign in (1.0, -1.0):
        folded = np.abs(aliases[:, None] + sign * centre).ravel()
        spread = np.maximum(np.tile(width, len(aliases)), 1e-9 * half)
        points += [folded + side * step * spread for step in _AROUND for side in (1.0, -1.0)]
    every = np.unique(np.concatenate(points))
    return every[(every >= lowest) & (every <= half)]


def _zeros(loop: OpenLoop) -> Complex:
    """Return the zeros of L, and values without meaning beside them."""
    try:
        # Where the gain is huge, the closed loop's poles are the zeros.
        return np.linalg.eigvals(loop.closed(1e9)).astype(np.complex128)
    except np.linalg.LinAlgError:
        # Many ticks in a hyperperiod: the gain's powers leave nothing of the 1. Slower, and always right.
        from scipy.linalg import eigvals

        unforced = np.zeros((len(loop.a) + len(loop.d),) * 2)
        unforced[: len(loop.a), : len(loop.a)] = np.eye(len(loop.a))
        values = eigvals(np.block([[loop.a, loop.b], [loop.c, loop.d]]), unforced)
        return np.asarray(values[np.isfinite(values)])


def crossings(loop: OpenLoop, frequency: Array, response: Complex) -> list[Crossing]:
    """Return every gain and phase crossover of a loop, by frequency.

    Parameters
    ----------
    loop : OpenLoop
        The opened loop.
    frequency : ndarray, shape (n,)
        From `grid`. [Hz]
    response : ndarray, shape (n,)
        L on the grid.
    """
    found = []
    size = np.log(np.maximum(np.abs(response), _NOTHING))
    for i in np.flatnonzero(size[:-1] * size[1:] < 0.0):
        at = refine(lambda f: float(np.log(np.abs(_one(loop, f)))), frequency[i], frequency[i + 1])
        angle = np.degrees(np.angle(-_one(loop, at)))
        found.append(Crossing("gain", at, float(angle)))
    imaginary = response.imag.copy()
    edge = response[-1]
    real_at_edge = abs(edge.imag) < 1e-6 * abs(edge)
    if real_at_edge:
        # L is real at half the rate; the sign of what rounding leaves there is no crossing of its own.
        imaginary[-1] = 0.0
    negative = (response.real[:-1] < 0.0) | (response.real[1:] < 0.0)
    for i in np.flatnonzero((imaginary[:-1] * imaginary[1:] < 0.0) & negative):
        at = refine(lambda f: _one(loop, f).imag, frequency[i], frequency[i + 1])
        value = _one(loop, at)
        if value.real < 0.0 and abs(value.imag) < 1e-3 * abs(value.real):
            found.append(Crossing("phase", at, float(-1.0 / value.real)))
    if real_at_edge and edge.real < 0.0:
        found.append(Crossing("phase", float(frequency[-1]), float(-1.0 / edge.real)))
    return sorted(found, key=lambda crossing: crossing.frequency)


def _one(loop: OpenLoop, frequency: float) -> complex:
    return complex(fundamental(loop, np.array([frequency]))[0])


def refine(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the zero of a function of frequency between two points of different sign [Hz].

    Where the signs differ by rounding alone it is the end at which less is left.
    """
    from scipy.optimize import brentq

    ends = function(low), function(high)
    if ends[0] * ends[1] >= 0.0:
        return low if abs(ends[0]) < abs(ends[1]) else high
    return float(brentq(function, low, high, xtol=1e-12 * high, rtol=1e-14))
