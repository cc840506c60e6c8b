"""What comes out of a discrete system, ``C·(z·1 − A)⁻¹·B``, at many points from one form of A.

A is brought to a triangle. Its slow part, whose eigenvalues can be told apart, falls into modes; what is gone
within a hyperperiod or a few, such as delay lines, is a sum over these. Where modes are too alike all of it
stays a triangle.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Resolvent", "powers"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BLOCK = 200_000
"""Unknowns that are solved for at once, so that they stay near the processor."""
_SLOW = 0.05
"""Size from which on an eigenvalue counts as slow."""
_ALIKE = 1e7
"""Condition of the modes from which on they are too much alike: it eats so many digits."""
_GONE = 1e-18
"""Share of what went in that is nothing any more."""


class Resolvent:
    """A discrete system, balanced, its states in modes, and what is soon gone by itself.

    Parameters
    ----------
    a, b, c : ndarray, shape (n, n), (n, p), (q, n)
        Its matrices.
    """

    poles: Complex
    """Eigenvalues, those that are gone last, shape (n,)."""
    into: Complex
    """What goes into each mode, shape (modes, p); none where modes are too alike."""
    out: Complex
    """What comes out of each, shape (q, modes)."""
    after: Array
    """What comes out of the rest, that many hyperperiods and one later, shape (k, q, p)."""

    def __init__(self, a: Array, b: Array, c: Array) -> None:
        from scipy.linalg import matrix_balance, rsf2csf, schur

        with np.errstate(invalid="ignore"):  # Scales are cast to a permutation that was not asked for.
            balanced, (scale, _) = matrix_balance(a, permute=False, separate=True)
        slow_first: Any = _is_slow
        triangle, basis, slow = schur(balanced, sort=slow_first)
        into, out = basis.T @ (b / scale[:, None]), (c * scale) @ basis
        first, last = triangle[:slow, :slow], triangle[slow:, slow:]
        values, modes = np.linalg.eig(first)
        self.poles = np.concatenate([values, np.linalg.eigvals(last)]).astype(np.complex128)
        apart = _apart(first, triangle[:slow, slow:], last)
        alone = _solved_modes(modes.astype(np.complex128), into[:slow] - apart @ into[slow:])
        self._triangle: tuple[Complex, Complex, Complex] | None = None
        if alone is None or np.linalg.norm(apart) > _ALIKE:
            triangle, turned = rsf2csf(triangle, np.eye(len(triangle)))
            self._triangle = triangle, turned.conj().T @ into, out @ turned
            self.into, self.out = (
                np.zeros((0, b.shape[1]), np.complex128),
                np.zeros((len(c), 0), np.complex128),
            )
            self.after = np.zeros((0, len(c), b.shape[1]))
        else:
            self.into, self.out = alone, out[:, :slow] @ modes
            self.after = _after(last, into[slow:], out[:, :slow] @ apart + out[:, slow:])

    def lifted(self, z: Complex) -> Complex:
        """Return what comes out per what goes in, shape (m, q, p).

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points on the unit circle.

        Raises
        ------
        numpy.linalg.LinAlgError
            Where a point is an eigenvalue to the last bit.
        """
        (inputs, outputs), count = (self.into.shape[1], len(self.out)), len(z)
        result = np.empty((count, outputs, inputs), dtype=np.complex128)
        each = (self.out.T[:, :, None] * self.into[:, None, :]).reshape(-1, outputs * inputs)
        for part in self._parts(count * inputs, count):
            if self._triangle is None:
                found = self._shares(z[part]) @ each
                found += powers(1.0 / z[part], len(self.after)) @ self.after.reshape(-1, outputs * inputs)
                result[part] = found.reshape(-1, outputs, inputs)
                continue
            triangle, into, out = self._triangle
            right = np.repeat(into, len(z[part]), axis=1)
            solved = out @ _solved(triangle, np.tile(z[part], inputs), right)
            result[part] = np.moveaxis(solved.reshape(outputs, inputs, -1), 2, 0)
        return result

    def along(self, z: Complex, wave: Complex) -> Complex:
        """Return by how much of a wave another comes out, ``conj(wave)·C·(z·1 − A)⁻¹·B·wave``, shape (m,).

        Without what `after` says.

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points on the unit circle.
        wave : ndarray, shape (m, p)
            What goes in at each of them; p is q.
        """
        result = np.empty(len(z), dtype=np.complex128)
        for part in self._parts(len(z), len(z)):
            if self._triangle is None:
                through = (wave[part].conj() @ self.out) * (wave[part] @ self.into.T)
                result[part] = np.sum(through * self._shares(z[part]), axis=1)
                continue
            triangle, into, out = self._triangle
            found = _solved(triangle, z[part], into @ wave[part].T)
            result[part] = np.sum((out.T @ wave[part].conj().T) * found, axis=0)
        return result

    def _parts(self, systems: int, points: int) -> list[slice]:
        """Return the points in parts that are looked at together."""
        most = max(1, _BLOCK * points // max(systems * len(self.poles), 1))
        return [slice(first, first + most) for first in range(0, points, most)]

    def _shares(self, z: Complex) -> Complex:
        """Return what every mode makes of a unit that goes into it, shape (m, modes)."""
        return 1.0 / _gap(z[:, None], self.poles[: len(self.into)])


def powers(z: Complex, count: int) -> Complex:
    """Return powers of points from the first on, shape (m, count).

    Parameters
    ----------
    z : ndarray, shape (m,)
        On the unit circle.
    count : int
        How many.
    """
    return np.asarray(np.cumprod(np.repeat(z[:, None], count, axis=1), axis=1), dtype=np.complex128)


def _gap(points: Complex, poles: Complex) -> Complex:
    gap = points - poles
    if not gap.all():
        raise np.linalg.LinAlgError("Singular matrix")
    return np.asarray(gap)


def _solved(triangle: Complex, points: Complex, right: Complex) -> Complex:
    """Return the solutions for points and right-hand sides in place of these, shape (n, points)."""
    gap = _gap(points, np.diag(triangle)[:, None])
    for i in range(len(right) - 1, -1, -1):
        right[i] /= gap[i]
        right[:i] += triangle[:i, i, None] * right[i]
    return right


def _after(matrix: Array, into: Array, out: Array) -> Array:
    """Return what comes out hyperperiod by hyperperiod until nothing is left, shape (k, q, p)."""
    found, least = [], _GONE * np.max(np.abs(into), initial=0.0)
    while np.max(np.abs(into), initial=0.0) > least:
        found.append(out @ into)
        into = matrix @ into
    return np.array(found).reshape(-1, len(out), into.shape[1])


def _is_slow(real: float, imaginary: float) -> bool:
    return math.hypot(real, imaginary) > _SLOW


def _apart(first: Array, beside: Array, last: Array) -> Array:
    """Return how much of the first part moves with each state of the last, where both are by themselves."""
    from scipy.linalg.lapack import dtrsyl

    if not beside.size:
        return beside
    found, scale, _ = dtrsyl(first, last, -beside, isgn=-1)
    return np.asarray(found / scale)


def _solved_modes(modes: Complex, into: Array) -> Complex | None:
    """Return what goes into each mode, shape (modes, p); nothing where modes are too alike."""
    from scipy.linalg.lapack import zgecon, zgetrf, zgetrs

    if not modes.size:
        return into.astype(np.complex128)
    triangles, order, _ = zgetrf(modes)
    reciprocal, _ = zgecon(triangles, np.linalg.norm(modes, 1))
    return np.asarray(zgetrs(triangles, order, into)[0]) if reciprocal * _ALIKE > 1.0 else None
