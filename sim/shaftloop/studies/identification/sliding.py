"""Clocks of logs against what a bench holds between its ticks.

Every record that passes a tick makes the cost jump, and no step along derivatives passes such a jump, so the
clock is slid over them while all others give way along their slopes. No run is made for it.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.identification.problem import SIDES, Known, Problem
from shaftloop.studies.identification.ticks import robust_costs

__all__ = ["CLOCKS", "slack", "slid"]

Array = NDArray[np.float64]

CLOCKS = ("log.clock", "log.drift")
_FIRST = 0.05
"""First step of the clock, of half a sample of the log."""
_WORTH = 0.05
"""Of the sum of squares in units of its noise, for which the clock is moved."""
_WIDER = 1.1
"""Factor by which the interval of a clock is widened at a time."""
_WIDEST = 60
"""Times that it is."""


def slid(problem: Problem, theta: Array, scales: Sequence[float], *, alone: bool = False) -> Array:
    """Return θ with the clock of a log at the least cost; `theta` itself where it stays.

    Parameters
    ----------
    theta : ndarray, shape (parameters,)
        Where to begin.
    scales : sequence of float
        Sizes of what is left of the columns. [unit]
    alone : bool
        Whether all others stay.
    """
    from scipy.optimize import minimize, minimize_scalar

    clocks = [i for i, free in enumerate(problem.frees) if free.path in CLOCKS]
    if not clocks:
        return theta
    period = min(float(np.median(np.diff(entry.time))) for entry in problem.replay.compared)
    sizes = np.array([0.5 * period / problem.frees[i].scale for i in clocks])
    stay = range(len(theta)) if alone else clocks
    cost_at = _given_way(problem, theta, stay, scales)

    def moved(x: Array) -> Array:
        found = theta.copy()
        found[clocks] += sizes * x
        return found

    def cost(x: Array) -> float:
        return cost_at(moved(x))

    first = np.eye(len(clocks))[0]
    far = minimize_scalar(
        lambda x: cost(x * first), bounds=(-1.0, 1.0), method="bounded", options={"xatol": 1e-3}
    )
    starts = [0.0 * first, float(far.x) * first]
    simplexes = [np.vstack((x, x + _FIRST * np.eye(len(x)))) for x in starts]
    found = [
        minimize(cost, x, method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 1e-4}).x
        for x, simplex in zip(starts, simplexes, strict=True)
    ]
    best = min([*starts, *found], key=cost)
    return moved(best) if cost(starts[0]) - cost(best) > _WORTH else theta


def slack(problem: Problem, known: Known, scales: Sequence[float]) -> Known:
    """Return what is known with intervals of clocks that reach as far as what is held between ticks admits.

    Where a log is taken at the same place between two ticks all the time, what is held says nothing of the
    clock from one to the other; its mean slope, by which spreads are reckoned, would.

    Parameters
    ----------
    known : Known
        From `what_is_known`.
    scales : sequence of float
        From `left_over`. [unit]
    """
    theta = np.array([entry.theta for entry in known.estimates])
    estimates = list(known.estimates)
    for i, entry in enumerate(estimates):
        if not (entry.free.in_time and np.isfinite(entry.spread)) or entry.free.simulated:
            continue
        cost_at = _given_way(problem, theta, [i], scales)
        base = cost_at(theta)
        # The cost rises as under white noise, or slower where neighbouring values belong together.
        white = np.linalg.pinv(known.information, hermitian=True)[i, i]
        rise = min(white / known.covariance[i, i], 1.0)
        ends = []
        for side in (-1.0, 1.0):
            moved, width = theta.copy(), SIDES * entry.spread
            for _ in range(_WIDEST):
                moved[i] = theta[i] + side * _WIDER * width
                if (cost_at(moved) - base) * rise > SIDES**2:
                    break
                width *= _WIDER
            ends.append(theta[i] + side * width)
        estimates[i] = entry.between(*ends)
    return replace(known, estimates=tuple(estimates))


def _given_way(
    problem: Problem, theta: Array, stay: Sequence[int], scales: Sequence[float]
) -> Callable[[Array], float]:
    """Return the cost near a θ, of which all but some values give way along their slopes."""
    others = [i for i in range(len(theta)) if i not in stay]
    slopes = problem.jacobian(theta, scales)[:, others]
    size = np.linalg.norm(slopes, axis=0)
    basis = np.linalg.qr(slopes[:, size > 0.0] / size[size > 0.0])[0]

    def cost(at: Array) -> float:
        (rows,) = problem.residuals([at], scales)
        return robust_costs([rows - basis @ (basis.T @ rows)])[0]

    return cost
