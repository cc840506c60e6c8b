"""Output error with the very simulator: values of free parameters from a log, with their spreads.

Robust least squares on what the bench shows, every column in the size of what is left of it. Neighbouring
values of that belong together; the spreads take it into account. Sensitivities are differences of runs side
by side. The last part of the log is kept out of it. Values of whole ticks are stepped to the least cost.
"""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.studies.identification.free import Free
from shaftloop.studies.identification.noise import rests, robust_spread, rounding, whitener
from shaftloop.studies.identification.orders import Order
from shaftloop.studies.identification.problem import (
    ROBUST,
    Known,
    Problem,
    left_over,
    swallowed,
    what_is_known,
)
from shaftloop.studies.identification.replay import Replay
from shaftloop.studies.identification.responses import started
from shaftloop.studies.identification.sliding import CLOCKS, slack, slid
from shaftloop.studies.identification.ticks import hulled, stepped

__all__ = ["Fit", "estimate"]

Array = NDArray[np.float64]

_SCANNED = (-0.7, -0.3, 0.3, 0.7)
"""θ at which a parameter is tried ahead of the first step."""
_POOR = 0.6
"""Fit below which that is done."""
_SLIDES = 3
"""Times that the clock of a log and the values of the bench are found in turn."""


@dataclass(frozen=True)
class Fit(Known):
    """A fit of a bench to a log."""

    measured: tuple[Array, ...]
    """Per compared column, without the orders that were taken out. [unit]"""
    before: tuple[Array, ...]
    """What the bench shows with the values that it started from. [unit]"""
    after: tuple[Array, ...]
    """What it shows with those that were found. [unit]"""
    fitted: tuple[NDArray[np.bool_], ...]
    """Rows that entered; the others were kept out."""
    white: tuple[Array, ...]
    """Residuals made white, of unit size where the model holds; 0 where the past is not known."""
    noise: tuple[float, ...]
    """Robust standard deviation of the residual. [unit]"""
    runs: int
    """Simulations that it took."""
    orders: tuple[Order, ...] = ()
    """That were taken out."""
    swallowed: tuple[str, ...] = ()
    """Paths of which those took with them nearly all that the log tells."""


