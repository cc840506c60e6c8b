"""Many systems ``z·x = A·x + f`` with one real matrix, from one triangular form of it."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["Resolvent"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BLOCK = 200_000
"""Unknowns that are solved for at once, so that they stay near the processor."""


class Resolvent:
    """A matrix, balanced and in Schur form.

    Parameters
    ----------
    a : ndarray, shape (n, n)
        The matrix.
    """

    def __init__(self, a: Array) -> None:
        from scipy.linalg import matrix_balance, schur

        with np.errstate(invalid="ignore"):  # Scales are cast to a permutation that was not asked for.
            balanced, (scale, _) = matrix_balance(a, permute=False, separate=True)
        self._a, self._scale = a, scale[:, None]
        self._triangle, self._basis = schur(balanced, output="complex")

    def states(self, z: Complex, forced: Complex) -> Complex:
        """Return the solutions, shape (m, n, k), refined once by what they leave.

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points in the plane.
        forced : ndarray, shape (m, n, k)
            Right-hand sides.

        Raises
        ------
        numpy.linalg.LinAlgError
            Where a point is an eigenvalue to the last bit.
        """
        result = np.empty(forced.shape, dtype=np.complex128)
        chunk = max(1, _BLOCK // max(forced[0].size, 1))
        for i in range(0, len(z), chunk):
            part = slice(i, i + chunk)
            columns = np.moveaxis(forced[part], 0, 1)
            # Points side by side: what is done for one column of the triangle is done for all of them.
            points, right = np.repeat(z[part], forced.shape[2]), columns.reshape(len(columns), -1)
            found = self._solved(points, right)
            found += self._solved(points, right - (points * found - self._a @ found))
            result[part] = np.moveaxis(found.reshape(columns.shape), 0, 1)
        return result

    def _solved(self, points: Complex, right: Complex) -> Complex:
        """Return the solutions for points and right-hand sides, shape (n, points)."""
        gap = points - np.diag(self._triangle)[:, None]
        if not gap.all():
            raise np.linalg.LinAlgError("Singular matrix")
        found = self._basis.conj().T @ (right / self._scale)
        for i in range(len(found) - 1, -1, -1):
            found[i] /= gap[i]
            found[:i] += self._triangle[:i, i, None] * found[i]
        return np.asarray(self._basis @ found * self._scale)
