"""Least of a cost under limits by sequential quadratic programming: few unknowns, every look at them dear.

Cost and limits are smooth almost everywhere, and the least lies where several limits meet. Slopes come from
differences; the curvature from how the slopes of cost and active limits change on the way (damped BFGS).
Every step solves its quadratic programme as a problem of least distance. Steps that bring too little are
damped.

References
----------
.. [1] J. Nocedal, S. J. Wright, Numerical Optimization, 2nd edition, 2006, chapter 18: second-order
   correction, damped BFGS. From memory.
.. [2] C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23: least distance by
   non-negative least squares. From memory.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Look", "descend"]

Array = NDArray[np.float64]
Look = Callable[[Array, bool], Array | None]
"""Cost, then limits that are kept up to 0, at unknowns; nothing where there is none. The second argument says
whether it is only for a slope."""

_SHARE, _WELL = 0.1, 0.5
"""Of what was promised that a step must bring, and from which on the next one is damped less."""
_FURTHEST = 3.0
"""Largest change of an unknown in a step."""
_TRIED = 6
"""Dampings that are tried at a point."""
_BEYOND = 1e-4
"""Excess of a limit from which on a step is bent back to it."""
_WEIGHT = 5.0
"""Of the largest excess beside the cost, at least."""
_TURN = -0.3
"""Differences over those of before, once nothing brings enough."""
_FIRST, _FLAT = 0.2, 1e-9
"""Curvature that is believed at first, and the least."""
_DAMPED = 0.2
"""Share of the curvature along a step that is kept at least."""
_LITTLE, _NONE = 0.1, 1e-9
"""Damping over the curvature along a step that is as good as none; distance that is none."""


@dataclass
class _Place:
    """Unknowns with what was found there."""

    at: Array
    values: Array

    def merit(self, weight: float) -> float:
        """Return what is to be small: cost, and by how much limits are exceeded."""
        return float(self.values[0] + weight * max(0.0, self.values[1:].max()))


def descend(look: Look, first: Array, differences: Array, worth: float, most: int) -> Array:
    """Return unknowns of little cost that hardly exceed limits, from others whose values are known to exist.

    Parameters
    ----------
    look : callable
        What is to be small. Unknowns are scaled so that steps of one are large ones, cost and limits are
        logarithms.
    first : ndarray, shape (n,)
        Where to begin.
    differences : ndarray, shape (n,)
        Changes of the unknowns for slopes.
    worth : float
        Improvement that a step must promise.
    most : int
        Steps at most.
    """
    values = look(first, False)
    if values is None:
        return first
    here, way, turned = _Place(first, values), _Way(_curvature(len(first))), False
    for _ in range(most):
        slopes = _slopes(look, here, differences)
        way.bend(slopes)
        there = _next(look, here, slopes, way, worth)
        if there is here or (there is None and turned):
            break
        if there is None:
            # At a kink the slopes of the other side, and nearer by, may tell more.
            turned, differences, way = True, _TURN * differences, _Way(_curvature(len(first)))
            continue
        here = there
    return here.at


@dataclass
class _Way:
    """What is known from the steps so far."""

    curvature: Array
    damping: float = 0.0
    weight: float = _WEIGHT
    last: tuple[Array, Array, Array] | None = None
    """Step, forces of the limits and slopes of the last one."""

    @property
    def metric(self) -> Array:
        """What a step costs, by its square: symmetric, positive definite."""
        return self.curvature + self.damping * np.eye(len(self.curvature))

    def along(self, step: Array) -> float:
        """Return the curvature that a step has met, damping included."""
        return float(np.linalg.norm(self.metric @ step) / max(float(np.linalg.norm(step)), 1e-300))

    def damp(self, step: Array) -> None:
        """Make steps like this one about four times shorter."""
        self.damping += 3.0 * self.along(step)

    def free(self, step: Array) -> None:
        """Let steps like this one be longer."""
        self.damping = 0.25 * self.damping if self.damping > _LITTLE * self.along(step) else 0.0

    def bend(self, slopes: Array) -> None:
        """Learn from how slopes have changed over the last step."""
        if self.last is None:
            return
        step, forces, before = self.last
        change = slopes - before
        turned, along = change[0] + forces @ change[1:], self.curvature @ step
        known, found = float(step @ along), float(step @ turned)
        if found < _DAMPED * known:
            share = (1.0 - _DAMPED) * known / (known - found)
            turned = share * turned + (1.0 - share) * along
            found = float(step @ turned)
        bent = self.curvature - np.outer(along, along) / known + np.outer(turned, turned) / found
        sound = np.all(np.isfinite(bent)) and float(np.linalg.eigvalsh(bent)[0]) > _FLAT
        self.curvature = bent if sound else _curvature(len(step))


def _curvature(count: int) -> Array:
    """Return the curvature that is believed at first."""
    return np.asarray(_FIRST * np.eye(count))


def _slopes(look: Look, here: _Place, differences: Array) -> Array:
    """Return the slopes of cost and limits, shape (1 + limits, n); none towards what cannot be looked at."""
    slopes = np.zeros((len(here.values), len(here.at)))
    for i, size in enumerate(differences):
        for change in (size, -size):
            near = look(here.at + change * (np.arange(len(here.at)) == i), True)
            if near is not None:
                slopes[:, i] = (near - here.values) / change
                break
    return slopes


def _next(look: Look, here: _Place, slopes: Array, way: _Way, worth: float) -> _Place | None:
    """Return the next place, the same where none promises enough, nothing where none brings enough."""
    for attempt in range(_TRIED):
        found = _step(slopes, here.values[1:], way.metric)
        if found is None:
            return None
        step, forces = found
        way.weight = max(way.weight, 1.5 * float(forces.sum()))
        after = float(here.values[0] + slopes[0] @ step + 0.5 * step @ way.curvature @ step)
        promised = here.merit(way.weight) - after
        if promised < worth:
            return None if attempt else here
        there = _moved(look, here, slopes, step, way)
        gain = -np.inf if there is None else here.merit(way.weight) - there.merit(way.weight)
        if there is not None and gain > _SHARE * promised:
            if gain > _WELL * promised:
                way.free(step)
            way.last = there.at - here.at, forces, slopes
            return there
        way.damp(step)
    return None


def _moved(look: Look, here: _Place, slopes: Array, step: Array, way: _Way) -> _Place | None:
    """Return where a step leads, or one bent back to the limits that it exceeds."""
    values = look(here.at + step, False)
    if values is None:
        return None
    there = _Place(here.at + step, values)
    if values[1:].max() > _BEYOND:
        bent = _step(slopes, values[1:] - slopes[1:] @ step, way.metric)
        values = None if bent is None else look(here.at + bent[0], False)
        if bent is not None and values is not None:
            back = _Place(here.at + bent[0], values)
            there = min(there, back, key=lambda place: place.merit(way.weight))
    return there


def _step(slopes: Array, excess: Array, metric: Array) -> tuple[Array, Array] | None:
    """Return the step to the least of cost by slope and metric within linear limits, and their forces.

    Nothing where no step keeps the limits.
    """
    from scipy.optimize import nnls

    into = np.linalg.inv(np.linalg.cholesky(metric))
    free, sides = into @ slopes[0], -slopes[1:] @ into.T
    system = np.vstack([sides.T, excess + sides @ free])
    wanted = np.eye(1, len(system), len(system) - 1)[0]
    try:
        forces, rest = nnls(system, wanted)
    except RuntimeError:  # out of iterations: as good as no step
        return None
    if rest < _NONE:
        return None
    left = system @ forces - wanted
    step = into.T @ (-left[:-1] / left[-1] - free)
    return step * min(1.0, _FURTHEST / max(float(np.abs(step).max()), 1e-300)), -forces / left[-1]