def estimate(
    replay: Replay,
    frees: Sequence[Free],
    *,
    held_out: float = 0.3,
    orders: Sequence[float] = (),
    speed: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Fit:
    """Find the values of free parameters.

    Parameters
    ----------
    replay : Replay
        The log and the bench.
    frees : sequence of Free
        Free parameters.
    held_out : float
        Share of the log at its end that is kept out.
    orders : sequence of float
        Taken out from the start, periods per turn; strong ones of what is left are found and taken out, too.
    speed : str, optional
        Logged speed or angle of the shaft that the orders belong to, a channel or header; else the first
        speed.
    progress : callable, optional
        Called now and then with the share that is done.

    Raises
    ------
    ScenarioError
        Where nothing that was logged depends on a free parameter, or the log is too short.
    SimulationError
        Where the bench cannot be run with the values that it starts from.
    """
    tell = progress or (lambda share: None)
    problem = Problem(replay, frees, held_out, orders, speed)
    theta = replay.clock_start(frees, np.zeros(len(frees)))
    before = problem.shown([theta])[0]
    _check(problem)
    scales = [max(robust_spread(values), rounding(values)) for values in problem.measured]
    tell(0.1)
    theta = _begun(problem, theta, before, scales)
    tell(0.2)
    theta = _descended(problem, theta, scales, 10)
    if _lines_found(problem, theta):
        theta = _descended(problem, theta, scales, 10)
    tell(0.4)
    scales = left_over(problem, problem.shown([theta])[0], scales)
    theta = stepped(problem, theta, scales)
    _lines_found(problem, theta)
    scales = left_over(problem, problem.shown([theta])[0], scales)
    stay = [*CLOCKS, *(free.path for free in frees if free.kind == "stepped")]
    for turn in range(_SLIDES):
        moved = slid(problem, theta, scales)
        if turn and moved is theta:
            break
        theta = _descended(problem, moved, scales, 6, still=stay)
    shown = _shown_at_last(problem, theta, scales)
    tell(0.8)
    left = problem.left(shown)
    filters = [whitener(*of) for of in zip(left, problem.breaks, problem.fitted, strict=True)]
    known = slack(problem, what_is_known(problem, theta, left, scales), scales)
    known = hulled(problem, known, scales)
    return Fit(
        known.estimates,
        known.covariance,
        known.information,
        tuple(s + values for s, values in zip(shown, left, strict=True)),
        tuple(before),
        tuple(shown),
        tuple(problem.fitted),
        tuple(filters[i](values) for i, values in enumerate(left)),
        tuple(robust_spread(values[c]) for values, c in zip(left, problem.fitted, strict=True)),
        problem.runs,
        problem.orders.taken([m - s for m, s in zip(problem.measured, shown, strict=True)]),
        swallowed(problem, theta, known, scales),
    )


def _shown_at_last(problem: Problem, theta: Array, scales: Sequence[float]) -> list[Array]:
    """Return what the bench shows, the clock slid once more where nothing was fitted.

    Drift that is told to a few ppm is off by a tick's worth there, and a clock is no part of the bench.
    """
    shown = problem.shown([theta])[0]
    aside = copy(problem)
    aside.fitted = [~chosen for chosen in problem.fitted]
    if not aside.rows:
        return shown
    there = problem.shown([slid(aside, theta, scales, alone=True)])[0]
    return [np.where(c, s, t) for c, s, t in zip(problem.fitted, shown, there, strict=True)]


def _lines_found(problem: Problem, theta: Array) -> bool:
    """Take strong order lines out of what is left; whether there were any."""
    shown = problem.shown([theta])[0]
    return problem.orders.find([m - s for m, s in zip(problem.measured, shown, strict=True)], shown)


def _check(problem: Problem) -> None:
    logs, count = problem.replay.logs, len(problem.frees)
    needed = 10 * count + 50
    if problem.rows < needed:
        few = f"{problem.rows} values are too few for {count} free parameters: at least {needed} are needed"
        raise ScenarioError([f"{logs}: {few}"])
    if all(rests(values, values) for values in problem.measured):
        raise ScenarioError([f"{logs}: nothing that is compared moves: there is nothing to find"])


def _begun(problem: Problem, theta: Array, before: Sequence[Array], scales: Sequence[float]) -> Array:
    """Return where to start: as the scenario has it, or as the response says."""
    starts = [theta]
    told = started(problem, theta, before)
    if np.any(told != theta):
        starts.append(problem.replay.clock_start(problem.frees, told))
    found = [_scanned(problem, start, problem.shown([start])[0], scales) for start in starts]
    return min(found, key=lambda start: _cost(problem, problem.shown([start])[0], scales))


def _scanned(problem: Problem, theta: Array, before: Sequence[Array], scales: Sequence[float]) -> Array:
    """Return a better start where that of the scenario is poor: one parameter at a time."""
    cost = _cost(problem, before, scales)
    still = sum(
        float(np.sum(((m - m.mean()) / s)[c] ** 2))
        for m, s, c in zip(problem.measured, scales, problem.fitted, strict=True)
    )
    for _ in range(3):
        if cost < (1.0 - _POOR) ** 2 * still:
            break
        tried = []
        for i, free in enumerate(problem.frees):
            if free.kind != "stepped":
                for x in _SCANNED:
                    tried.append(theta.copy())
                    tried[-1][i] = np.clip(theta[i] + x, free.low, free.high)
        costs = [_cost(problem, shown, scales) for shown in problem.shown_if_run(tried)]
        best = int(np.argmin(costs))
        if costs[best] > 0.95 * cost:
            break
        theta, cost = tried[best], costs[best]
    return theta


def _cost(problem: Problem, shown: Sequence[Array], scales: Sequence[float]) -> float:
    return sum(
        float(np.sum(np.minimum(np.abs(values / scale), 1e6)[chosen] ** 2))
        for values, scale, chosen in zip(problem.left(shown), scales, problem.fitted, strict=True)
    )


def _descended(
    problem: Problem, theta: Array, scales: Sequence[float], most: int, *, still: Sequence[str] = ()
) -> Array:
    """Return θ of least robust squares; without what stays."""
    from scipy.optimize import least_squares

    moving = [i for i, free in enumerate(problem.frees) if free.path not in still]
    if not moving:
        return theta

    def whole(x: Array) -> Array:
        full = theta.copy()
        full[moving] += x
        return full

    # What is held has no slope over time: where a clock is moved, too, its mean over all clocks is fitted.
    smooth = any(problem.frees[i].path in CLOCKS for i in moving)

    def residual(x: Array) -> Array:
        return problem.residuals([whole(x)], scales, smooth)[0]

    def jacobian(x: Array) -> Array:
        return problem.jacobian(whole(x), scales)[:, moving]

    frees = [problem.frees[i] for i in moving]
    reach = np.array([free.reach for free in frees])
    low = np.maximum(-reach, [free.low - theta[i] for free, i in zip(frees, moving, strict=True)])
    high = np.minimum(reach, [free.high - theta[i] for free, i in zip(frees, moving, strict=True)])
    found = least_squares(
        residual,
        np.zeros(len(moving)),
        jac=jacobian,
        bounds=(low, high),
        x_scale="jac",
        loss="soft_l1",
        f_scale=ROBUST,
        ftol=1e-6,
        xtol=1e-5,
        max_nfev=most,
    )
    return whole(found.x)
