"""For a given proportional gain: the integral gains that the bounds on Ms and Mt leave.

With the controller ``N = N0 + kp·N1 + ki·N2`` (an inner model ``M`` where there is a predictor, and the loop
gain ``D`` of an active damping, else 0) the loop is ``L = N·G/(1 + N·M) + D``. Then ``|1 + L| ≥ 1/Ms`` and
``|L| ≤ Mt·|1 + L|`` are, at each frequency, quadratic inequalities in ki: each forbids an interval that is
known in closed form, and what no frequency forbids is admissible. Between two forbidden intervals stability
cannot change, so one point tells.

References
----------
.. [1] K. J. Åström, H. Panagopoulos, T. Hägglund, Design of PI controllers based on non-convex optimization,
   Automatica 34 (1998) 585-601: largest ki under a bound on the sensitivity. From memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Gap", "LoopParts", "free_gaps", "half_turns"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class LoopParts:
    """A loop on a grid, split by its gains; all of shape (n,)."""

    plant: Complex
    constant: Complex
    proportional: Complex
    integral: Complex
    inner: Complex
    """M; zero without a predictor."""
    beside: Complex | float = 0.0
    """Loop gain of the active damping, which adds to L."""

    def controller(self, kp: float, ki: float) -> Complex:
        """Return −u per reading."""
        outer = self.constant + kp * self.proportional + ki * self.integral
        return np.asarray(outer / (1.0 + outer * self.inner))


@dataclass(frozen=True)
class Gap:
    """Integral gains that no frequency forbids."""

    kp: float
    low: float
    high: float
    """Infinite where nothing forbids larger ones."""


def free_gaps(parts: list[LoopParts], kps: Array, ms: float, mt: float) -> list[Gap]:
    """Return the admissible intervals of ki for each kp; whether the loop is stable there is left open.

    Parameters
    ----------
    parts : list of LoopParts
        One per plant; the bounds hold at all of them.
    kps : ndarray, shape (k,)
        Proportional gains.
    ms, mt : float
        Bounds, above 1.
    """
    lows, highs = [], []
    for part in parts:
        for low, high in _forbidden(part, kps, ms, mt):
            lows.append(low)
            highs.append(high)
    low, high = np.concatenate(lows, axis=1), np.concatenate(highs, axis=1)
    order = np.argsort(low, axis=1)
    low = np.take_along_axis(low, order, axis=1)
    reach = np.maximum.accumulate(np.take_along_axis(high, order, axis=1), axis=1)
    begin = np.concatenate([np.zeros((len(kps), 1)), np.maximum(reach, 0.0)], axis=1)
    end = np.concatenate([low, np.full((len(kps), 1), np.inf)], axis=1)
    rows, columns = np.nonzero(end > begin * (1.0 + 1e-9) + 1e-300)
    return [
        Gap(float(kps[i]), float(begin[i, j]), float(end[i, j])) for i, j in zip(rows, columns, strict=True)
    ]


def half_turns(part: LoopParts, count: int, kp: float, ki: float) -> int:
    """Return by how many half turns ``(1 + L)·(1 + N·M)`` goes round zero from no frequency to the highest.

    Its poles do not depend on the gains, its zeros are the poles of the closed loop: by the argument
    principle as many of them are unstable at all gains for which this is the same. Where a loop ticks several
    times per hyperperiod that holds as far as the fundamental is all of its response.

    Parameters
    ----------
    part : LoopParts
        The loop.
    count : int
        Points at the front of the grid that rise in frequency, up to half the rate.
    kp, ki : float
        Gains, ki above 0.
    """
    plant, inner = part.plant[:count], part.inner[:count]
    beside = np.broadcast_to(part.beside, part.plant.shape)[:count]
    seen, integral = plant + inner * (1.0 + beside), part.integral[:count]
    outer = part.constant[:count] + kp * part.proportional[:count] + ki * integral
    value = 1.0 + beside + outer * seen
    # It comes from where the integral drives it, and ends on the real axis.
    start = integral[0] * seen[0]
    total = np.angle(start) + np.angle(value[0] / start) + np.angle(value[1:] / value[:-1]).sum()
    return int(np.round(total / np.pi))


def _forbidden(part: LoopParts, kps: Array, ms: float, mt: float) -> list[tuple[Array, Array]]:
    """Return intervals of ki, each a pair of (k, n)."""
    fixed = part.constant + kps[:, None] * part.proportional
    with_plant, rest = part.inner * (1.0 + part.beside) + part.plant, part.plant + part.inner * part.beside
    a0, a1 = 1.0 + part.beside + fixed * with_plant, part.integral * with_plant
    b0, b1 = 1.0 + fixed * part.inner, part.integral * part.inner
    t0, t1 = part.beside + fixed * rest, part.integral * rest
    return [
        *_negative(*_difference(a0, a1, b0 / ms, b1 / ms)),
        *_negative(*_difference(mt * a0, mt * a1, t0, t1)),
    ]


def _difference(a0: Complex, a1: Complex, b0: Complex, b1: Complex) -> tuple[Array, Array, Array]:
    """Return the coefficients of ``|a0 + k·a1|² − |b0 + k·b1|²``, from k² down."""
    second = np.abs(a1) ** 2 - np.abs(b1) ** 2
    first = 2.0 * ((a0.conj() * a1).real - (b0.conj() * b1).real)
    return second + np.zeros_like(first), first, np.abs(a0) ** 2 - np.abs(b0) ** 2


def _negative(second: Array, first: Array, constant: Array) -> list[tuple[Array, Array]]:
    """Return where a quadratic is negative: up to two intervals per element, empty ones at infinity."""
    inside = first * first - 4.0 * second * constant
    root = np.sqrt(np.maximum(inside, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        # The form that loses no digits: one root from the larger of the two sums, the other by Vieta.
        half = -0.5 * (first + np.where(first >= 0.0, root, -root))
        one, two = half / second, constant / half
    one, two = np.nan_to_num(one, nan=np.inf), np.nan_to_num(two, nan=np.inf)
    low, high = np.minimum(one, two), np.maximum(one, two)
    up, real = second > 0.0, inside > 0.0
    first_low = np.where(up & real, low, np.where(~up, -np.inf, np.inf))
    first_high = np.where(up & real, high, np.where(~up, np.where(real, low, np.inf), np.inf))
    intervals = [(first_low, first_high)]
    if not np.all(up):
        intervals.append((np.where(~up & real, high, np.inf), np.full_like(low, np.inf)))
    return intervals
