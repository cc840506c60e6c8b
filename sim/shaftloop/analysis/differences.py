"""Central differences of what a bench makes of its states, many states moved at a time."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["differences"]

Array = NDArray[np.float64]
Slots = NDArray[np.intp]
_TOGETHER = 64
"""Pairs of states in memory at once."""


def differences(
    state: Array, slots: Slots, steps: Array, moved: Callable[[Array], Array], idle: Slots
) -> Array:
    """Return what comes to differ between two states a step of one slot apart, by slot, shape (rows, slots).

    Parameters
    ----------
    state : ndarray, shape (all slots,)
        Between the two.
    slots : ndarray of int
        That are changed, one after the other.
    steps : ndarray, shape (slots,)
        To either side.
    moved : callable
        Returns what comes to differ in pairs of states, shape (2, pairs, all slots), as (pairs, rows).
    idle : ndarray of int
        Places in `slots` of those that last did nothing: they are moved all at once, and where nothing comes
        of that they do nothing again.
    """

    def pairs(numbers: Slots, changed: Slots) -> Array:
        states = np.tile(state, (2, int(numbers[-1]) + 1, 1))
        states[0, numbers, slots[changed]] += steps[changed]
        states[1, numbers, slots[changed]] -= steps[changed]
        return states

    columns = np.arange(len(slots))
    if 0 < len(idle) < len(slots) and not moved(pairs(np.zeros_like(idle), idle)).any():
        columns = np.setdiff1d(columns, idle)
    blocks = np.split(columns, range(_TOGETHER, len(columns), _TOGETHER))
    found = [moved(pairs(np.arange(len(block)), block)) for block in blocks]
    result = np.zeros((found[0].shape[1], len(slots)))
    result[:, columns] = np.concatenate(found).T
    return result
