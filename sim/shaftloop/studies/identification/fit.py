"""Output error with the very simulator: values of free parameters from a log, with their spreads.

Robust least squares on what the bench shows, every column in the size of what is left of it. Neighbouring
values of that belong together; the spreads take it into account. Sensitivities are differences of runs side
by side. The last part of the log is kept out of it. Values of whole ticks are stepped to the least cost.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.studies.identification.free import Free
from shaftloop.studies.identification.noise import rests, robust_spread, rounding, scatter, whitener
from shaftloop.studies.identification.replay import Replay

__all__ = ["Estimate", "Fit", "estimate"]

Array = NDArray[np.float64]

_STEP = 5e-3
"""Of θ in a difference: well above what substeps and limits leave of roughness in a run."""
_ROBUST = 10.0
"""Standard deviations from which a residual counts less."""
_SCANNED = (-0.7, -0.3, 0.3, 0.7)
"""θ at which a parameter is tried ahead of the first step."""
_POOR = 0.6
"""Fit below which that is done."""
_GRID = 9
_PRICE = 1e9
"""Residual of a run that failed."""
_SIDES = 2.100922
"""Of the 95 % of a t distribution with the 18 degrees of freedom of a smoothed spectrum."""


@dataclass(frozen=True)
class Estimate:
    """What was found of a free parameter."""

    free: Free
    theta: float
    spread: float
    """Standard deviation of θ; infinite where the log says nothing."""

    @property
    def value(self) -> float:
        """Return the value [unit]."""
        return self.free.value(self.theta)

    @property
    def deviation(self) -> float:
        """Return the standard deviation of the value [unit]."""
        return abs(self.free.slope(self.theta)) * self.spread

    @property
    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval [unit]."""
        if not np.isfinite(self.spread):
            return -np.inf, np.inf
        ends = [self.free.value(self.theta + side * _SIDES * self.spread) for side in (-1.0, 1.0)]
        return min(ends), max(ends)


@dataclass(frozen=True)
class Fit:
    """A fit of a bench to a log."""

    estimates: tuple[Estimate, ...]
    covariance: Array
    """Of θ, shape (parameters, parameters); the part of those that the log says nothing of is infinite."""
    information: Array
    """Of the log alone, without priors, shape (parameters, parameters)."""
    measured: tuple[Array, ...]
    """Per compared column. [unit]"""
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


class _Problem:
    """Residuals and sensitivities over θ, each run made once."""

    def __init__(self, replay: Replay, frees: Sequence[Free], held_out: float) -> None:
        self.replay, self.frees = replay, list(frees)
        self.measured = [entry.measured for entry in replay.compared]
        first = min(float(entry.time[0]) for entry in replay.compared)
        last = max(float(entry.time[-1]) for entry in replay.compared)
        self.split = last - held_out * (last - first)
        self.fitted = [entry.time <= self.split for entry in replay.compared]
        self.breaks = [_breaks(entry.time) for entry in replay.compared]
        self.runs = 0
        self._kept: dict[tuple[float, ...], Simulation] = {}

    def shown(self, thetas: Sequence[Array]) -> list[list[Array]]:
        """Return what the bench shows at several θ; runs are made once per value of what they depend on."""
        keys = [
            tuple(float(x) for x, f in zip(theta, self.frees, strict=True) if f.simulated) for theta in thetas
        ]
        new = [i for i, key in enumerate(keys) if key not in self._kept and keys.index(key) == i]
        if new:
            if len(self._kept) > 64:
                self._kept.clear()
                return self.shown(thetas)
            for i, run in zip(new, self.replay.runs(self.frees, [thetas[i] for i in new]), strict=True):
                self._kept[keys[i]] = run
            self.runs += len(new)
        return [
            self.replay.seen(self._kept[key], self.frees, theta)
            for key, theta in zip(keys, thetas, strict=True)
        ]

    def residual(self, theta: Array, scales: Sequence[float]) -> Array:
        """Return the residual of the fitted rows, in their scales, then the priors."""
        try:
            shown = self.shown([theta])[0]
        except (SimulationError, ScenarioError):
            return np.full(self.rows + len(self._priors()), _PRICE)
        parts = [
            (m - s)[c] / scale
            for m, s, c, scale in zip(self.measured, shown, self.fitted, scales, strict=True)
        ]
        return np.concatenate([*parts, [theta[i] / prior for i, prior in self._priors()]])

    @property
    def rows(self) -> int:
        """Rows that are fitted."""
        return int(sum(chosen.sum() for chosen in self.fitted))

    def slopes(self, theta: Array) -> list[Array]:
        """Return the derivative of what the bench shows, per compared column, shape (rows, parameters)."""
        moved = []
        for i in range(len(self.frees)):
            for side in (-_STEP, _STEP):
                moved.append(theta.copy())
                moved[-1][i] += side
        shown = self.shown(moved)
        return [
            np.column_stack(
                [
                    (high[k] - low[k]) / (2.0 * _STEP)
                    for low, high in zip(shown[::2], shown[1::2], strict=True)
                ]
            )
            for k in range(len(self.measured))
        ]

    def jacobian(self, theta: Array, scales: Sequence[float]) -> Array:
        """Return the derivative of `residual`."""
        parts = [-s[c] / scale for s, c, scale in zip(self.slopes(theta), self.fitted, scales, strict=True)]
        priors = np.zeros((len(self._priors()), len(theta)))
        for row, (i, prior) in enumerate(self._priors()):
            priors[row, i] = 1.0 / prior
        return np.concatenate([*parts, priors])

    def _priors(self) -> list[tuple[int, float]]:
        return [(i, free.prior) for i, free in enumerate(self.frees) if free.prior is not None]


