"""The sign of a quantity of which only the size was logged, from its response to the input.

A model of third order whose output is taken without its sign is fitted from many starts over its natural
frequency, then a linear one without that restriction, until the signs stay. The sign of the whole cannot be
seen: the input is taken to raise the output.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST", "signed"]

Array = NDArray[np.float64]

MOST = 20_000
"""Most samples of a record."""
_ROUNDS = 10
_TRIED = 6


def signed(source: Array, size: Array) -> Array:
    """Return a signal with the signs that its response to an input gives it.

    Parameters
    ----------
    source : ndarray, shape (samples,)
        Input.
    size : ndarray, shape (samples,)
        Size of the output.
    """
    from scipy.optimize import least_squares

    def left(x: Array) -> Array:
        return np.asarray(size - x[3] * np.abs(_third(source, np.exp(x[:3]))))

    starts = []
    for frequency in np.geomspace(6.0 * np.pi / len(source), 1.5, 25):
        for damping in (0.05, 0.2):
            for slow in np.geomspace(0.01, 1.0, 8):
                shape = np.abs(_third(source, np.array([slow, frequency, damping])))
                gain = float(shape @ size) / max(float(shape @ shape), 1e-300)
                cost = float(np.sum((size - gain * shape) ** 2))
                starts.append((cost, np.log(slow), np.log(frequency), np.log(damping), gain))
    found = [least_squares(left, start[1:], x_scale="jac", max_nfev=50) for start in sorted(starts)[:_TRIED]]
    best = min(found, key=lambda entry: entry.cost).x
    model: Array = _third(source, np.exp(best[:3])) * abs(best[3])
    turned = size
    for _ in range(_ROUNDS):
        turned = np.where(model < 0.0, -size, size)
        after = _linear(source, turned)
        if np.array_equal(model < 0.0, after < 0.0):
            break
        model = after
    return turned


def _third(source: Array, shape: Array) -> Array:
    """Return the response of a real pole and a pair, with a gain of 1 at rest."""
    from scipy.signal import lfilter

    slow, frequency, damping = shape
    root = np.emath.sqrt(damping**2 - 1.0)
    poles = np.exp([-slow, frequency * (-damping + root), frequency * (-damping - root)])
    a = np.poly(poles).real
    return np.asarray(lfilter([0.0, a.sum()], a, source))


def _linear(source: Array, output: Array, order: int = 3) -> Array:
    """Return what a linear model of an order, with any start, makes of the input: iterated least squares."""
    from scipy.signal import lfilter

    a: Array = np.concatenate(([1.0], np.zeros(order)))
    solution: Array = np.zeros(3 * order + 1)
    impulse = np.zeros(len(source))
    impulse[0] = 1.0
    for _ in range(20):
        one, two, three = (np.asarray(lfilter([1.0], a, x)) for x in (source, output, impulse))
        terms = np.column_stack(
            [
                *(-_late(two, k) for k in range(1, order + 1)),
                *(_late(one, k) for k in range(order + 1)),
                *(_late(three, k) for k in range(order)),
            ]
        )
        solution = np.asarray(np.linalg.lstsq(terms, two, rcond=1e-12)[0], dtype=float)
        a = np.concatenate(([1.0], solution[:order]))
        roots = np.roots(a)
        if np.any(np.abs(roots) >= 1.0):  # mirrored: only a filter that dies out can weigh
            mirrored = np.where(np.abs(roots) >= 1.0, 0.999 / np.conj(roots), roots)
            a = np.asarray(np.poly(mirrored).real, dtype=float)
    b, start = solution[order : 2 * order + 1], solution[2 * order + 1 :]
    return np.asarray(lfilter(b, a, source) + lfilter(start, a, impulse))


def _late(signal: Array, samples: int) -> Array:
    return np.concatenate((np.zeros(samples), signal[: len(signal) - samples]))
