"""A measurement evaluated both ways: budget, Monte Carlo, the verdict of one on the other, what is stated.

What is stated is the budget's, unless Monte Carlo finds that its interval does not hold (mostly because one
rectangular component rules: k is then about 1.65 and not 1.96) or there is none: then Monte Carlo's.
"""

import math
from dataclasses import dataclass
from typing import Literal

from shaftloop.analysis.uncertainty.model import Measurement
from shaftloop.analysis.uncertainty.montecarlo import Interval, MonteCarlo, SampledResult, monte_carlo
from shaftloop.analysis.uncertainty.propagation import Budget, Propagation, propagate
from shaftloop.analysis.uncertainty.validation import IntervalVerdict, validate
from shaftloop.errors import ScenarioError

__all__ = ["Evaluation", "Plan", "StatedResult", "evaluate_both"]

_SHARE = 0.2
"""Share of the tolerance within which Monte Carlo must settle to judge a budget (JCGM 101, 8.2)."""


@dataclass(frozen=True)
class Plan:
    """How a measurement is to be evaluated."""

    coverage: float = 0.95
    """Probability of the intervals. [1]"""
    factor: float | None = None
    """Coverage factor of the budget, where it is stated instead. [1]"""
    trials: int | None = None
    """Of Monte Carlo; adaptive where there is none."""
    seed: int = 0
    digits: int = 2
    """Significant digits of an uncertainty that count."""
    interval: Interval = "symmetric"
    alone: bool = False
    """Monte Carlo alone, for a function without derivatives at the best estimates (kink, pole, root)."""


@dataclass(frozen=True)
class StatedResult:
    """The value and interval that are stated for a result."""

    by: Literal["budget", "monte_carlo"]
    value: float
    """[unit]"""
    uncertainty: float
    """Standard uncertainty; infinite with Monte Carlo alone of 2 degrees of freedom or fewer. [unit]"""
    low: float
    """Lower end of the interval. [unit]"""
    high: float
    """Upper end. [unit]"""

    @property
    def expanded(self) -> float:
        """Half the width of the interval [unit]."""
        return 0.5 * (self.high - self.low)

    @property
    def factor(self) -> float | None:
        """Coverage factor: half the width over the standard uncertainty, where it is one above 0 [1]."""
        return self.expanded / self.uncertainty if 0.0 < self.uncertainty < math.inf else None

    @property
    def relative(self) -> float | None:
        """Half the width over the value, nothing where the value is zero but for rounding [1]."""
        return self.expanded / abs(self.value) if abs(self.value) > 1e-9 * self.expanded else None


@dataclass(frozen=True)
class Evaluation:
    """Budget, distributions and verdicts of a measurement."""

    propagation: Propagation | None
    """Nothing where Monte Carlo alone was asked for."""
    sampled: MonteCarlo
    verdicts: tuple[IntervalVerdict, ...]
    """In the order of the results; none without a budget."""
    stated: tuple[StatedResult, ...]
    """In the order of the results."""


def evaluate_both(measurement: Measurement, plan: Plan) -> Evaluation:
    """Return budget, Monte Carlo and verdicts.

    Raises
    ------
    ScenarioError
        Where Monte Carlo alone is asked for with a coverage factor.
    """
    if plan.alone and plan.factor is not None:
        raise ScenarioError(
            [
                f"coverage_factor {plan.factor:g} belongs to a budget, which Monte Carlo alone has not; "
                "state coverage"
            ]
        )
    found = None if plan.alone else propagate(measurement, plan.coverage, plan.factor)
    coverage = plan.coverage if found is None else found.budgets[0].coverage
    sampled = monte_carlo(
        measurement,
        plan.trials,
        coverage=min(coverage, 0.9999),
        interval=plan.interval,
        seed=plan.seed,
        digits=plan.digits,
        share=1.0 if found is None else _SHARE,
    )
    # A t distribution of so few degrees of freedom has no standard deviation.
    endless = any(entry.dof <= 2.0 for entry in measurement.inputs)
    if found is None:
        alone = (_by_sampling(result, math.inf if endless else None) for result in sampled.results)
        return Evaluation(None, sampled, (), tuple(alone))
    verdicts = validate(found, sampled, plan.digits)
    stated = (
        _by_sampling(result, budget.uncertainty if endless else None)
        if plan.factor is None and verdict.settled and not verdict.valid
        else _by_budget(budget)
        for budget, result, verdict in zip(found.budgets, sampled.results, verdicts, strict=True)
    )
    return Evaluation(found, sampled, verdicts, tuple(stated))


def _by_sampling(found: SampledResult, uncertainty: float | None) -> StatedResult:
    spread = found.uncertainty if uncertainty is None else uncertainty
    return StatedResult("monte_carlo", found.mean, spread, found.low, found.high)


def _by_budget(found: Budget) -> StatedResult:
    ends = found.value - found.expanded, found.value + found.expanded
    return StatedResult("budget", found.value, found.uncertainty, *ends)