def estimate(
    replay: Replay,
    frees: Sequence[Free],
    *,
    held_out: float = 0.3,
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
    problem = _Problem(replay, frees, held_out)
    theta = replay.clock_start(frees)
    before = problem.shown([theta])[0]
    _check(problem)
    scales = [max(robust_spread(values), rounding(values)) for values in problem.measured]
    tell(0.1)
    theta = _scanned(problem, theta, before, scales)
    tell(0.2)
    theta = _stepped(problem, theta, scales, (1.0, 0.25))
    theta = _descended(problem, theta, scales, 8)
    tell(0.6)
    shown = problem.shown([theta])[0]
    scales = _left_over(problem, shown, scales)
    theta = _stepped(problem, theta, scales, (0.1, 0.025))
    theta = _descended(problem, theta, scales, 6)
    shown = problem.shown([theta])[0]
    tell(0.9)
    left = [m - s for m, s in zip(problem.measured, shown, strict=True)]
    filters = [whitener(*of) for of in zip(left, problem.breaks, problem.fitted, strict=True)]
    slopes = [values / scale for values, scale in zip(problem.slopes(theta), scales, strict=True)]
    information = np.sum([s[c].T @ s[c] for s, c in zip(slopes, problem.fitted, strict=True)], axis=0)
    if not np.any(np.diag(information) > 0.0):
        paths = ", ".join(free.path for free in frees)
        raise ScenarioError(
            [f"{replay.logs}: nothing that was logged depends on {paths}: log what does, or excite it"]
        )
    chosen = problem.fitted
    scattered = scatter(
        [(values / scale)[c] for values, scale, c in zip(left, scales, chosen, strict=True)],
        [values[c] for values, c in zip(slopes, chosen, strict=True)],
        [entry.time[c] for entry, c in zip(replay.compared, chosen, strict=True)],
        [entry.label for entry in replay.compared],
    )
    covariance = _covariance(information, scattered, frees)
    estimates = tuple(
        Estimate(free, float(x), float(np.sqrt(covariance[i, i])))
        for i, (free, x) in enumerate(zip(frees, theta, strict=True))
    )
    return Fit(
        estimates,
        covariance,
        information,
        tuple(problem.measured),
        tuple(before),
        tuple(shown),
        tuple(problem.fitted),
        tuple(filters[i](values) for i, values in enumerate(left)),
        tuple(robust_spread(values[chosen]) for values, chosen in zip(left, problem.fitted, strict=True)),
        problem.runs,
    )


def _breaks(time: Array) -> NDArray[np.int64]:
    """Return where stretches without a gap begin."""
    steps = np.diff(time)
    return np.concatenate(([0], np.flatnonzero(steps > 1.5 * np.median(steps)) + 1))


def _check(problem: _Problem) -> None:
    logs, count = problem.replay.logs, len(problem.frees)
    needed = 10 * count + 50
    if problem.rows < needed:
        few = f"{problem.rows} values are too few for {count} free parameters: at least {needed} are needed"
        raise ScenarioError([f"{logs}: {few}"])
    if all(rests(values, values) for values in problem.measured):
        raise ScenarioError([f"{logs}: nothing that is compared moves: there is nothing to find"])


def _scanned(problem: _Problem, theta: Array, before: Sequence[Array], scales: Sequence[float]) -> Array:
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
                    tried[-1][i] += x
        costs = [_cost(problem, shown, scales) for shown in _each(problem, tried)]
        best = int(np.argmin(costs))
        if costs[best] > 0.95 * cost:
            break
        theta, cost = tried[best], costs[best]
    return theta


def _each(problem: _Problem, thetas: Sequence[Array]) -> list[list[Array]]:
    """Return what the bench shows at several θ, far off where a run fails."""
    try:
        return problem.shown(thetas)
    except SimulationError:
        found = []
        for theta in thetas:
            try:
                found += problem.shown([theta])
            except SimulationError:
                found.append([np.full(len(values), _PRICE) for values in problem.measured])
        return found


def _cost(problem: _Problem, shown: Sequence[Array], scales: Sequence[float]) -> float:
    return sum(
        float(np.sum(np.minimum(np.abs((m - s) / scale), 1e6)[chosen] ** 2))
        for m, s, scale, chosen in zip(problem.measured, shown, scales, problem.fitted, strict=True)
    )


def _stepped(problem: _Problem, theta: Array, scales: Sequence[float], widths: tuple[float, ...]) -> Array:
    """Return θ with every value of whole ticks stepped to the one of least cost, ever finer."""
    for width in widths:
        for i, free in enumerate(problem.frees):
            if free.kind != "stepped":
                continue
            tried = []
            for x in np.linspace(-width, width, _GRID):
                moved = theta.copy()
                moved[i] = max(theta[i] + x, -free.start / free.scale)
                tried.append(moved)
            costs = [_cost(problem, shown, scales) for shown in _each(problem, tried)]
            theta = tried[int(np.argmin(costs))]
    return theta


def _descended(problem: _Problem, theta: Array, scales: Sequence[float], most: int) -> Array:
    """Return θ of least robust squares; what is stepped stays."""
    from scipy.optimize import least_squares

    moving = [i for i, free in enumerate(problem.frees) if free.kind != "stepped"]
    if not moving:
        return theta

    def whole(x: Array) -> Array:
        full = theta.copy()
        full[moving] = x
        return full

    def residual(x: Array) -> Array:
        return problem.residual(whole(x), scales)

    def jacobian(x: Array) -> Array:
        return problem.jacobian(whole(x), scales)[:, moving]

    found = least_squares(
        residual,
        theta[moving],
        jac=jacobian,
        bounds=(
            [theta[i] - _reach(problem.frees[i]) for i in moving],
            [theta[i] + _reach(problem.frees[i]) for i in moving],
        ),
        loss="soft_l1",
        f_scale=_ROBUST,
        ftol=1e-6,
        xtol=1e-5,
        max_nfev=most,
    )
    return whole(found.x)


def _reach(free: Free) -> float:
    """Return how far a parameter may go in one descent: a scaled one by a factor of 20."""
    return 3.0 if free.kind == "scaled" else 1e6


def _left_over(problem: _Problem, shown: Sequence[Array], scales: Sequence[float]) -> list[float]:
    """Return the size of what is left of every column, at least rounding and a millionth of its own."""
    return [
        max(robust_spread((m - s)[c]), 1e-6 * scale, rounding(m))
        for m, s, c, scale in zip(problem.measured, shown, problem.fitted, scales, strict=True)
    ]


def _covariance(information: Array, scatter: Array, frees: Sequence[Free]) -> Array:
    """Return the covariance of θ, priors taken in; infinite where nothing is known.

    The information is that of a white residual of unit size, the scatter that of the residual as it is.
    """
    priors = np.diag([0.0 if f.prior is None else f.prior**-2 for f in frees])
    known = information + priors
    size = np.sqrt(np.diag(known))
    blind = size <= 0.0
    size[blind] = 1.0
    values, vectors = np.linalg.eigh(known / np.outer(size, size))
    inverse = (vectors / np.maximum(values, 1e-12)) @ vectors.T / np.outer(size, size)
    covariance = np.asarray(inverse @ (scatter + priors) @ inverse)
    covariance[blind, :], covariance[:, blind] = 0.0, 0.0
    covariance[blind, blind] = np.inf
    return covariance
