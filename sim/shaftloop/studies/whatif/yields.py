"""Tolerance yield: the share of built benches that keep every bound."""

from dataclasses import dataclass

__all__ = ["Yield", "tolerance_yield"]

_CONFIDENCE = 0.95


@dataclass(frozen=True)
class Yield:
    """How many of the benches that were drawn are good, and what that says of all."""

    passed: int
    drawn: int
    share: float
    """Passed over drawn. [1]"""
    low: float
    """Lower end of the 95 % interval of the share of all benches. [1]"""
    high: float
    """Upper end. [1]"""


def tolerance_yield(passed: int, drawn: int) -> Yield:
    """Return the yield with its exact interval, that of Clopper and Pearson.

    The interval holds for benches drawn independently (the design ``monte_carlo``). A bench that fails or
    cannot be built has not passed. See Clopper, C. J., E. S. Pearson, "The use of confidence or fiducial
    limits illustrated in the case of the binomial", Biometrika 26, 1934, 404-413,
    doi:10.1093/biomet/26.4.404.
    """
    from scipy.stats import binomtest

    interval = binomtest(passed, drawn).proportion_ci(_CONFIDENCE, method="exact")
    return Yield(passed, drawn, passed / drawn, float(interval.low), float(interval.high))
