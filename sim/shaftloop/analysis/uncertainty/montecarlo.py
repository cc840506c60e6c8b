"""Propagation of distributions by Monte Carlo after JCGM 101, with a fixed or an adaptive number of trials.

Trials are drawn in stretches of 10,000. Each has its own counter range of the Philox generator, named by seed
and number of the stretch, so the values of a trial depend on nothing else: not on how many trials there are,
nor on how they are grouped.

References
----------
.. [1] JCGM 101:2008, clauses 7.5 to 7.7 (propagation and summary), 7.9 (adaptive procedure).
.. [2] JCGM 102:2011, 5.3.2 (joint t distribution of readings taken together).
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.uncertainty.distributions import Constant
from shaftloop.analysis.uncertainty.model import Measurement
from shaftloop.errors import ScenarioError, SimulationError

__all__ = ["Interval", "MonteCarlo", "SampledResult", "monte_carlo", "tolerance"]

Array = NDArray[np.float64]
Interval = Literal["symmetric", "shortest"]

_STRETCH = 10_000
_ROUNDING = 1e-12
"""Share of a result below which its standard deviation is rounding."""
MOST_TRIALS = 20_000_000
"""Largest number of trials: 160 MB per result."""


@dataclass(frozen=True)
class SampledResult:
    """Distribution of one result."""

    name: str
    unit: str
    mean: float
    """[unit]"""
    uncertainty: float
    """Standard deviation. [unit]"""
    low: float
    """Lower end of the coverage interval. [unit]"""
    high: float
    """Upper end. [unit]"""
    errors: tuple[float, ...] | None
    """Standard deviation of mean, uncertainty, low and high by sampling; nothing with one block. [unit]"""
    tolerance: float
    """Numerical tolerance of the uncertainty in the stated number of digits. [unit]"""
    values: Array
    """All trials, shape (trials,), sorted. [unit]"""
    meaning: str = ""


@dataclass(frozen=True)
class MonteCarlo:
    """Distributions of all results."""

    results: tuple[SampledResult, ...]
    trials: int
    stable: bool
    """True where all figures have settled within their tolerance, as the adaptive procedure asks."""
    coverage: float
    """Probability of the intervals. [1]"""
    interval: Interval
    """Probabilistically symmetric, or shortest."""
    seed: int
    correlation: Array
    """Between the results, shape (results, results). [1]"""

    def __getitem__(self, name: str) -> SampledResult:
        """Return a result by its name."""
        return next(result for result in self.results if result.name == name)


def monte_carlo(
    measurement: Measurement,
    trials: int | None = None,
    *,
    coverage: float = 0.95,
    interval: Interval = "symmetric",
    seed: int = 0,
    digits: int = 2,
    share: float = 1.0,
    most: int = 2_000_000,
) -> MonteCarlo:
    """Propagate the distributions of the inputs.

    Parameters
    ----------
    trials : int, optional
        Fixed number; where left out it grows until the figures are stable (JCGM 101, 7.9).
    coverage : float
        Probability of the intervals. [1]
    interval : {"symmetric", "shortest"}
        Which interval of that probability.
    seed : int
        Of the generator.
    digits : int
        Significant digits of the standard uncertainty that count.
    share : float
        Share of the tolerance of these digits within which the figures must settle; 1/5 where they are to
        judge a first-order budget. [1]
    most : int
        Trials after which the adaptive procedure gives up.

    Raises
    ------
    ScenarioError
        Where an argument is out of range.
    SimulationError
        Where the function has no value at some of the trials.
    """
    _check(trials, coverage, digits, most)
    block = _STRETCH * math.ceil(max(_STRETCH, 100.0 / (1.0 - coverage)) / _STRETCH)
    draw = _Draws(measurement, seed)
    count = block if trials is None else trials
    parts = (
        [draw(0, count)]
        if trials is None
        else [draw(k, min(block, count - k)) for k in range(0, count, block)]
    )
    summaries = [_summary(part, coverage, interval) for part in parts if part.shape[1] == block]
    while trials is None:
        if len(parts) > 1:
            errors = np.std(summaries, axis=0, ddof=1) / math.sqrt(len(parts))
            wanted = _tolerances(summaries, block, digits) * share
            if np.all(2.0 * errors <= wanted[:, None]) or count + block > most:
                break
        parts.append(draw(count, block))
        summaries.append(_summary(parts[-1], coverage, interval))
        count += block
    values = np.concatenate(parts, axis=1)
    errors = np.std(summaries, axis=0, ddof=1) / math.sqrt(len(summaries)) if len(summaries) > 1 else None
    correlation = _correlation(values)
    figures = _summary(values, coverage, interval)
    deltas = np.array([tolerance(float(figure), digits) for figure in figures[:, 1]])
    stable = errors is not None and bool(np.all(2.0 * errors <= (deltas * share)[:, None]))
    values.sort(axis=1)
    results = []
    for row, output in enumerate(measurement.outputs):
        mean, uncertainty, low, high = (float(figure) for figure in figures[row])
        spread = None if errors is None else tuple(errors[row].tolist())
        delta = float(deltas[row])
        results.append(
            SampledResult(
                *(output.name, output.unit, mean, uncertainty, low, high, spread, delta, values[row]),
                output.meaning,
            )
        )
    return MonteCarlo(tuple(results), count, stable, coverage, interval, seed, correlation)


def tolerance(uncertainty: float, digits: int = 2) -> float:
    """Return the numerical tolerance δ of an uncertainty (JCGM 101, 7.9.2): half a unit of its last digit."""
    if uncertainty <= 0.0 or not math.isfinite(uncertainty):
        return 0.0
    # Rounding may carry into the next power of ten: 9.97 with two digits is 10, that is 1.0e1.
    exponent = int(f"{uncertainty:.{digits - 1}e}".partition("e")[2])
    return 0.5 * 10.0 ** (exponent - digits + 1)


def _check(trials: int | None, coverage: float, digits: int, most: int) -> None:
    for name, count in (("trials", trials), ("most", most)):
        if count is not None and not 2 <= count <= MOST_TRIALS:
            raise ScenarioError([f"{name} {count} is out of range; allowed: 2 to {MOST_TRIALS}"])
    if not 0.0 < coverage <= 0.9999:
        raise ScenarioError([f"coverage {coverage:g} is out of range; allowed: above 0 and at most 0.9999"])
    if not 1 <= digits <= 4:
        raise ScenarioError([f"digits {digits} is out of range; allowed: 1 to 4"])


class _Draws:
    """Draws values of the inputs and evaluates the function."""

    def __init__(self, measurement: Measurement, seed: int) -> None:
        self.measurement = measurement
        self.seed = seed
        self.shapes = [entry.drawn for entry in measurement.inputs]
        matrix = measurement.correlation
        self.linked = np.flatnonzero(np.any(matrix != np.eye(len(matrix)), axis=1))
        self.root = _root(matrix[np.ix_(self.linked, self.linked)])
        self.shared = self._shared(matrix)

    def _shared(self, matrix: Array) -> list[int]:
        """Return for every input which input's second random number it takes: linked t inputs share one."""
        owner = list(range(len(self.shapes)))
        for i, shape in enumerate(self.shapes):
            for j in range(i):
                other = self.shapes[j]
                if shape.extra == other.extra == "chi_square" and matrix[i, j] and shape.dof == other.dof:
                    owner[i] = owner[j]
                    break
        return owner

    def __call__(self, first: int, count: int) -> Array:
        stretches = range(first // _STRETCH, -(-(first + count) // _STRETCH))
        found = [self._stretch(number) for number in stretches]
        offset = first - stretches[0] * _STRETCH
        return np.concatenate(found, axis=1)[:, offset : offset + count]

    def _stretch(self, number: int) -> Array:
        generator = np.random.Generator(np.random.Philox(key=self.seed, counter=[0, 0, 0, number]))
        scores = generator.standard_normal((len(self.shapes), _STRETCH))
        if len(self.linked):
            scores[self.linked] = self.root @ scores[self.linked]
        extras: list[Array | None] = []
        for i, shape in enumerate(self.shapes):
            if self.shared[i] != i:
                extras.append(extras[self.shared[i]])
            elif shape.extra == "chi_square":
                extras.append(generator.chisquare(shape.dof, _STRETCH) / shape.dof)
            else:
                extras.append(generator.random(_STRETCH) if shape.extra else None)
        values = np.empty_like(scores)  # Of no rows where nothing is uncertain.
        for row, shape, score, extra in zip(values, self.shapes, scores, extras, strict=True):
            row[:] = shape.values(score, extra)
        results = self.measurement.evaluate(values)
        bad = np.argwhere(~np.isfinite(results))
        if len(bad):
            row, column = (int(index) for index in bad[0])
            at = ", ".join(
                f"{entry.name} = {value:.6g} {entry.unit}"
                for entry, value in zip(self.measurement.inputs, values[:, column], strict=True)
                if not isinstance(entry.distribution, Constant)
            )
            raise SimulationError(
                f"{self.measurement.outputs[row].name} has no value at {at}",
                "a distribution reaches where the function does not exist; choose one with limits",
            )
        return results


def _root(matrix: Array) -> Array:
    """Return L with L·Lᵀ = matrix: by Cholesky, or by eigenvectors where the matrix is singular."""
    try:
        return np.asarray(np.linalg.cholesky(matrix), np.float64)
    except np.linalg.LinAlgError:
        lengths, vectors = np.linalg.eigh(matrix)
        return np.asarray(vectors * np.sqrt(np.maximum(lengths, 0.0)), np.float64)


def _summary(values: Array, coverage: float, interval: Interval) -> Array:
    """Return mean, standard deviation, low and high of every result, shape (results, 4)."""
    rows = []
    for row in values:
        ordered = np.sort(row)
        low, high = _ends(ordered, coverage, interval)
        rows.append((ordered.mean(), ordered.std(ddof=1), low, high))
    return np.array(rows)


def _ends(ordered: Array, coverage: float, interval: Interval) -> tuple[float, float]:
    """Return the ends of the coverage interval of sorted values (JCGM 101, 7.7)."""
    count = len(ordered)
    inside = min(int(coverage * count + 0.5), count - 1)
    if interval == "shortest":
        first = int(np.argmin(ordered[inside:] - ordered[: count - inside]))
    else:
        first = max((count - inside + 1) // 2 - 1, 0)
    return float(ordered[first]), float(ordered[first + inside])


def _tolerances(summaries: list[Array], block: int, digits: int) -> Array:
    """Return the numerical tolerance of every result, over all blocks so far."""
    rows = np.array(summaries)
    means, spreads = rows[:, :, 0], rows[:, :, 1]
    inside = (block - 1) * np.sum(spreads**2, axis=0)
    between = block * np.sum((means - means.mean(axis=0)) ** 2, axis=0)
    variances = (inside + between) / (len(rows) * block - 1)
    return np.array([tolerance(math.sqrt(variance), digits) for variance in variances])


def _correlation(values: Array) -> Array:
    """Return the correlations of results by their trials; one that scatters by rounding alone has none."""
    found = np.eye(len(values))
    scatters = np.flatnonzero(values.std(axis=1) > _ROUNDING * np.abs(values).max(axis=1))
    if scatters.size:
        found[np.ix_(scatters, scatters)] = np.corrcoef(values[scatters])
    return found
