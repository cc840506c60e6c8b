"""Whether the first-order budget is valid, judged by Monte Carlo (JCGM 101, clause 8)."""

from dataclasses import dataclass

from shaftloop.analysis.uncertainty.montecarlo import MonteCarlo, tolerance
from shaftloop.analysis.uncertainty.propagation import Propagation

__all__ = ["IntervalVerdict", "validate"]


@dataclass(frozen=True)
class IntervalVerdict:
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
    """True where the sampling error of the Monte Carlo ends, taken twice, cannot turn the verdict."""


def validate(propagation: Propagation, sampled: MonteCarlo, digits: int = 2) -> tuple[IntervalVerdict, ...]:
    """Return the verdict on the first-order budget of every result, by Monte Carlo of the same coverage.

    Best with ``share=0.2``, so that sampling does not blur the comparison; so many digits of the standard
    uncertainty count.
    """
    verdicts = []
    for budget, result in zip(propagation.budgets, sampled.results, strict=True):
        low = abs(budget.value - budget.expanded - result.low)
        high = abs(budget.value + budget.expanded - result.high)
        delta = tolerance(budget.uncertainty, digits)
        verdicts.append(
            IntervalVerdict(
                budget.name,
                budget.unit,
                low,
                high,
                delta,
                max(low, high) <= delta,
                _settled((low, high), delta, result.errors),
            )
        )
    return tuple(verdicts)


def _settled(distances: tuple[float, float], delta: float, errors: tuple[float, ...] | None) -> bool:
    """Return whether the verdict is the same within the sampling errors of both ends."""
    if errors is None:
        return False
    margins = [2.0 * error for error in errors[2:]]
    surely_valid = all(d + m <= delta for d, m in zip(distances, margins, strict=True))
    surely_not = any(d - m > delta for d, m in zip(distances, margins, strict=True))
    return surely_valid or surely_not
