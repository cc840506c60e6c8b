"""What comes out of a discrete system, ``C·(z·1 − A)⁻¹·B``, at many points from one form of A.

A is brought to a triangle. Its slow part, whose eigenvalues can be told apart, falls into modes; what is gone
within a hyperperiod, such as delay lines, stays a triangle, and so does all of it where modes are too alike.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Resolvent"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BLOCK = 200_000
"""Unknowns that are solved for at once, so that they stay near the processor."""
_SLOW = 0.05
"""Size from which on an eigenvalue counts as slow."""
_ALIKE = 1e7
"""Condition of the modes from which on they are too much alike: it eats so many digits."""


class Resolvent:
    """A discrete system, balanced, its states in modes and a triangle.

    Parameters
    ----------
    a, b, c : ndarray, shape (n, n), (n, p), (q, n)
        Its matrices.
    """

    def __init__(self, a: Array, b: Array, c: Array) -> None:
        from scipy.linalg import matrix_balance, schur

        with np.errstate(invalid="ignore"):  # Scales are cast to a permutation that was not asked for.
            balanced, (scale, _) = matrix_balance(a, permute=False, separate=True)
        slow_first: Any = _is_slow
        triangle, basis, slow = schur(balanced, output="complex", sort=slow_first)
        into, out = basis.conj().T @ (b / scale[:, None]), (c * scale) @ basis
        self._poles = np.diag(triangle).copy()
        modes, apart = _modes(triangle, slow)
        self._slow = slow if apart is not None else 0
        if apart is not None:
            into, out = apart @ into, out @ modes
        self._triangle, self._into, self._out = triangle, into, out

    def lifted(self, z: Complex) -> Complex:
        """Return what comes out per what goes in, shape (m, q, p).

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points in the plane.

        Raises
        ------
        numpy.linalg.LinAlgError
            Where a point is an eigenvalue to the last bit.
        """
        (inputs, outputs), count = (self._into.shape[1], len(self._out)), len(z)
        result = np.empty((count, outputs, inputs), dtype=np.complex128)
        for part in self._parts(count * inputs, count):
            right = np.repeat(self._into, len(z[part]), axis=1)
            found = self._out @ self._solved(np.tile(z[part], inputs), right)
            result[part] = np.moveaxis(found.reshape(outputs, inputs, -1), 2, 0)
        return result

    def along(self, z: Complex, wave: Complex) -> Complex:
        """Return by how much of a wave another comes out, ``conj(wave)·C·(z·1 − A)⁻¹·B·wave``, shape (m,).

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points in the plane.
        wave : ndarray, shape (m, p)
            What goes in at each of them; p is q.
        """
        result = np.empty(len(z), dtype=np.complex128)
        for part in self._parts(len(z), len(z)):
            found = self._solved(z[part], self._into @ wave[part].T)
            result[part] = np.sum((self._out.T @ wave[part].conj().T) * found, axis=0)
        return result

    def _parts(self, systems: int, points: int) -> list[slice]:
        """Return the points in parts that are solved for together."""
        most = max(1, _BLOCK * points // max(systems * len(self._poles), 1))
        return [slice(first, first + most) for first in range(0, points, most)]

    def _solved(self, points: Complex, right: Complex) -> Complex:
        """Return the solutions for points and right-hand sides in place of these, shape (n, points)."""
        gap = points - self._poles[:, None]
        if not gap.all():
            raise np.linalg.LinAlgError("Singular matrix")
        right[: self._slow] /= gap[: self._slow]
        for i in range(len(right) - 1, self._slow - 1, -1):
            right[i] /= gap[i]
            right[self._slow : i] += self._triangle[self._slow : i, i, None] * right[i]
        return right


def _is_slow(value: Any) -> bool:
    return bool(abs(value) > _SLOW)


def _modes(triangle: Complex, slow: int) -> tuple[Complex, Complex | None]:
    """Return the states of modes, the slow ones each by itself, and the inverse, unless they are too alike.

    Parameters
    ----------
    triangle : ndarray, shape (n, n)
        Upper triangle with the slow eigenvalues first.
    slow : int
        How many they are.
    """
    from scipy.linalg.lapack import ztrsyl, ztrtri

    modes = np.eye(len(triangle), dtype=np.complex128)
    poles = np.diag(triangle)[:slow]
    with np.errstate(all="ignore"):
        for i in range(slow - 2, -1, -1):
            behind = slice(i + 1, slow)
            modes[i, behind] = triangle[i, behind] @ modes[behind, behind] / (poles[behind] - poles[i])
        modes[:slow, :slow] /= np.linalg.norm(modes[:slow, :slow], axis=0)
        if 0 < slow < len(triangle):
            fast, mixed = triangle[slow:, slow:], triangle[:slow, slow:]
            found, scale, _ = ztrsyl(triangle[:slow, :slow], fast, -mixed, isgn=-1)
            modes[:slow, slow:] = found / scale
        apart, _ = ztrtri(modes)
        size = np.linalg.norm(modes) * np.linalg.norm(apart)
    return modes, np.asarray(apart) if size < _ALIKE else None
