"""Whether the first-order budget is valid, judged by Monte Carlo (JCGM 101, clause 8)."""

from dataclasses import dataclass

from shaftloop.analysis.uncertainty.montecarlo import MonteCarlo, tolerance
from shaftloop.analysis.uncertainty.propagation import Propagation

__all__ = ["Verdict", "validate"]


@dataclass(frozen=True)
class Verdict:
    """Comparison of both intervals of one result."""

    name: str
    unit: str
    low: float
    """Distance of the lower ends. [unit]"""
    high: float
    """Distance of the upper ends. [unit]"""
    tolerance: float
    """Half a unit of the last digit that counts in the standard uncertainty of the budget. [unit]"""
    valid: bool
    """True where neither distance exceeds the tolerance."""
    settled: bool
    """True where the sampling error of the Monte Carlo ends is small enough to tell."""


def validate(propagation: Propagation, sampled: MonteCarlo, digits: int = 2) -> tuple[Verdict, ...]:
    """Return the verdict on the budget of every result.

    Parameters
    ----------
    propagation : Propagation
        First-order budget, with the coverage of `sampled`.
    sampled : MonteCarlo
        Best with ``share=0.2``, so that sampling does not blur the comparison.
    digits : int
        Significant digits of the standard uncertainty that count.
    """
    verdicts = []
    for budget, result in zip(propagation.budgets, sampled.results, strict=True):
        low = abs(budget.value - budget.expanded - result.low)
        high = abs(budget.value + budget.expanded - result.high)
        delta = tolerance(budget.uncertainty, digits)
        errors = result.errors
        settled = errors is not None and 2.0 * max(errors[2], errors[3]) <= 0.2 * delta
        verdicts.append(Verdict(budget.name, budget.unit, low, high, delta, max(low, high) <= delta, settled))
    return tuple(verdicts)
