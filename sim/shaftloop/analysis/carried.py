"""A state of one bench, carried over to another that differs in a part, a delay or a number."""

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.rows import DeliverWords

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

    A longer delay line holds in its further places what it held in its first, a new one what it delivers.

    Parameters
    ----------
    known : mapping
        Values by slot, from `named`.
    """
    layout = bench.model.layout
    state, unknown = np.array(layout.initial), set()
    for number, slot in enumerate(layout.slots):
        first = re.sub(r"\[[0-9]+\]$", "", slot.name)
        for name in (slot.name, f"{first}[0]", first):
            if name in known:
                state[number] = known[name]
                break
        else:
            unknown.add(number)
    for task in bench.model.tasks:
        if task.kind == at.DELIVER:
            words = DeliverWords(*task.a)
            for place in unknown.intersection(range(words.line, words.line + words.depth * words.wide)):
                state[place] = state[words.receiver + (place - words.line) % words.wide]
    return state
