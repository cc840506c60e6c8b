"""Whether a figure keeps its bounds, and how it has moved from a baseline."""

from dataclasses import dataclass
from math import inf, isinf
from typing import Literal

from shaftloop.figures import Figure
from shaftloop.studies.checks.baseline import Recorded
from shaftloop.studies.checks.expectations import Expectation

__all__ = ["Drift", "Verdict", "judge"]

_ROUNDING = 2e-5
"""Relative change that the rounding of a baseline may make."""


@dataclass(frozen=True)
class Drift:
    """How a figure has moved from a baseline."""

    before: float | None
    """Baseline; infinite beyond every bound, nothing where it had no value. [unit of the figure]"""
    change: float | None
    """Now minus before; nothing where one of them has no value. [unit of the figure]"""
    kind: Literal["same", "better", "worse", "moved"]
    """``moved`` where the bounds do not say which way is worse."""
    allowance: float | None
    """Largest change for the worse that is allowed; nothing where any is. [unit of the figure]"""

    @property
    def exceeded(self) -> bool:
        """Whether it has moved for the worse by more than is allowed."""
        if self.kind not in ("worse", "moved") or self.allowance is None or self.change is None:
            return False
        if isinf(self.change):
            return True
        return abs(self.change) > self.allowance + _ROUNDING * abs(self.before or 0.0)


@dataclass(frozen=True)
class Verdict:
    """What was found about one expectation."""

    expectation: Expectation
    response: Figure
    drift: Drift | None
    """Nothing where there is nothing to compare with."""
    judged: bool = True
    """Whether the drift counts: not against a baseline of another version of the bench."""

    @property
    def now(self) -> float | None:
        """The figure; infinite beyond every bound, nothing where it has no value [unit of the figure]."""
        return _position(self.response.value, self.response.beyond)

    @property
    def broken(self) -> tuple[Literal["value", "at_most", "at_least", "tolerance"], ...]:
        """What does not hold: ``value`` where there is none that could keep a bound."""
        found: list[Literal["value", "at_most", "at_least", "tolerance"]] = []
        now, bounds = self.now, self.expectation
        if now is None:
            return ("value",)
        if bounds.at_most is not None and now > bounds.at_most:
            found.append("at_most")
        if bounds.at_least is not None and now < bounds.at_least:
            found.append("at_least")
        if self.judged and self.drift is not None and self.drift.exceeded:
            found.append("tolerance")
        return tuple(found)

    @property
    def status(self) -> Literal["passed", "failed", "error"]:
        """``error`` where the simulation or analysis itself failed."""
        if self.response.failed:
            return "error"
        return "failed" if self.broken else "passed"

    @property
    def limit(self) -> float | None:
        """The bound nearest to the figure; nothing where there is none [unit of the figure]."""
        bounds = [b for b in (self.expectation.at_most, self.expectation.at_least) if b is not None]
        if self.now is None or isinf(self.now):
            return bounds[0] if bounds else None
        now = self.now
        return min(bounds, key=lambda bound: abs(bound - now), default=None)

    @property
    def used(self) -> float | None:
        """Share of the nearest bound that is used, 1 at it; nothing where the two have no ratio [1]."""
        limit, now = self.limit, self.now
        if limit is None or now is None or isinf(now) or limit <= 0.0 or now <= 0.0:
            return None
        if now == limit and now.is_integer():
            return None  # A count, or whether something is so.
        return now / limit if limit == self.expectation.at_most else limit / now


def judge(
    expectation: Expectation, response: Figure, recorded: Recorded | None, judged: bool = True
) -> Verdict:
    """Return what is to be said of a figure; a change from the one in a baseline counts if `judged`."""
    drift = None
    if recorded is not None and not response.failed:
        value = None if recorded.number is None else recorded.number.to(expectation.unit)
        drift = _drift(
            expectation, _position(value, recorded.beyond), _position(response.value, response.beyond)
        )
    return Verdict(expectation, response, drift, judged)


def _drift(expectation: Expectation, before: float | None, now: float | None) -> Drift:
    if before is None or now is None:
        kind: Literal["same", "better", "worse"] = "worse" if now is None else "better"
        return Drift(before, None, "same" if before is now else kind, None)
    change = 0.0 if before == now else now - before
    allowance = expectation.allowance(0.0 if isinf(before) else before)
    if not isinf(change) and abs(change) <= (_ROUNDING * abs(before) if not isinf(before) else 0.0):
        return Drift(before, change, "same", allowance)
    rising, falling = expectation.at_most is not None, expectation.at_least is not None
    if rising == falling:
        return Drift(before, change, "moved", allowance)
    return Drift(before, change, "worse" if rising == (change > 0.0) else "better", allowance)


def _position(value: float | None, beyond: str) -> float | None:
    if value is not None or not beyond:
        return value
    return inf if beyond == "above" else -inf
