"""Integral of the absolute error after a step, from below and as soon as it can be told.

What is left of the signed error after any round is known without running on, from ``(I - A)⁻¹``. So the slow
end of a response is summed in strides that grow, each by its exact signed area: right wherever the error
keeps its sign within a stride, too small elsewhere, and then the part that is looked at round by round is
made longer.
"""

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.tuning.closedloop import ClosedLoop

__all__ = ["error_area"]

Array = NDArray[np.float64]

_FIRST, _MOST = 256, 4096
"""Rounds looked at one by one, at first and at most."""
_LEVELS = 3
"""Times the stride grows fourfold, over the fourfold time each."""
_LOST = 3e-3
"""Share of the area that strides may leave out, as seen where both ways are known."""
_OFFSET = 1e-6
"""Lasting error, per unit of the step, beyond which the integral does not end."""


def error_area(closed: ClosedLoop, source: int, limit: float = np.inf) -> float:
    """Return the integral of the absolute error after a unit step of a stable loop.

    Parameters
    ----------
    closed : ClosedLoop
        The loop, stable.
    source : int
        0 of the set-point, 1 of a torque added to the command.
    limit : float
        Beyond it nobody asks how much it is: the result is then between this and the integral.
    """
    ticks, left = len(closed.c) // 2, np.eye(len(closed.a)) - closed.a
    seen = closed.c[:ticks]
    final = np.asarray(np.linalg.solve(left, closed.b[:, source]), dtype=np.float64)
    wanted, reached = 1.0 - source, seen @ final + closed.d[:ticks, source]
    if np.max(np.abs(reached - wanted)) > _OFFSET * max(1.0, float(np.max(np.abs(seen @ final)))):
        return float("inf")
    # Its product with a deviation from the end is all the signed error still to come.
    ahead = np.linalg.solve(left.T, seen.sum(axis=0))
    signed = abs(float(ahead @ final)) * closed.period
    if signed >= limit:
        return signed
    rounds = _FIRST
    while True:
        states = closed.walk(-final, 0, rounds + 1)
        error = np.abs(seen @ states[:, :-1]).sum(axis=0)
        least = float(error.sum()) + abs(float(ahead @ states[:, -1]))
        if least * closed.period >= limit:
            return least * closed.period
        tail, lost = _tail(closed, states[:, -1], ahead, rounds)
        half = rounds // 2
        lost += max(float(error[half:].sum() - np.abs(np.diff(ahead @ states[:, half::4])).sum()), 0.0)
        area = float(error.sum() + tail)
        if area * closed.period >= limit or rounds >= _MOST or lost <= _LOST * area:
            return area * closed.period
        rounds *= 4


def _tail(closed: ClosedLoop, state: Array, ahead: Array, rounds: int) -> tuple[float, float]:
    """Return the area from a state on in growing strides, and how much strides twice as long would lose."""
    area = coarse = 0.0
    for level in range(1, _LEVELS + 1):
        states = closed.walk(state, 2 * level, 3 * rounds // 4 + 1)
        to_come, state = ahead @ states, states[:, -1]
        area += float(np.abs(np.diff(to_come)).sum())
        coarse += float(np.abs(np.diff(to_come[::2])).sum())
    return area + abs(float(ahead @ state)), max(area - coarse, 0.0)
