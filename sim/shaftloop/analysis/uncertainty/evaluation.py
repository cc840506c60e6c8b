"""A measurement evaluated both ways: budget, Monte Carlo, and the verdict of one on the other."""

from dataclasses import dataclass

from shaftloop.analysis.uncertainty.model import Measurement
from shaftloop.analysis.uncertainty.montecarlo import Interval, MonteCarlo, monte_carlo
from shaftloop.analysis.uncertainty.propagation import Propagation, propagate
from shaftloop.analysis.uncertainty.validation import Verdict, validate

__all__ = ["Evaluation", "Plan", "evaluate_both"]

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


@dataclass(frozen=True)
class Evaluation:
    """Budget, distributions and verdicts of a measurement."""

    propagation: Propagation
    sampled: MonteCarlo
    verdicts: tuple[Verdict, ...]
    """In the order of the results."""


def evaluate_both(measurement: Measurement, plan: Plan) -> Evaluation:
    """Return budget, Monte Carlo and verdicts.

    Parameters
    ----------
    measurement : Measurement
        Function and inputs.
    plan : Plan
        Coverage, trials and the like.
    """
    found = propagate(measurement, plan.coverage, plan.factor)
    sampled = monte_carlo(
        measurement,
        plan.trials,
        coverage=min(found.budgets[0].coverage, 0.9999),
        interval=plan.interval,
        seed=plan.seed,
        digits=plan.digits,
        share=_SHARE,
    )
    return Evaluation(found, sampled, validate(found, sampled, plan.digits))
