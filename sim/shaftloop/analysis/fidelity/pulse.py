"""How much of the peak of a short pulse a reading shows.

A half-sine pulse of torque goes through the linear mechanics and the low-pass. On a fine grid the response is
exact: it comes from the matrix exponential of the system, which has the sine as two more states. Between the
points it is a cubic through their values and slopes. The samples catch the top or miss it by up to half a
period. At the worst phase of sampling the largest sample is least: there one sample is as high on the way up
as the next one on the way down. That phase is found between points of the grid.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.modes import Mechanics
from shaftloop.analysis.response import root
from shaftloop_models.lowpass import LowPass, state_space

__all__ = ["Chain", "PulseCurve", "capture", "filter_chain", "line_chain", "pulse_curve", "width_for"]

Array = NDArray[np.float64]

_FINE = 200
"""Least number of points on a pulse."""
_PHASES = 40
"""Least number of intervals in which the worst phase of sampling is looked for."""
_THIRDS = 25
"""Times an interval is cut to two thirds, to 4e-5 of its length."""
_MOST_POINTS = 100_000
"""Points on pulse and response together."""
_WIDTHS = 64


@dataclass(frozen=True)
class Chain:
    """A linear chain ``x' = A·x + b·u``, ``y = c·x``; without states y is u."""

    a: Array
    b: Array
    c: Array
    slowest: float
    """How long the response to a short pulse is worth looking at. [s]"""
    window: float = 0.0
    """Of a moving average at the end, 0 without one. [s]"""

    def then(self, after: "Chain") -> "Chain":
        """Return this chain followed by another."""
        n, m = len(self.a), len(after.a)
        if not m:
            return replace(self, window=after.window)
        if not n:
            return after
        a = np.zeros((n + m, n + m))
        a[:n, :n], a[n:, n:], a[n:, :n] = self.a, after.a, np.outer(after.b, self.c)
        b, c = np.concatenate([self.b, np.zeros(m)]), np.concatenate([np.zeros(n), after.c])
        return Chain(a, b, c, self.slowest + after.slowest, after.window)


@dataclass(frozen=True)
class PulseCurve:
    """Peak over the peak of the pulse, against the width of the pulse."""

    width: Array
    """Shape (n,). [s]"""
    filtered: Array
    """Behind low-pass and moving average, shape (n,). [1]"""
    sampled: Array
    """Largest sample at the worst phase of sampling, shape (n,). [1]"""
    true: Array
    """Peak of the true torque per torque at the air gap, over the share of a slow torque, shape (n,). [1]"""
    total: Array
    """Largest sample at the worst phase from a pulse at the air gap, over that share, shape (n,). [1]"""


def filter_chain(low_pass: LowPass | None, window: float = 0.0) -> Chain:
    """Return a low-pass and a moving average over a window [s] as a chain."""
    if low_pass is None:
        return Chain(np.zeros((0, 0)), np.zeros(0), np.zeros(0), window, window)
    f, g, out = state_space(low_pass)
    return Chain(f, g, np.eye(len(g))[out], 2.0 / low_pass.cutoff + window, window)


def line_chain(line: Mechanics, machine: str, share: float, slowest: float) -> Chain:
    """Return the shaft line, from a machine's air-gap torque to the true torque over the share of a slow one.

    The share is signed: true torque per air-gap torque far below the modes [1]; `slowest` is how long to
    look. [s]
    """
    b = np.zeros(len(line.a))
    b[line.machines[machine]] = line.inertias[line.machines[machine]] ** -0.5
    return Chain(line.a, b, line.sensed / share, slowest)


def capture(chain: Chain, width: float, period: float) -> tuple[float, float]:
    """Return the peak of the response to a half-sine pulse of height 1, and the largest sample at worst.

    Width of the pulse from zero to zero, and period of the samples. [s]
    """
    coarsest = (width + chain.slowest) / _MOST_POINTS
    dense = period < coarsest
    if dense:
        # Samples this dense miss less than (π/_MOST_POINTS)²/8 of the peak, and so does a window that short.
        chain = replace(chain, window=chain.window if chain.window > coarsest else 0.0)
        parts, step = 1, chain.window / np.ceil(chain.window / coarsest) if chain.window else coarsest
    else:
        parts = max(1, int(np.ceil(period / max(min(width / _FINE, period / _PHASES), coarsest))))
        step = period / parts
    both = _response(chain, width, step, int(np.ceil((width + chain.slowest) / step)) + parts)
    if chain.window:
        back = round(chain.window / step)
        both = (both - np.pad(both, ((0, 0), (back, 0)))[:, : both.shape[1]]) / chain.window
    # A period of zeros on either side; as many points as make whole periods, and the end of the last one.
    values, slopes = np.pad(both, ((0, 0), (parts, parts + 1 + (-both.shape[1]) % parts)))
    cubics = np.array([values[:-1], values[1:], step * slopes[:-1], step * slopes[1:]])
    top = int(values.argmax())
    peak = -_least(-cubics[:, None, top - 1 : top + 1])
    return peak, peak if dense else _at_worst(cubics.reshape(4, -1, parts))


