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

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["Gap", "LoopParts", "free_gaps", "half_turns", "scale"]

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

    def and_at(self, other: "LoopParts") -> "LoopParts":
        """Return the same on more frequencies, which stand behind."""
        return LoopParts(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )

    def controller(self, kp: float, ki: float) -> Complex:
        """Return −u per reading."""
        outer = self.constant + kp * self.proportional + ki * self.integral
        return np.asarray(outer / (1.0 + outer * self.inner))

    def response(self, kp: float, ki: float) -> Complex:
        """Return the loop, opened at the command."""
        return np.asarray(self.controller(kp, ki) * self.plant + self.beside)


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


def half_turns(part: LoopParts, count: int, gains: Array) -> NDArray[np.int64]:
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
    gains : ndarray, shape (k, 2)
        kp and ki, the latter above 0.

    Returns
    -------
    ndarray, shape (k,)
        Half turns.
    """
    plant, inner = part.plant[:count], part.inner[:count]
    beside = np.broadcast_to(part.beside, part.plant.shape)[:count]
    seen, integral = plant + inner * (1.0 + beside), part.integral[:count]
    split = np.stack([1.0 + beside + part.constant[:count] * seen, part.proportional[:count] * seen])
    split = np.vstack([split, integral * seen])
    weights = np.column_stack([np.ones(len(gains)), gains])

    def value(at: NDArray[np.intp], row: NDArray[np.intp]) -> Complex:
        return np.asarray((weights[row] * split[:, at].T).sum(axis=1))

    # On the way the angle jumps by a turn where it passes the negative real axis.
    above = weights @ split.imag >= 0.0
    row, at = np.nonzero(above[:, 1:] != above[:, :-1])
    left, right, way = value(at, row), value(at + 1, row), np.where(above[row, at], 1.0, -1.0)
    jumps = way * (way * (left.real * right.imag - left.imag * right.real) > 0.0)
    start, every = split[2, 0], np.arange(len(gains))
    first, last = (value(np.full_like(every, at), every) for at in (0, count - 1))
    # It comes from where the integral drives it, and ends on the real axis.
    total = np.angle(start) + np.angle(first / start)
    for side, point, place in ((-1.0, first, 0), (1.0, last, -1)):
        total += side * np.where(above[:, place], 1.0, -1.0) * np.abs(np.angle(point))
    total += 2.0 * np.pi * np.bincount(row, jumps, len(gains))
    return np.asarray(np.round(total / np.pi), dtype=np.int64)


def scale(part: LoopParts, count: int, phase: float = -np.pi) -> float:
    """Return a proportional gain near which loops get unstable: it crosses over where the loop is so late.

    Parameters
    ----------
    part : LoopParts
        The loop.
    count : int
        Points at the front of the grid that rise in frequency, up to half the rate.
    phase : float
        At which the loop is to cross over. [rad]
    """
    through = part.plant * part.proportional
    size = np.abs(through)
    way = np.unwrap(np.angle(through[:count]))
    late = np.flatnonzero(way - way[0] + np.angle(through[0]) < phase)
    return float(1.0 / size[late[0]] if len(late) else 1.0 / size.max())


def _forbidden(part: LoopParts, kps: Array, ms: float, mt: float) -> list[tuple[Array, Array]]:
    """Return intervals of ki, each a pair of (k, n)."""
    with_plant, rest = part.inner * (1.0 + part.beside) + part.plant, part.plant + part.inner * part.beside
    returned, inner = _squared(part, with_plant, 1.0 + part.beside), _squared(part, part.inner, 1.0)
    through = _squared(part, rest, part.beside)
    powers = np.column_stack([np.ones_like(kps), kps, kps**2])
    return [
        *_negative(*(powers[:, : len(r)] @ (r - i / ms**2) for r, i in zip(returned, inner, strict=True))),
        *_negative(*(powers[:, : len(r)] @ (mt**2 * r - t) for r, t in zip(returned, through, strict=True))),
    ]


def _squared(part: LoopParts, path: Complex, beside: Complex | float) -> tuple[Array, Array, Array]:
    """Return the coefficients of ``|N·path + beside|²`` in ki, from ki² down.

    Each is a polynomial in kp, rows from kp⁰ up, shape (1, n), (2, n) and (3, n).
    """
    rest, by_kp, by_ki = beside + part.constant * path, part.proportional * path, part.integral * path

    def product(one: Complex, other: Complex) -> Array:
        return np.asarray(one.real * other.real + one.imag * other.imag)

    return (
        product(by_ki, by_ki)[None],
        2.0 * np.array([product(rest, by_ki), product(by_kp, by_ki)]),
        np.array([product(rest, rest), 2.0 * product(rest, by_kp), product(by_kp, by_kp)]),
    )


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
