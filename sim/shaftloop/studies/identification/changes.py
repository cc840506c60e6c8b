"""Whether a bench is still the one of an earlier date: values of two fits against their spreads.

The logs of two dates are independent, so the variances of the two values add. Of several values that are
compared the bound is the wider one of Bonferroni, so that a bench that has not changed is called changed in
at most 5 % of comparisons. What the scenario lacks shifts both fits alike and cancels.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shaftloop.errors import ScenarioError
from shaftloop.studies.identification.fitfile import read_fit
from shaftloop.studies.identification.noise import FREEDOM
from shaftloop.studies.identification.problem import Estimate

__all__ = ["Change", "Earlier", "changes", "earlier_fit", "earlier_values"]

_UNSURE = 0.05
"""Probability that any value of a bench that has not changed is called changed."""


@dataclass(frozen=True)
class Earlier:
    """What was found at an earlier date."""

    label: str
    """Log or result."""
    values: dict[str, tuple[float, float]]
    """Value and standard deviation by path, in SI units."""
    contradicted: bool = False
    """Whether its log contradicts the bench."""


@dataclass(frozen=True)
class Change:
    """A value at two dates."""

    path: str
    unit: str
    before: float
    """[unit]"""
    after: float
    """[unit]"""
    seen: float
    """Least difference that would have been told from none. [unit]"""

    @property
    def difference(self) -> float:
        """Return the later value minus the earlier one [unit]."""
        return self.after - self.before

    @property
    def changed(self) -> bool:
        """Whether it has changed beyond its uncertainty."""
        return abs(self.difference) > self.seen


def changes(earlier: Earlier, found: Sequence[Estimate]) -> tuple[Change, ...]:
    """Return the values of the bench that both dates tell.

    Parameters
    ----------
    earlier : Earlier
        Of the earlier date.
    found : sequence of Estimate
        Of the later one.

    Raises
    ------
    ScenarioError
        Where they have no value in common.
    """
    from scipy.stats import t

    both = [
        entry
        for entry in found
        if entry.free.of_bench and entry.free.path in earlier.values and np.isfinite(entry.spread)
    ]
    if not both:
        told = ", ".join(earlier.values) or "none"
        raise ScenarioError(
            [f"`since` {earlier.label}: it tells no value that is free here; its own: {told}"]
        )
    sides = float(t.ppf(1.0 - 0.5 * _UNSURE / len(both), FREEDOM))
    compared = []
    for entry in both:
        value, deviation = earlier.values[entry.free.path]
        seen = sides * float(np.hypot(deviation, entry.deviation))
        compared.append(Change(entry.free.path, entry.free.unit, value, entry.value, seen))
    return tuple(compared)


def earlier_values(label: str, found: Sequence[Estimate], contradicted: bool) -> Earlier:
    """Return what a fit to an earlier log found.

    Parameters
    ----------
    label : str
        Of the log.
    found : sequence of Estimate
        From the fit.
    contradicted : bool
        Whether the log contradicts the bench.
    """
    told = [entry for entry in found if entry.free.of_bench and np.isfinite(entry.spread)]
    return Earlier(label, {entry.free.path: (entry.value, entry.deviation) for entry in told}, contradicted)


def earlier_fit(path: Path) -> Earlier:
    """Return what an earlier fit found.

    Parameters
    ----------
    path : Path
        fit.json of ``shaftloop identify``.

    Raises
    ------
    ScenarioError
        Where it is no such file.
    """
    try:
        found = read_fit(path)
    except ValueError as error:
        raise ScenarioError([f"`since` {path}: {error}, or a log"]) from None
    return Earlier(
        str(path), {entry.path: (entry.value, entry.deviation) for entry in found.told}, found.contradicted
    )
