"""What a fit leaves: how strong it is, and how neighbouring samples of it belong together.

An autoregressive model of the residual, of the order of least AIC, makes it white, for the tests of it.
Spreads take the spectra of the residuals, together for the columns of a log.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FREEDOM",
    "MATTERS",
    "STILL",
    "Whitener",
    "rests",
    "robust_spread",
    "rounding",
    "scatter",
    "whitener",
]

Array = NDArray[np.float64]

MATTERS = 1e-3
"""Share of the motion below which what is left does not matter."""
STILL = 3.0
"""Motion over residual or noise below which nothing moves."""

_ROUNDING = 1e-9
"""Share of a column, or motion of one that is below 1, that is rounding."""
_MOST = 40
"""Highest order."""
_SIDE = 4
"""Bins to either side over which a spectrum is smoothed: few, for a mode that noise excites is narrow."""
FREEDOM = 2 * (2 * _SIDE + 1)
"""Degrees of freedom of a spread that follows from such a spectrum."""
_LEAST = 0.2
"""Share of noise that a fit leaves at a frequency, below which it is not made up for."""
_CLIPPED = 4.0
"""Standard deviations at which an outlier is cut before the filter is found."""


@dataclass(frozen=True)
class Whitener:
    """A filter that makes a residual white and of unit size."""

    coefficients: Array
    """Of the residual and its past, first 1."""
    spread: float
    """Standard deviation of what it leaves."""
    breaks: NDArray[np.int64]
    """Where stretches begin."""

    def __call__(self, values: Array) -> Array:
        """Return values filtered, zero where their past is not known.

        Parameters
        ----------
        values : ndarray, shape (rows,) or (rows, columns)
        """
        order = len(self.coefficients) - 1
        found = self.coefficients[0] * values
        for lag in range(1, order + 1):
            found[lag:] += self.coefficients[lag] * values[:-lag]
        for start in self.breaks:
            found[start : start + order] = 0.0
        return np.asarray(found / self.spread)


def scatter(
    residuals: Sequence[Array],
    slopes: Sequence[Array],
    times: Sequence[Array],
    logs: Sequence[str],
    information: Array,
) -> Array:
    """Return the covariance of ``sum of slopes.T @ residual`` over the columns, a square array.

    Neighbouring values of a residual belong together, and so do columns of one log: noise that runs through
    a loop shows in all of them. Both are taken from smoothed spectra of the residuals, over the share of
    noise that the fit leaves at a frequency. Columns of different logs count as independent.

    Parameters
    ----------
    residuals : sequence of ndarray, shape (rows,)
        What a fit leaves of each column.
    slopes : sequence of ndarray, shape (rows, parameters)
        Sensitivities, in the units of the residuals.
    times : sequence of ndarray, shape (rows,)
        Of the rows; what is missing on an even grid counts as unknown. [s]
    logs : sequence of str
        Log of each column.
    information : ndarray, shape (parameters, parameters)
        That the parameters were fitted with, priors included.

    References
    ----------
    .. [1] Covariance of least squares under correlated residuals, smoothed periodograms, and residuals over
       what the leverage of their place leaves: common practice, no source.
    """
    inverse = np.asarray(np.linalg.pinv(information, hermitian=True), dtype=float)
    total = np.zeros((slopes[0].shape[1],) * 2)
    for log in dict.fromkeys(logs):
        chosen = [i for i, name in enumerate(logs) if name == log]
        total += _scatter_of([(residuals[i], slopes[i], times[i]) for i in chosen], inverse)
    return total


def _scatter_of(columns: Sequence[tuple[Array, Array, Array]], inverse: Array) -> Array:
    """Return the covariance for columns of one log."""
    from scipy.fft import next_fast_len, rfft

    step = float(np.median(np.diff(columns[0][2])))
    first = min(float(time[0]) for _, _, time in columns)
    places = [np.rint((time - first) / step).astype(np.int64) for _, _, time in columns]
    length = next_fast_len(max(int(place[-1]) for place in places) + 1)
    waves, moves, there, shares = [], [], np.zeros((len(columns), length)), []
    for row, ((residual, slope, _), place) in enumerate(zip(columns, places, strict=True)):
        size = _CLIPPED * robust_spread(residual)
        even = np.zeros(length)
        even[place] = np.clip(residual, -size, size)
        there[row, place] = 1.0
        waves.append(rfft(even))
        even_slope = np.zeros((length, slope.shape[1]))
        even_slope[place] = slope
        moves.append(rfft(even_slope, axis=0))
        leverage = np.sum((moves[-1].conj() @ inverse) * moves[-1], axis=1).real / len(place)
        shares.append(np.sqrt(np.maximum(_smoothed(1.0 - leverage), _LEAST)))
    both = there @ there.T
    sides = np.full(length // 2 + 1, 2.0)
    sides[0 :: length // 2 if length % 2 == 0 else length] = 1.0
    total = np.zeros((columns[0][1].shape[1],) * 2)
    for i, wave in enumerate(waves):
        for j, other in enumerate(waves):
            power = _smoothed(wave * other.conj()) / (shares[i] * shares[j] * max(both[i, j], 1.0))
            total += ((moves[i].conj().T * (sides * power)) @ moves[j]).real / length
    return 0.5 * (total + total.T)


def _smoothed(spectrum: NDArray[Any]) -> NDArray[Any]:
    """Return the mean of a spectrum over neighbouring bins, at its ends over as many to one side."""
    width = min(2 * _SIDE + 1, len(spectrum))
    sums = np.cumsum(np.concatenate(([0.0], spectrum)))
    starts = np.clip(np.arange(len(spectrum)) - _SIDE, 0, len(spectrum) - width)
    return np.asarray((sums[starts + width] - sums[starts]) / width)


def _stable(coefficients: Array) -> Array:
    """Return a filter whose roots lie inside the unit circle, so that its inverse dies out."""
    roots = np.roots(coefficients)
    outside = np.abs(roots) >= 0.9999
    if not outside.any():
        return coefficients
    roots[outside] = 0.9999 * roots[outside] / np.abs(roots[outside])
    return np.asarray(np.poly(roots).real, dtype=float)


def robust_spread(values: Array) -> float:
    """Return a standard deviation that outliers do not move.

    Parameters
    ----------
    values : ndarray
        Any.
    """
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return spread if spread > 0.0 else float(np.std(values))


def whitener(residual: Array, breaks: NDArray[np.int64], fitted: NDArray[np.bool_]) -> Whitener:
    """Return the filter that makes a residual white.

    Parameters
    ----------
    residual : ndarray, shape (rows,)
        What a fit leaves.
    breaks : ndarray
        Where stretches without gap begin.
    fitted : ndarray, shape (rows,)
        Rows that count.
    """
    size = robust_spread(residual[fitted])
    if size == 0.0:
        return Whitener(np.ones(1), 1.0, breaks)
    clipped = np.clip(residual, -_CLIPPED * size, _CLIPPED * size)
    most = int(min(_MOST, fitted.sum() // 20))
    usable = fitted.copy()
    for start in breaks:
        usable[start : start + most] = False
    rows = np.flatnonzero(usable)
    if most == 0 or len(rows) < 20 * most:
        return Whitener(np.ones(1), size, breaks)
    past = np.column_stack([clipped[rows - lag] for lag in range(1, most + 1)])
    gram, cross, power = past.T @ past, past.T @ clipped[rows], float(clipped[rows] @ clipped[rows])
    best: tuple[float, Array, float] | None = None
    for order in range(most + 1):
        solution: Array = np.asarray(
            np.linalg.pinv(gram[:order, :order], hermitian=True) @ cross[:order], float
        )
        left = max(power - float(solution @ cross[:order]), 1e-12 * power) / len(rows)
        aic = len(rows) * np.log(left) + 2.0 * order
        if best is None or aic < best[0]:
            best = aic, solution, left
    assert best is not None, "order 0 is always tried"
    return Whitener(_stable(np.concatenate(([1.0], -best[1]))), float(np.sqrt(best[2])), breaks)


def rests(measured: Array, shown: Array) -> bool:
    """Return whether a column and what the bench shows of it move by no more than noise and rounding.

    Parameters
    ----------
    measured, shown : ndarray, shape (rows,)
        Any unit, the same for both.
    """
    noise = robust_spread(np.diff(measured, 2)) / np.sqrt(6.0) if len(measured) > 2 else 0.0
    quiet = STILL * noise + MATTERS * np.max(np.abs(measured)) + rounding(measured)
    return bool(max(np.std(measured), np.std(shown)) < quiet)


def rounding(measured: Array) -> float:
    """Return the size below which a column tells nothing [unit].

    Parameters
    ----------
    measured : ndarray, shape (rows,)
        [unit]
    """
    return _ROUNDING * max(1.0, float(np.max(np.abs(measured))))
