"""Dead time between two logged signals, from their covariances, which are added up in flat memory.

The output is regressed on its own past and on the input of the last samples. The dead time is the lag of
the first of those inputs that counts for at least a tenth of the one that counts most; earlier ones that are
there with certainty, but smaller, are the lower end of the interval. A held input counts from the next sample
on, so a plant without any dead time shows 1 sample, and 0 only where input and output share a sample.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Covariances", "DeadTime"]

Array = NDArray[np.float64]

_PAST = 8
"""Past outputs in the regression."""
_LAGS = 64
"""Inputs in the regression."""
_PIECE = 8192
"""Rows that are multiplied at a time."""
_TERMS = [*range(1, 2 * _PAST + 2, 2), *range(0, 2 * _LAGS, 2)]
"""Output, past outputs and inputs among input and output at every lag."""
_SHARE = 0.1
_SURE = 3.3
"""Standard deviations from which an input counts: one in a thousand by chance."""
_SIDES = 1.959964


@dataclass(frozen=True)
class DeadTime:
    """Dead time in samples."""

    samples: int
    low: int
    """Lag of the first input that counts at all."""
    high: int
    """Lag of the first input that counts for a tenth even at the low end of its own 95 % interval."""


class Covariances:
    """Adds up products of output, past outputs and inputs.

    Only products with the samples of lag 0 are added up in full. One lag more on both sides is the same sum,
    one row earlier: the product before its first row comes in, that of its last row goes.
    """

    def __init__(self) -> None:
        # By signal, lag, signal; and by lag, signal, lag, signal.
        self._first = np.zeros((2, _LAGS, 2))
        self._edges = np.zeros((_LAGS - 1, 2, _LAGS - 1, 2))
        self._count = 0
        self._rest = np.empty((0, 2))

    def feed(self, piece: Array, fresh: bool) -> None:
        """Take a piece of the signals.

        Parameters
        ----------
        piece : ndarray, shape (samples, 2)
            Input and output.
        fresh : bool
            Whether a new stretch begins.
        """
        rows = piece if fresh else np.concatenate((self._rest, piece))
        self._rest = rows[-(_LAGS - 1) :]
        for first in range(0, len(rows) - _LAGS + 1, _PIECE):
            part = rows[first : first + _PIECE + _LAGS - 1]
            if len(part) < _LAGS:
                break
            part = part - part.mean(axis=0)
            last = _LAGS - 1
            for a, b in np.ndindex(2, 2):
                self._first[a, :, b] += np.correlate(part[:, b], part[last:, a], "valid")[::-1]
            come, gone = part[last - 1 :: -1], part[:-_LAGS:-1]
            self._edges += np.multiply.outer(come, come) - np.multiply.outer(gone, gone)
            self._count += len(part) - last

    def sums(self) -> Array:
        """Return the products of output, past outputs and inputs, each with each."""
        sums = np.empty((_LAGS, 2, _LAGS, 2))
        sums[0], sums[:, :, 0] = self._first, self._first.transpose(1, 2, 0)
        for lag in range(1, _LAGS):
            sums[lag, :, 1:] = sums[lag - 1, :, :-1] + self._edges[lag - 1]
        return sums.reshape(2 * _LAGS, -1)[np.ix_(_TERMS, _TERMS)]

    def dead_time(self) -> DeadTime | None:
        """Return the dead time, nothing where no input counts."""
        if self._count < 5 * (_PAST + _LAGS):
            return None
        sums = self.sums()
        inverse = np.linalg.pinv(sums[1:, 1:], rcond=1e-12, hermitian=True)
        right = sums[0, 1:]
        solution = inverse @ right
        noise = max(sums[0, 0] - right @ solution, 0.0) / (self._count - _PAST - _LAGS)
        spread = np.sqrt(np.maximum(noise * np.diag(inverse), 0.0))[_PAST:]
        size = np.abs(solution[_PAST:])
        there = size > _SURE * spread
        large = _SHARE * float(np.max(size, where=there, initial=0.0))
        if large == 0.0:
            return None
        counts = there & (size >= large)
        certain = there & (size - _SIDES * spread >= large)
        first = int(np.argmax(counts))
        return DeadTime(first, int(np.argmax(there)), int(np.argmax(certain)) if certain.any() else first)
