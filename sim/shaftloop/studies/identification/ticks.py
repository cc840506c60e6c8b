"""Values of whole ticks: found by trying, with how far they and what trades places with them may be off.

They have no derivative, and the cost over them has many valleys: another latency at the same place between
the ticks of a sensor may do as well, where a low-pass makes up for it, and all between does worse. So the
intervals are the outer ends of what the log admits: every value at which the least cost over all others is
not too high, with the intervals that the others have there.

References
----------
.. [1] Intervals from the profile of a likelihood: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.identification.problem import ROBUST, SIDES, Known, Problem

__all__ = ["hulled", "robust_costs", "stepped"]

Array = NDArray[np.float64]

_FINEST = 12.5e-6
"""Step that is tried, as its doubles are; they meet the periods of usual rates. [s]"""
_RECORDS = 4.0
"""Of a run, up to which the doubles go."""
_LONGEST = 2.5e-3
"""Period of the bench by which a value is moved. [s]"""
_TIMES = 5
"""Steps in which the others are found again."""
_LEVEL = 0.02
"""Of the sum of squares in units of its noise, which is not worth a step."""
_DOUBLED = 7
"""Times that a value is moved on to one side."""


def stepped(problem: Problem, theta: Array, scales: Sequence[float]) -> Array:
    """Return θ with every value of whole ticks at the least cost, all others found again at each.

    Parameters
    ----------
    theta : ndarray, shape (parameters,)
        Where to begin.
    scales : sequence of float
        Sizes of what is left of the columns. [unit]
    """
    for i in _stepped(problem):
        best = np.inf
        while True:
            tried = _moved(problem, theta, i, _near(problem, problem.frees[i].value(theta[i])))
            thetas, costs = _refound(problem, theta, tried, scales)
            least = int(np.argmin(costs))
            if costs[least] > best - _LEVEL:
                break
            theta, best = thetas[least], costs[least]
    return theta


def hulled(problem: Problem, known: Known, scales: Sequence[float]) -> Known:
    """Return what is known with intervals that hold all that the log admits of values of whole ticks.

    Parameters
    ----------
    known : Known
        From `what_is_known`.
    scales : sequence of float
        From `left_over`. [unit]
    """
    theta = np.array([entry.theta for entry in known.estimates])
    ends = [(np.inf, -np.inf)] * len(theta)
    for i in _stepped(problem):
        for low, high, k in _admitted(problem, known, theta, i, scales):
            ends[k] = min(ends[k][0], low), max(ends[k][1], high)
    estimates = tuple(
        entry.between(low, high) if low < high else entry
        for entry, (low, high) in zip(known.estimates, ends, strict=True)
    )
    return replace(known, estimates=estimates)


def _admitted(
    problem: Problem, known: Known, theta: Array, i: int, scales: Sequence[float]
) -> list[tuple[float, float, int]]:
    """Return low and high ends with the number of their parameter, over values of one of whole ticks."""
    covariance, most = known.covariance, SIDES**2
    if not np.isfinite(covariance[i, i]) or covariance[i, i] <= 0.0:
        return []
    # The cost rises as under white noise, or slower where neighbouring values belong together.
    rise = min(np.linalg.pinv(known.information, hermitian=True)[i, i] / covariance[i, i], 1.0)
    alone = np.sqrt(np.maximum(np.diag(covariance) - covariance[i] ** 2 / covariance[i, i], 0.0))
    base = robust_costs(problem.residuals([theta], scales))[0]
    found = [(theta, 0.0, alone)]
    chains = {(side, period): (theta, 0.0, 0) for period in _periods(problem) for side in (-1.0, 1.0)}
    for _ in range(_DOUBLED):
        tried = {}
        for (side, period), (last, _, count) in chains.items():
            far = 2 * count or 1
            for each in _moved(problem, last, i, [side * period * (far - count)]):
                tried[side, period] = each, far
        if not tried:
            break
        thetas, costs = _refound(problem, theta, [each for each, _ in tried.values()], scales)
        ahead = {}
        for (key, (_, far)), each, cost in zip(tried.items(), thetas, costs, strict=True):
            last, level, _ = chains[key]
            risen = max((cost - base) * rise, 0.0)
            if risen <= most:
                found.append((each, risen, alone))
                ahead[key] = each, risen, far
            else:
                share = (SIDES - np.sqrt(level)) / (np.sqrt(risen) - np.sqrt(level))
                found.append((last + share * (each - last), most, alone))
        chains = ahead
    wide = [(each, np.sqrt(most - risen) * spread) for each, risen, spread in found]
    return [
        (float(each[k] - half[k]), float(each[k] + half[k]), k)
        for each, half in wide
        for k in range(len(theta))
        if np.isfinite(half[k])
    ]


def _stepped(problem: Problem) -> list[int]:
    return [i for i, free in enumerate(problem.frees) if free.kind == "stepped"]


def _periods(problem: Problem) -> list[float]:
    return [period for period in problem.replay.periods if period <= _LONGEST]


def _near(problem: Problem, value: float) -> list[float]:
    """Return distances of what is tried around a value: itself, multiples of the doubles, periods [s]."""
    distances, step = {0.0}, _FINEST
    while step * float(problem.replay.rate) < 2.0 * _RECORDS:
        ticks = value / step
        distances |= {(np.ceil(ticks - 1.001) - ticks) * step, (np.floor(ticks + 1.001) - ticks) * step}
        step *= 2.0
    return sorted(distances | {side * period for period in _periods(problem) for side in (-1.0, 1.0)})


def _moved(problem: Problem, theta: Array, i: int, distances: Sequence[float]) -> list[Array]:
    """Return θ with one value moved by distances [s], as far as they are admitted."""
    free, found = problem.frees[i], []
    for distance in distances:
        moved = theta.copy()
        moved[i] += distance / free.scale
        if free.low <= moved[i] <= free.high:
            found.append(moved)
    return found


def _refound(
    problem: Problem, theta: Array, thetas: Sequence[Array], scales: Sequence[float]
) -> tuple[list[Array], list[float]]:
    """Return several θ, side by side, with all but whole ticks found again, and their costs.

    The derivatives are those at `theta`, corrected by what every step does (Broyden), so that a step takes
    one run. What can no longer become the best is left as it is.
    """
    moving = [k for k, free in enumerate(problem.frees) if free.kind != "stepped"]
    best = list(thetas)
    rows = problem.residuals(best, scales)
    costs = robust_costs(rows)
    if not moving:
        return best, costs
    slopes = problem.jacobian(theta, scales)[:, moving]
    size = np.linalg.norm(slopes, axis=0)
    size[size == 0.0] = 1.0
    bends = [slopes / size for _ in best]
    frees = [problem.frees[k] for k in moving]
    low = [max(free.low, x - free.reach) for free, x in zip(frees, theta[moving], strict=True)]
    high = [min(free.high, x + free.reach) for free, x in zip(frees, theta[moving], strict=True)]
    active = list(range(len(best)))
    for _ in range(_TIMES):
        ahead, steps = {}, {}
        for n in active:
            weight = (1.0 + (rows[n] / ROBUST) ** 2) ** -0.25
            step = np.linalg.lstsq(weight[:, None] * bends[n], -weight * rows[n], rcond=1e-6)[0]
            gain = np.sum((weight * rows[n]) ** 2) - np.sum((weight * (rows[n] + bends[n] @ step)) ** 2)
            if gain < _LEVEL or costs[n] - 3.0 * gain > min(costs) + 2.0 * SIDES**2:
                continue
            ahead[n] = best[n].copy()
            ahead[n][moving] = np.clip(best[n][moving] + step / size, low, high)
            steps[n] = (ahead[n][moving] - best[n][moving]) * size
        if not ahead:
            break
        seen = problem.residuals(list(ahead.values()), scales)
        for (n, each), row, cost in zip(ahead.items(), seen, robust_costs(seen), strict=True):
            step = steps[n]
            bends[n] += np.outer(row - rows[n] - bends[n] @ step, step) / max(float(step @ step), 1e-300)
            if cost < costs[n]:
                best[n], rows[n], costs[n] = each, row, cost
        active = list(ahead)
    return best, costs


def robust_costs(rows: Sequence[Array]) -> list[float]:
    """Return robust sums of squares, in units of the noise, of residuals.

    Parameters
    ----------
    rows : sequence of ndarray
        From `Problem.residuals`.
    """
    return [2.0 * ROBUST**2 * float(np.sum(np.sqrt(1.0 + (row / ROBUST) ** 2) - 1.0)) for row in rows]