def _at_worst(cubics: Array) -> float:
    """Return the largest sample at the worst phase from cubics over (periods, phases within a period)."""
    start, end, before, after = cubics
    least = float(np.minimum(start.max(axis=0), end.max(axis=0)).min())
    if least <= 0.0:
        return 0.0
    # Between its ends a cubic leaves their range by no more than this.
    beside = float(np.abs(after - before).max())
    bounds = np.minimum(start, end).max(axis=0) - beside
    phases = bounds <= least
    periods = np.maximum(start, end)[:, phases].max(axis=1) + beside >= bounds.min()
    return max(_least(cubics[:, periods][:, :, phases]), 0.0)


def _least(cubics: Array) -> float:
    """Return the least value, over intervals and places in them, of the largest cubic there.

    Shape (4, n, intervals): values at start and end, slopes at start and end per length of the interval.
    """
    start, end, before, after = cubics

    def largest(x: Array) -> Array:
        bend = x * (1.0 - x)
        value = start + (end - start) * x
        value += bend * ((before - (end - start)) * (1.0 - x) - (after - (end - start)) * x)
        return np.asarray(value.max(axis=0))

    low, high = np.zeros(cubics.shape[2]), np.ones(cubics.shape[2])
    for _ in range(_THIRDS):
        left, right = low + (high - low) / 3.0, high - (high - low) / 3.0
        falls = largest(left) > largest(right)
        low, high = np.where(falls, left, low), np.where(falls, high, right)
    return float(np.minimum(largest(low), largest(high)).min())


def _response(chain: Chain, width: float, step: float, count: int) -> Array:
    """Return the response and its slope on a grid, shape (2, n); of its integral with a moving average."""
    from scipy.linalg import expm

    # Chain, integral of its output, sine and cosine of the pulse.
    n, omega, on = len(chain.a), np.pi / width, int(width / step)
    whole = np.zeros((n + 3, n + 3))
    whole[:n, :n], whole[:n, n + 1] = chain.a, chain.b
    whole[n, :n] = chain.c
    if not n:
        whole[n, n + 1] = 1.0
    whole[n + 1, n + 2], whole[n + 2, n + 1] = omega, -omega
    row = np.eye(n + 3)[n] if chain.window else np.append(chain.c, [0.0, 1.0 if not n else 0.0, 0.0])
    during = _march(expm(whole * step), np.eye(n + 3)[n + 2], on + 1)
    last = expm(whole * (width - on * step)) @ during[:, -1]
    last[n + 1 :] = 0.0
    first = expm(whole * ((on + 1) * step - width)) @ last
    after = _march(expm(whole * step), first, max(count - on - 1, 1))
    return np.asarray(np.array([row, row @ whole]) @ np.hstack([during, after]))


def _march(once: Array, start: Array, count: int) -> Array:
    """Return start, once·start, once²·start and so on, shape (n, count), doubling what is known."""
    states = start[:, None]
    power = once
    while states.shape[1] < count:
        states = np.hstack([states, power @ states])
        power = power @ power
    return states[:, :count]


def pulse_curve(line: Chain, path: Chain, period: float, scale: float) -> PulseCurve:
    """Return the peaks over a range of widths around the time scale of the signal path [s]."""
    widths = np.geomspace(0.2 * scale, 100.0 * scale, _WIDTHS)
    both = line.then(path)
    alone = np.array([capture(path, width, period) for width in widths])
    moved = np.array([capture(line, width, period)[0] for width in widths])
    total = np.array([capture(both, width, period)[1] for width in widths])
    return PulseCurve(widths, alone[:, 0], alone[:, 1], moved, total)


def width_for(error: float, width: Array, peak: Array, exact: Callable[[float], float]) -> float | None:
    """Return the shortest pulse whose peak is shown within an error, and so is that of every longer one [s].

    None where even the longest one is not. `exact` is the same peak at one width.
    """
    short = np.flatnonzero(peak < 1.0 - error)
    if not len(short):
        return float(width[0])
    last = int(short[-1])
    if last == len(width) - 1:
        return None
    return root(lambda w: exact(w) - 1.0 + error, float(width[last]), float(width[last + 1]))
