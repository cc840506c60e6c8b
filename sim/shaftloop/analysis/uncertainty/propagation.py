"""Uncertainty budget after JCGM 100 (GUM): the law of propagation to first order.

References
----------
.. [1] JCGM 100:2008, clauses 5.1 and 5.2 (propagation, correlation), 6 (expanded uncertainty), annex G
   (effective degrees of freedom).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.uncertainty.derivatives import second_order_variance, slopes
from shaftloop.analysis.uncertainty.model import Measurement
from shaftloop.errors import ScenarioError

__all__ = ["Budget", "Contribution", "Propagation", "coverage_factor", "propagate"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Contribution:
    """What one input brings to the uncertainty of one result."""

    name: str
    """Of the input."""
    estimate: float
    """[unit of the input]"""
    uncertainty: float
    """Standard uncertainty. [unit of the input]"""
    unit: str
    """Of the input."""
    distribution: str
    """Kind."""
    dof: float
    """Degrees of freedom. [1]"""
    sensitivity: float
    """Derivative of the result by the input. [unit of the result per unit of the input]"""
    contribution: float
    """Sensitivity times standard uncertainty, with its sign. [unit of the result]"""
    share: float
    """Of the variance of the result, with its part of the covariances; may then be negative. [1]"""
    meaning: str
    """What it is."""


@dataclass(frozen=True)
class Budget:
    """Uncertainty of one result."""

    name: str
    unit: str
    value: float
    """[unit]"""
    uncertainty: float
    """Combined standard uncertainty. [unit]"""
    dof: float
    """Effective degrees of freedom (Welch and Satterthwaite). [1]"""
    coverage: float
    """Probability of the interval value ± expanded. [1]"""
    factor: float
    """Coverage factor k. [1]"""
    expanded: float
    """Expanded uncertainty. [unit]"""
    second_order: float | None
    """Standard uncertainty with the terms of next order; nothing where inputs are correlated. [unit]"""
    contributions: tuple[Contribution, ...]
    """Largest first; constants are left out."""
    meaning: str = ""

    @property
    def relative(self) -> float | None:
        """Expanded uncertainty over the value, nothing where the value is zero but for rounding [1]."""
        return self.expanded / abs(self.value) if abs(self.value) > 1e-9 * self.expanded else None


@dataclass(frozen=True)
class Propagation:
    """Uncertainties of all results."""

    budgets: tuple[Budget, ...]
    """In the order of the results."""
    correlation: Array
    """Between the results, shape (results, results). [1]"""

    def __getitem__(self, name: str) -> Budget:
        """Return the budget of a result by its name."""
        return next(budget for budget in self.budgets if budget.name == name)


def propagate(measurement: Measurement, coverage: float = 0.95, factor: float | None = None) -> Propagation:
    """Return the uncertainty budget of every result.

    `coverage` is the probability of the expanded uncertainty [1]; a `factor` is taken in its place, whatever
    the degrees of freedom [1].

    Raises
    ------
    ScenarioError
        Where coverage or factor are out of range.
    SimulationError
        Where the function has no value or derivative at the best estimates.
    """
    if factor is not None and not 0.0 < factor <= 10.0:
        raise ScenarioError([f"coverage factor {factor:g} is out of range; allowed: above 0 and at most 10"])
    found = slopes(measurement)
    correlation = measurement.correlation
    covariance = found.contributions @ correlation @ found.contributions.T
    dofs = np.array([entry.dof for entry in measurement.inputs])
    independent = bool(np.all(correlation == np.eye(len(dofs))))
    extra = second_order_variance(measurement) if independent else None
    budgets = []
    for row, output in enumerate(measurement.outputs):
        variance = max(float(covariance[row, row]), 0.0)
        dof = _effective_dof(found.contributions[row], dofs, correlation)
        k = coverage_factor(coverage, dof) if factor is None else factor
        higher = None if extra is None else math.sqrt(max(variance + float(extra[row]), 0.0))
        budgets.append(
            Budget(
                output.name,
                output.unit,
                float(found.values[row]),
                math.sqrt(variance),
                dof,
                coverage if factor is None else _probability(k, dof),
                k,
                k * math.sqrt(variance),
                higher,
                _contributions(measurement, found.contributions[row], correlation),
                output.meaning,
            )
        )
    scale = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scale[scale == 0.0] = 1.0
    return Propagation(tuple(budgets), np.clip(covariance / np.outer(scale, scale), -1.0, 1.0))


def coverage_factor(coverage: float, dof: float) -> float:
    """Return k of a two-sided interval from the t distribution (JCGM 100, G.6.4) [1].

    Degrees of freedom that are not whole are cut to the next lower whole number.
    """
    from scipy.special import ndtri, stdtrit

    if not 0.0 < coverage < 1.0:
        raise ScenarioError(
            [f"coverage {coverage:g} is out of range; allowed: above 0 and below 1, e.g. 0.95"]
        )
    share = 0.5 * (1.0 + coverage)
    # The rounding of dof that are whole by intent, e.g. of two equal contributions, must not cost one.
    return float(ndtri(share) if math.isinf(dof) else stdtrit(math.floor(dof * (1.0 + 1e-9)), share))


def _probability(factor: float, dof: float) -> float:
    from scipy.special import ndtr, stdtr

    return float(2.0 * (ndtr(factor) if math.isinf(dof) else stdtr(math.floor(dof), factor)) - 1.0)


def _effective_dof(contributions: Array, dofs: Array, correlation: Array) -> float:
    """Return the effective degrees of freedom.

    Inputs that correlate count as one, with the lowest of their degrees of freedom: exact for readings taken
    together, cautious for others. The formula of Welch and Satterthwaite knows independent inputs only.
    """
    total, weight = 0.0, 0.0
    for group in _groups(correlation):
        part = contributions[group]
        variance = max(float(part @ correlation[np.ix_(group, group)] @ part), 0.0)
        total += variance
        weight += variance**2 / float(np.min(dofs[group]))
    return total**2 / weight if weight > 0.0 else math.inf


def _groups(correlation: Array) -> list[list[int]]:
    """Return the inputs that hang together, directly or through others."""
    left, groups = set(range(len(correlation))), []
    while left:
        group, waiting = [], [min(left)]
        while waiting:
            i = waiting.pop()
            if i in left:
                left.remove(i)
                group.append(i)
                waiting += [int(j) for j in np.flatnonzero(correlation[i])]
        groups.append(sorted(group))
    return groups


def _contributions(measurement: Measurement, parts: Array, correlation: Array) -> tuple[Contribution, ...]:
    variance = float(parts @ correlation @ parts)
    rows = []
    for i, entry in enumerate(measurement.inputs):
        if not entry.uncertainty:
            continue
        share = float(parts[i] * (correlation[i] @ parts)) / variance if variance > 0.0 else 0.0
        rows.append(
            Contribution(
                entry.name,
                entry.estimate,
                entry.uncertainty,
                entry.unit,
                entry.distribution.kind,
                entry.dof,
                float(parts[i]) / entry.uncertainty,
                float(parts[i]),
                share,
                entry.meaning,
            )
        )
    return tuple(sorted(rows, key=lambda row: -abs(row.contribution)))
