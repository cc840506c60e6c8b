"""Gains as they are written: rounded, and moved as little as it takes to keep the bounds."""

from collections.abc import Callable, Iterator

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import most_ki, with_gains

__all__ = ["neighbours", "pulled_back", "rounded"]

_DIGITS = 5
"""Significant digits of gains."""
_FURTHEST, _LONGER = 0.02, 4.0
"""How far gains are moved at most, relative to themselves, and by which factor from step to step."""
_ANGLES = np.pi / 8.0 * np.array([0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6, 7, -7, 8])
"""Directions of a move, a smaller ki first: which one leads inwards depends on the bounds."""


def rounded(loop: Loop) -> Loop:
    """Return a loop with gains of five digits, the integral gain rounded down.

    Parameters
    ----------
    loop : Loop
        With its gains.
    """
    kp, ki = float(f"{loop.kp.value:.{_DIGITS}g}"), loop.ki.value
    if ki > 0.0:
        unit = 10.0 ** (np.floor(np.log10(ki)) - _DIGITS + 1)
        ki = float(f"{np.floor(ki / unit * (1.0 + 1e-12)) * unit:.{_DIGITS}g}")
    return with_gains(loop, kp, min(ki, most_ki(loop, kp)))


def neighbours(loop: Loop, step: float) -> Iterator[Loop]:
    """Yield a loop, then those around it, further and further away.

    Parameters
    ----------
    loop : Loop
        With its gains.
    step : float
        Relative distance of the nearest.
    """
    yield loop
    kp, ki = loop.kp.value, loop.ki.value
    while step < _FURTHEST:
        for angle in _ANGLES:
            other = kp * (1.0 + step * float(np.sin(angle)))
            yield with_gains(loop, other, min(ki * (1.0 - step * float(np.cos(angle))), most_ki(loop, other)))
        step *= _LONGER


def pulled_back(loop: Loop, keeps: Callable[[Loop], bool]) -> Loop | None:
    """Return the rounded gains next to those of a loop that keep the bounds, nothing where none do.

    Parameters
    ----------
    loop : Loop
        Whose gains keep the bounds, or hardly miss them.
    keeps : callable
        Whether a loop keeps them.
    """
    return next((near for near in map(rounded, neighbours(loop, 10.0**-_DIGITS)) if keeps(near)), None)
