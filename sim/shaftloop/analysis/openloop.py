"""A loop opened at its actuator command, as a discrete system over one hyperperiod."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.resolvent import Resolvent

__all__ = ["AT_ONE", "OpenLoop", "spectral_radius"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

AT_ONE = 1e-8
"""Distance from 1 that rounding gives the eigenvalue of an integrator, at most."""


@dataclass(frozen=True)
class OpenLoop:
    """A loop opened at its actuator command, as a discrete system over one hyperperiod.

    ``x⁺ = A·x + B·v``, ``u = C·x + D·v``: v are the commands passed on at the loop's p ticks of one
    hyperperiod, u what the controller asks for at these ticks. Closing the loop means v = u.
    """

    a: Array
    """(n, n)"""
    b: Array
    """(n, p)"""
    c: Array
    """(p, n)"""
    d: Array
    """(p, p)"""
    hyperperiod: float
    """[s]"""
    instants: Array
    """Ticks of the loop within the hyperperiod, shape (p,). [s]"""
    slots: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    """Slot of the bench behind every state, shape (n,); empty where there is no bench."""
    free: bool = False
    """Whether nothing holds the speed of the line; its motion as a whole is then left out."""

    @property
    def period(self) -> float:
        """Period of the loop [s]."""
        return self.hyperperiod / len(self.instants)

    def closed(self, gain: float = 1.0) -> Array:
        """Return the map of the closed loop with the controller's output scaled by a gain."""
        inner = np.eye(len(self.d)) - gain * self.d
        return self.a + gain * self.b @ np.linalg.solve(inner, self.c)

    @cached_property
    def disturbed(self) -> "OpenLoop":
        """The closed loop, from what is added to the commands to the commands passed on: its sensitivity."""
        passed = np.asarray(np.linalg.inv(np.eye(len(self.d)) - self.d), dtype=np.float64)
        return replace(self, a=self.closed(), b=self.b @ passed, c=passed @ self.c, d=passed)

    @cached_property
    def poles(self) -> Complex:
        """Eigenvalues of A, shape (n,)."""
        if len(self.instants) > 1:  # whose response takes a form of A both opened and closed
            return self.resolvent.poles
        return np.linalg.eigvals(self.a).astype(np.complex128)

    @property
    def radius(self) -> float:
        """Largest absolute eigenvalue of A."""
        return float(np.max(np.abs(self.poles), initial=0.0))

    @cached_property
    def lags(self) -> tuple[Array, Array]:
        """What comes out a number of ticks later, and earlier from one on, as far as no mode makes it.

        At one frequency D and what is soon gone count with sums along their diagonals, as ticks are evenly
        spaced.
        """
        count, blocks = len(self.d), np.concatenate([self.d[None], self.resolvent.after])
        below, above = np.zeros((len(blocks), count)), np.zeros(count - 1)
        for lag in range(count):
            below[:, lag] += np.trace(blocks, -lag, 1, 2)
        for lag in range(1, count):
            first, *later = np.trace(blocks, lag, 1, 2)
            above[lag - 1] = first
            below[:-1, -lag] += later
        return below.ravel(), above

    def lifted(self, z: Complex) -> Complex:
        """Return what comes out at the ticks over what goes in, shape (m, p, p).

        Parameters
        ----------
        z : ndarray, shape (m,)
            Points on the unit circle.
        """
        return self.d + self.resolvent.lifted(z)

    @cached_property
    def resolvent(self) -> Resolvent:
        """What its states make of what goes in, without D."""
        return Resolvent(self.a, self.b, self.c)


def spectral_radius(matrix: Array) -> float:
    """Return the largest absolute eigenvalue."""
    return float(np.max(np.abs(np.linalg.eigvals(matrix)))) if matrix.size else 0.0
