"""A state of one bench, carried over to another that differs in a part, a delay or a number."""

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench

__all__ = ["Known", "carried", "named"]

Array = NDArray[np.float64]

Known = Mapping[str, float]
"""Values of slots by name."""


def named(bench: Bench, state: Array) -> Known:
    """Return the values of a state by the names of its slots.

    Parameters
    ----------
    state : ndarray, shape (slots,)
        In the units of the slots.
    """
    return {slot.name: float(value) for slot, value in zip(bench.model.layout.slots, state, strict=True)}


def carried(bench: Bench, known: Known) -> Array:
    """Return a state of a bench with what is known of it, the rest as at the start, shape (slots,).

    A longer delay line holds in its further places what it held in its first.

    Parameters
    ----------
    known : mapping
        Values by slot, from `named`.
    """
    layout = bench.model.layout
    state = np.array(layout.initial)
    for number, slot in enumerate(layout.slots):
        first = re.sub(r"\[[0-9]+\]$", "", slot.name)
        for name in (slot.name, f"{first}[0]", first):
            if name in known:
                state[number] = known[name]
                break
    return state
