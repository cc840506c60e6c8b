"""Speeds beyond the range that the step rule reckons with: steps become finer with them.

A run has a *stretch*: its steps do for so many times the speeds of the `Range`s of its model, 1, 2, 4, ...
`FASTEST`. It grows at the first end of a gap at which a speed is beyond that, and stays. The stretch and the
ticks at which bodies first left their range stand in the state, so saving and going back are as ever.
"""

import math
from typing import TYPE_CHECKING

import numpy as np

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats

if TYPE_CHECKING:
    from shaftloop.engine.build import Tables
    from shaftloop.engine.model import Model

__all__ = ["FASTEST", "bound_speeds", "keep_stretch", "left_at", "outrun", "stretch_of"]

FASTEST = 16
"""Largest stretch: what is faster still is integrated with the steps for this one."""


def stretch_of(model: "Model", state: Floats) -> int:
    """Return how many times their ranges speeds may be for the steps of a state."""
    return min(int(state[model.range_slot]), FASTEST) if model.ranges else 1


def outrun(model: "Model", state: Floats) -> bool:
    """Return whether a speed has been more than `FASTEST` times its range, so that steps were too long."""
    return bool(model.ranges and state[model.range_slot] > FASTEST)


def left_at(model: "Model", state: Floats) -> list[int]:
    """Return the tick at which each speed first left its range, -1 for one that has not [tick]."""
    return [int(tick) for tick in _left(model, state)]


def keep_stretch(model: "Model", state: Floats, tick: int) -> bool:
    """Let the stretch follow the speeds of a state, which stands at a tick and is changed in place.

    Return whether it grows or a body has newly left its range.
    """
    if not model.ranges:
        return False
    shares = np.array([abs(state[each.state]) / each.most for each in model.ranges])
    left, before = _left(model, state), state[model.range_slot]
    new = (shares > 1.0) & (left < 0.0)
    left[new] = tick
    while state[model.range_slot] < min(np.max(shares), 2 * FASTEST):
        state[model.range_slot] *= 2.0
    return bool(np.any(new)) or state[model.range_slot] > before


def bound_speeds(model: "Model", tables: "Tables", state: Floats) -> None:
    """Write the speeds at which the stretch grows, or a body leaves its range, into the tables."""
    factor = math.inf if outrun(model, state) else stretch_of(model, state)
    for each, left in zip(model.ranges, _left(model, state), strict=True):
        most = each.most * (1.0 if left < 0.0 else factor)
        tables.ft[tables.it[at.BOUND] + each.state] = min(most, at.LARGEST)


def _left(model: "Model", state: Floats) -> Floats:
    first = model.range_slot + 1
    return state[first : first + len(model.ranges)]
