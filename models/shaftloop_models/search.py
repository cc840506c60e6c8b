"""Least value of a function of one variable, and least squares with weights that are not negative.

Of our own because importing scipy.optimize takes a tenth of a short command; tests compare with it.

References
----------
.. [1] R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 5.
.. [2] C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, 1974, section 23.3.
   Both from memory.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["minimum", "nonnegative"]

_Array = NDArray[np.float64]
_GOLDEN = 0.5 * (3.0 - math.sqrt(5.0))
_ROOT = math.sqrt(2.2e-16)
_ZERO = 1e-12
"""Share of the largest slope that rounding leaves of one that is zero."""


def minimum(
    function: Callable[[float], float], low: float, high: float, within: float, most: int = 500
) -> tuple[float, float]:
    """Return where a function has its least value between two ends, and the value, by Brent's method.

    Parameters
    ----------
    function : callable
        With one valley between the ends. [any]
    low, high : float
        The ends. [unit of its argument]
    within : float
        How near is near enough. [unit of its argument]
    most : int
        Calls of the function.
    """
    best = second = third = low + _GOLDEN * (high - low)
    value = second_value = third_value = function(best)
    step = before = 0.0
    for _ in range(most - 1):
        middle, near = 0.5 * (low + high), _ROOT * abs(best) + within / 3.0
        if abs(best - middle) <= 2.0 * near - 0.5 * (high - low):
            break
        p = q = 0.0
        if abs(before) > near:
            r, q = (best - second) * (value - third_value), (best - third) * (value - second_value)
            p, q = (best - third) * q - (best - second) * r, 2.0 * (q - r)
            p, q = (-p if q > 0.0 else p), abs(q)
        if abs(p) < abs(0.5 * q * before) and q * (low - best) < p < q * (high - best):
            before, step = step, p / q
            if min(best + step - low, high - best - step) < 2.0 * near:
                step = math.copysign(near, middle - best)
        else:
            before = low - best if best >= middle else high - best
            step = _GOLDEN * before
        new = best + math.copysign(max(abs(step), near), step)
        found = function(new)
        if found <= value:
            low, high = (best, high) if new >= best else (low, best)
            third, third_value, second, second_value = second, second_value, best, value
            best, value = new, found
        else:
            low, high = (new, high) if new < best else (low, new)
            if found <= second_value or second == best:
                third, third_value, second, second_value = second, second_value, new, found
            elif found <= third_value or third in (best, second):
                third, third_value = new, found
    return best, value


def nonnegative(a: _Array, b: _Array) -> _Array:
    """Return the weights w >= 0 for which ``a·w`` is nearest to `b`, shape (n,).

    Parameters
    ----------
    a : ndarray, shape (m, n)
        Columns that are independent of each other.
    b : ndarray, shape (m,)
        In the unit of ``a·w``.
    """
    every = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], dtype=np.float64)
    if np.all(every > 0.0):
        return every
    weights, used = np.zeros(a.shape[1]), np.zeros(a.shape[1], dtype=np.bool_)
    while True:
        slope = a.T @ (b - a @ weights)
        waiting = ~used & (slope > _ZERO * float(np.max(np.abs(a.T @ b))))
        if not waiting.any():
            return weights
        used[np.argmax(np.where(waiting, slope, -np.inf))] = True
        while True:
            free = np.zeros_like(weights)
            free[used] = np.linalg.lstsq(a[:, used], b, rcond=None)[0]
            negative = used & (free <= 0.0)
            if not negative.any():
                break
            share = np.min(weights[negative] / (weights[negative] - free[negative]))
            weights += share * (free - weights)
            used &= weights > _ZERO * np.max(weights)
            weights[~used] = 0.0
        weights = free
