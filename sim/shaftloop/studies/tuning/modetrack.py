"""Which pole of the closed loop is which mode of the shaft, and how well it is damped."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.modes import Mechanics
from shaftloop.analysis.openloop import OpenLoop

__all__ = ["ModeTracker", "TrackedMode", "mode_tracker"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DEFECTIVE = 1e-4
"""Product of the normalised left and right vectors below which a pole has no vectors of its own."""
_NEAR = 3.0
"""How much a pole's distance from the free one counts against it."""


@dataclass(frozen=True)
class TrackedMode:
    """A mode of the shaft line in the closed loop."""

    free_frequency: float
    """Without machines' currents and controllers. [Hz]"""
    free_damping: float
    """Its damping ratio."""
    frequency: float
    """In the closed loop. [Hz]"""
    damping: float
    """Damping ratio in the closed loop; negative where the mode grows."""
    corner: str = "nominal"
    """Bench that these figures are of."""


@dataclass(frozen=True)
class ModeTracker:
    """The free modes, and where their states are among those of an opened loop."""

    poles: Complex
    """Of the free modes, shape (modes,). [rad/s]"""
    right: Complex
    """Their vectors in the states of the opened loop, shape (n, modes)."""
    left: Complex
    """Dual vectors: ``left.T @ right`` has ones on its diagonal. Shape (n, modes)."""
    hyperperiod: float
    """[s]"""

    def find(self, closed: Array) -> tuple[TrackedMode, ...]:
        """Return the modes as they are in a closed loop.

        A start in the free mode splits over the poles of the closed loop; the pole with the largest share of
        what is then seen in the mode is its continuation.

        Parameters
        ----------
        closed : ndarray, shape (m, m)
            Map over a hyperperiod, whose first n states are those of the opened loop.
        """
        from scipy.linalg import eig, matrix_balance

        # Balanced, since a twist and a torque differ by orders of magnitude.
        balanced, (size, _) = matrix_balance(closed, permute=False, separate=True)
        found: Any = eig(balanced, left=True, right=True)
        values, vectors, count = found[0], found[2], len(self.right)
        before = found[1].conj()
        before, vectors = before / size[:, None], vectors * size[:, None]
        weight = np.sum(before * vectors, axis=0)
        # Chains of delays have no full set of vectors; their poles are never those of a mode.
        sound = np.abs(weight) > _DEFECTIVE
        starts = before[:count].T @ self.right
        shares = starts * (vectors[:count].T @ self.left) / np.where(sound, weight, np.inf)[:, None]
        poles = self._poles(values)
        near = np.exp(-_NEAR * np.abs(poles - self.poles) / np.abs(self.poles))
        chosen = poles[np.argmax(np.abs(shares) * near, axis=0), np.arange(len(self.poles))]
        return tuple(
            _tracked(complex(free), complex(pole)) for free, pole in zip(self.poles, chosen, strict=True)
        )

    def _poles(self, values: Complex) -> Complex:
        """Return poles of eigenvalues, on the branch of the logarithm nearest to each mode [rad/s]."""
        turn = 2.0 * np.pi / self.hyperperiod
        poles = np.log(np.where(np.abs(values) > 0.0, values, 1e-300)) / self.hyperperiod
        both = np.stack([poles, poles.conj()])[:, :, None]
        rounds = np.round((self.poles.imag - both.imag) / turn)
        moved = both + 1j * turn * rounds
        first = np.abs(moved[0] - self.poles) <= np.abs(moved[1] - self.poles)
        return np.asarray(np.where(first, moved[0], moved[1]))


def _tracked(free: complex, pole: complex) -> TrackedMode:
    return TrackedMode(
        abs(free) / (2.0 * np.pi), -free.real / abs(free), abs(pole) / (2.0 * np.pi), -pole.real / abs(pole)
    )


def mode_tracker(line: Mechanics, system: OpenLoop) -> ModeTracker:
    """Return what finds the shaft modes of a bench in its closed loops.

    Parameters
    ----------
    line : Mechanics
        Of the bench at its operating point.
    system : OpenLoop
        A loop of it, opened.
    """
    values, vectors = np.linalg.eig(line.a)
    inverse = np.linalg.inv(vectors)
    size = np.abs(values)
    chosen = np.flatnonzero((values.imag > 1e-6 * size) & (size > 1e-10 * size.max(initial=0.0)))
    chosen = chosen[np.argsort(size[chosen])]
    place = {int(slot): i for i, slot in enumerate(system.slots)}
    right = np.zeros((len(system.slots), len(chosen)), dtype=np.complex128)
    left = np.zeros_like(right)
    for row, slot in enumerate(line.slots):
        # What no output of the opened loop depends on has been dropped from its states.
        if int(slot) in place:
            right[place[int(slot)]] = vectors[row, chosen] / line.scale[row]
            left[place[int(slot)]] = inverse[chosen, row] * line.scale[row]
    return ModeTracker(values[chosen].astype(np.complex128), right, left, system.hyperperiod)
