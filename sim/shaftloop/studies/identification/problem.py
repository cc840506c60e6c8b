"""What a log says of free parameters: residuals and sensitivities over them, and the spreads that follow.

Before a fit the same tells what an experiment will be worth.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.studies.identification.free import Free
from shaftloop.studies.identification.noise import robust_spread, rounding, scatter
from shaftloop.studies.identification.orders import Orders
from shaftloop.studies.identification.replay import Replay

__all__ = [
    "PRICE",
    "ROBUST",
    "SIDES",
    "Estimate",
    "Known",
    "Problem",
    "left_over",
    "swallowed",
    "what_is_known",
]

Array = NDArray[np.float64]

PRICE = 1e9
"""Residual of a run that failed."""
ROBUST = 10.0
"""Standard deviations from which a residual counts less."""
_STEP = 5e-3
"""Of θ in a difference: well above what substeps and limits leave of roughness in a run. Whole ticks move by
a record of the run, for what is held between ticks shows no less."""
_MOST_KEPT = 64
"""Runs."""
_ROOM = 200_000_000
"""For their traces. [byte]"""
_LEFT = 0.02
"""Share of what a log tells of a parameter, below which the orders that were taken out took it with them."""
SIDES = 2.100922
"""Of the 95 % of a t distribution with the 18 degrees of freedom of a smoothed spectrum."""


@dataclass(frozen=True)
class Estimate:
    """What was found of a free parameter."""

    free: Free
    theta: float
    spread: float
    """Standard deviation of θ; infinite where the log says nothing."""
    ends: tuple[float, float] | None = None
    """Of the 95 % interval of θ, where it is not symmetric."""

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
        half = SIDES * self.spread
        ends = [self.free.value(end) for end in self.ends or (self.theta - half, self.theta + half)]
        return min(ends), max(ends)

    def between(self, low: float, high: float) -> "Estimate":
        """Return the same with the ends of the 95 % interval of θ, and a spread as wide."""
        return replace(self, spread=(high - low) / (2.0 * SIDES), ends=(low, high))


@dataclass(frozen=True)
class Known:
    """What a log tells of free parameters."""

    estimates: tuple[Estimate, ...]
    covariance: Array
    """Of θ, shape (parameters, parameters); the part of those that the log says nothing of is infinite."""
    information: Array
    """Of the log alone, without priors, shape (parameters, parameters)."""


class Problem:
    """Residuals and sensitivities over θ, each run made once."""

    def __init__(
        self,
        replay: Replay,
        frees: Sequence[Free],
        held_out: float,
        orders: Sequence[float] = (),
        speed: str | None = None,
    ) -> None:
        self.replay, self.frees = replay, list(frees)
        self.measured = [entry.measured for entry in replay.compared]
        first = min(float(entry.time[0]) for entry in replay.compared)
        last = max(float(entry.time[-1]) for entry in replay.compared)
        self.split = last - held_out * (last - first)
        self.fitted = [entry.time <= self.split for entry in replay.compared]
        self.orders = Orders(replay, orders, speed, self.fitted)
        self.breaks = [_breaks(entry.time) for entry in replay.compared]
        self.runs = 0
        self._kept: dict[tuple[float, ...], Simulation] = {}
        self._slopes: tuple[Array, list[Array]] = (np.empty(0), [])

    def shown(self, thetas: Sequence[Array], smooth: Sequence[bool] = ()) -> list[list[Array]]:
        """Return what the bench shows at several θ; runs are made once per value of what they depend on.

        Parameters
        ----------
        smooth : sequence of bool
            Per θ whether it is for a derivative by something that moves in time; else for none.
        """
        return list(self._each(thetas, smooth))

    def _each(self, thetas: Sequence[Array], smooth: Sequence[bool]) -> Iterator[list[Array]]:
        """Yield what `shown` returns, a θ at a time, so that few runs are in memory."""
        keys = [
            tuple(float(x) for x, f in zip(theta, self.frees, strict=True) if f.simulated) for theta in thetas
        ]
        new = [i for i, key in enumerate(keys) if key not in self._kept and keys.index(key) == i]
        fresh = self.replay.runs(self.frees, [thetas[i] for i in new])
        self.runs += len(new)
        for i, (key, theta) in enumerate(zip(keys, thetas, strict=True)):
            run = self._kept.pop(key, None)
            if run is None:
                # One that was kept may have had to go since.
                run = next(fresh if i in new else self.replay.runs(self.frees, [theta]))
            self._kept[key] = run
            while len(self._kept) > _MOST_KEPT or sum(map(_size, self._kept.values())) > _ROOM:
                del self._kept[next(iter(self._kept))]
            yield self.replay.seen(run, self.frees, theta, bool(smooth) and smooth[i])

    def left(self, shown: Sequence[Array]) -> list[Array]:
        """Return what the bench leaves of every column beside the orders that are taken out."""
        return [
            self.orders.without(i, m - s) for i, (m, s) in enumerate(zip(self.measured, shown, strict=True))
        ]

    def shown_if_run(self, thetas: Sequence[Array], smooth: bool = False) -> list[list[Array]]:
        """Return `shown`, far off where a run fails."""
        try:
            return self.shown(thetas, [smooth] * len(thetas))
        except (SimulationError, ScenarioError):
            if len(thetas) > 1:
                return [self.shown_if_run([theta], smooth)[0] for theta in thetas]
            return [[np.full(len(values), PRICE) for values in self.measured]]

    def residuals(
        self, thetas: Sequence[Array], scales: Sequence[float], smooth: bool = False
    ) -> list[Array]:
        """Return per θ the residual of the fitted rows, in their scales, then the priors."""
        found = []
        for theta, shown in zip(thetas, self.shown_if_run(thetas, smooth), strict=True):
            left = self.left(shown)
            parts = [values[c] / scale for values, c, scale in zip(left, self.fitted, scales, strict=True)]
            found.append(np.concatenate([*parts, [theta[i] / prior for i, prior in self._priors()]]))
        return found

    @property
    def rows(self) -> int:
        """Rows that are fitted."""
        return int(sum(chosen.sum() for chosen in self.fitted))

    def slopes(self, theta: Array) -> list[Array]:
        """Return the derivative of what the bench shows, per compared column, shape (rows, parameters)."""
        known, slopes = self._slopes
        if np.array_equal(known, theta):
            return slopes
        moved, widths = [], []
        for i, free in enumerate(self.frees):
            step = _STEP if free.kind != "stepped" else 1.0 / float(self.replay.rate) / free.scale
            ends = [float(np.clip(theta[i] + side, free.low, free.high)) for side in (-step, step)]
            widths.append(ends[1] - ends[0])
            for end in ends:
                moved.append(theta.copy())
                moved[-1][i] = end
        shown = self._each(moved, [free.in_time for free in self.frees for _ in range(2)])
        slopes = [np.empty((len(values), len(widths))) for values in self.measured]
        for i, width in enumerate(widths):
            low = next(shown)
            for slope, before, after in zip(slopes, low, next(shown), strict=True):
                slope[:, i] = (after - before) / width
        self._slopes = theta.copy(), slopes
        return slopes

    def jacobian(self, theta: Array, scales: Sequence[float]) -> Array:
        """Return the derivative of `residual`."""
        slopes = [self.orders.without(i, values) for i, values in enumerate(self.slopes(theta))]
        parts = [-s[c] / scale for s, c, scale in zip(slopes, self.fitted, scales, strict=True)]
        priors = np.zeros((len(self._priors()), len(theta)))
        for row, (i, prior) in enumerate(self._priors()):
            priors[row, i] = 1.0 / prior
        return np.concatenate([*parts, priors])

    def _priors(self) -> list[tuple[int, float]]:
        return [(i, free.prior) for i, free in enumerate(self.frees) if free.prior is not None]


def left_over(problem: Problem, shown: Sequence[Array], scales: Sequence[float]) -> list[float]:
    """Return the size of what is left of every column, at least rounding and a millionth of its own.

    Parameters
    ----------
    shown : sequence of ndarray
        What the bench shows, from `Problem.shown`. [unit]
    scales : sequence of float
        Sizes of the columns. [unit]
    """
    return [
        max(robust_spread(values[c]), 1e-6 * scale, rounding(m))
        for m, values, c, scale in zip(
            problem.measured, problem.left(shown), problem.fitted, scales, strict=True
        )
    ]


def what_is_known(problem: Problem, theta: Array, left: Sequence[Array], scales: Sequence[float]) -> Known:
    """Return what the fitted rows tell of the parameters.

    Parameters
    ----------
    theta : ndarray, shape (parameters,)
        Where they are.
    left : sequence of ndarray
        What the bench leaves of every column there, from `Problem.left`. [unit]
    scales : sequence of float
        From `left_over`. [unit]

    Raises
    ------
    ScenarioError
        Where nothing depends on a parameter.
    """
    frees, chosen = problem.frees, problem.fitted
    slopes = [
        problem.orders.without(i, values / scale)
        for i, (values, scale) in enumerate(zip(problem.slopes(theta), scales, strict=True))
    ]
    information = np.sum([s[c].T @ s[c] for s, c in zip(slopes, chosen, strict=True)], axis=0)
    if not np.any(np.diag(information) > 0.0):
        paths = ", ".join(free.path for free in frees)
        raise ScenarioError(
            [
                f"{problem.replay.logs}: nothing that was logged depends on {paths}: log what does, or "
                "excite it"
            ]
        )
    scattered = scatter(
        [(values / scale)[c] for values, scale, c in zip(left, scales, chosen, strict=True)],
        [values[c] for values, c in zip(slopes, chosen, strict=True)],
        [entry.time[c] for entry, c in zip(problem.replay.compared, chosen, strict=True)],
        [entry.label for entry in problem.replay.compared],
        information + _prior_information(frees),
    )
    covariance = _covariance(information, scattered, frees)
    estimates = tuple(
        Estimate(free, float(x), float(np.sqrt(covariance[i, i])))
        for i, (free, x) in enumerate(zip(frees, theta, strict=True))
    )
    return Known(estimates, covariance, information)


def swallowed(problem: Problem, theta: Array, known: Known, scales: Sequence[float]) -> tuple[str, ...]:
    """Return the paths of which the orders that were taken out took nearly all that the log tells.

    Parameters
    ----------
    theta : ndarray, shape (parameters,)
        Where they are.
    known : Known
        From `what_is_known`.
    scales : sequence of float
        From `left_over`. [unit]
    """
    whole = sum(
        np.sum((values[c] / scale) ** 2, axis=0)
        for values, c, scale in zip(problem.slopes(theta), problem.fitted, scales, strict=True)
    )
    gone = np.diag(known.information) < _LEFT * whole
    return tuple(free.path for free, lost in zip(problem.frees, gone, strict=True) if lost)


def _size(run: Simulation) -> int:
    return sum(trace.nbytes for trace in run.traces.values())


def _breaks(time: Array) -> NDArray[np.int64]:
    """Return where stretches without a gap begin."""
    steps = np.diff(time)
    return np.concatenate(([0], np.flatnonzero(steps > 1.5 * np.median(steps)) + 1))


def _prior_information(frees: Sequence[Free]) -> Array:
    return np.diag([0.0 if free.prior is None else free.prior**-2 for free in frees])


def _covariance(information: Array, scatter: Array, frees: Sequence[Free]) -> Array:
    """Return the covariance of θ, priors taken in; infinite where nothing is known.

    The information is that of a white residual of unit size, the scatter that of the residual as it is.
    """
    priors = _prior_information(frees)
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
