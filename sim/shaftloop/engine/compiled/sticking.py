"""Kernels of friction that sticks: the torque on a body at rest, and whether a substep changes who stands."""

import math

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine

__all__ = ["changes", "torque_on"]


@helper
def torque_on(it: Ints, ft: Floats, w: Floats, z: int, places: int, weights: int) -> float:
    """Return the torque on a body but for its own friction, from z [N m]."""
    total = 0.0
    for k in range(it[places + 1]):
        total += ft[weights + 1 + k] * w[z + it[places + 2 + k]]
    return total


@helper
def _largest(a: float, b: float, c: float) -> float:
    """Return the largest size of a parabola through start, middle and end of a substep."""
    size, bend = max(abs(a), abs(b), abs(c)), a - 2.0 * b + c
    if abs(c - a) < 2.0 * abs(bend):
        size = max(size, abs(b - (c - a) * (c - a) / (8.0 * bend)))
    return size


@routine
def changes(it: Ints, ft: Floats, s: Floats, w: Floats, z: tuple[int, int, int], last: bool) -> bool:
    """Return whether a body that moves comes to rest in a substep, or one at rest breaks loose.

    The z vectors of start, middle and end lie at `z`; where it is the `last` one only the end counts.
    """
    start, middle, end = z
    places, weights, found = it[at.STICK_INT], it[at.STICK_FLOAT], False
    for body in range(it[at.STICKS]):
        way, speed = s[it[at.STICK_SLOT] + body], it[places]
        if way != 0.0:
            found |= way * w[end + speed] < 0.0 or (not last and way * w[middle + speed] < 0.0)
        else:
            torque = torque_on(it, ft, w, end, places, weights)
            size = abs(torque)
            if not last:
                first = torque_on(it, ft, w, start, places, weights)
                size = _largest(first, torque_on(it, ft, w, middle, places, weights), torque)
            found |= not size <= ft[weights] and not math.isnan(size)
        weights, places = weights + 1 + it[places + 1], places + 2 + it[places + 1]
    return found
