"""The same response from fewer states: those that are hardly reached, or hardly seen, are left out.

References
----------
.. [1] Balanced truncation by the factors of both Gramians: M. S. Tombs, I. Postlethwaite, Truncated balanced
   realization of a stable non-minimal state-space system, Int. J. Control 46 (1987) 1319-1330. From memory;
   tested.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop

__all__ = ["minimal"]

Array = NDArray[np.float64]

_LEAST = 1e-14
"""Share of the largest Hankel singular value from which on a state counts."""
_FADES, _SLOWLY = 0.999, 1.002
"""Largest eigenvalue up to which sums over the past end as they are, and how much faster terms fade else."""
_DOUBLINGS = 40
_NOTHING = 1e-150
_HELD = 1.0 - 1e-9
"""Size of an eigenvalue from which on its motion does not fade."""


def minimal(system: OpenLoop) -> OpenLoop:
    """Return an opened loop with fewer states and the same response, itself where that does not serve.

    What does not fade by itself must stay, so that stability is judged as before.

    Parameters
    ----------
    system : OpenLoop
        The loop.
    """
    from scipy.linalg import matrix_balance

    if not system.a.size:
        return system
    with np.errstate(invalid="ignore"):  # Scales are cast to a permutation that was not asked for.
        scaled, (size, _) = matrix_balance(system.a, permute=False, separate=True)
    b, c = system.b / size[:, None], system.c * size
    fading = 1.0 if system.radius < _FADES else _SLOWLY * max(system.radius, 1.0)
    faded = np.asarray(scaled / fading, dtype=np.float64)
    reached, seen = _factor(faded, b), _factor(faded.T, c.T)
    left, share, right = np.linalg.svd(seen.T @ reached)
    kept = int(np.sum(share > _LEAST * share[0]))
    root = np.sqrt(share[:kept])
    back, onto = reached @ right[:kept].T / root, (seen @ left[:, :kept] / root).T
    fewer = replace(
        system, a=onto @ scaled @ back, b=onto @ b, c=c @ back, slots=np.arange(kept, dtype=np.intp)
    )
    same = np.sum(np.abs(fewer.poles) > _HELD) == np.sum(np.abs(system.poles) > _HELD)
    return fewer if same else system


def _factor(a: Array, b: Array) -> Array:
    """Return a factor of the sum of ``Aᵏ·B·Bᵀ·Aᵏᵀ`` over all k, shape (n, m)."""
    factor, power = b, a
    for _ in range(_DOUBLINGS):
        factor = np.hstack([factor, power @ factor])
        if factor.shape[1] > len(a):
            triangle: Any = np.linalg.qr(factor.T, mode="r")
            factor = triangle.T
        power = power @ power
        if np.max(np.abs(power)) < _NOTHING:
            break
    return np.asarray(factor)
