"""Bounds and drift: every case by hand."""

from fractions import Fraction
from math import inf
from typing import Any

import pytest

from checkbench import figure
from shaftloop.figures import Figure
from shaftloop.scenario.units import Stated
from shaftloop.studies.checks.baseline import Recorded
from shaftloop.studies.checks.expectations import Expectation
from shaftloop.studies.checks.judge import Verdict, judge

ABOVE = figure(None, "1", "no factor", "above")
BELOW = figure(None, "1", "no factor", "below")
NONE = figure(None, "1", "no step")


def recorded(value: float) -> Recorded:
    return Recorded(Stated(Fraction(repr(value)), "1"))


def verdict(
    found: float | Figure, before: float | Recorded | None = None, judged: bool = True, **bounds: Any
) -> Verdict:
    response = found if isinstance(found, Figure) else figure(found, "1")
    reference = recorded(before) if isinstance(before, float) else before
    return judge(Expectation("m", "1", "", **bounds), response, reference, judged)


@pytest.mark.parametrize(
    ("found", "bounds", "broken"),
    [
        (1.5, {"at_most": 1.6}, ()),
        (1.6, {"at_most": 1.6}, ()),
        (1.7, {"at_most": 1.6}, ("at_most",)),
        (1.5, {"at_least": 1.6}, ("at_least",)),
        (1.6, {"at_least": 1.6}, ()),
        (1.5, {"at_least": 1.0, "at_most": 2.0}, ()),
        (ABOVE, {"at_least": 3.0}, ()),
        (ABOVE, {"at_most": 3.0}, ("at_most",)),
        (BELOW, {"at_most": 0.5}, ()),
        (BELOW, {"at_least": 0.5}, ("at_least",)),
        (NONE, {"at_most": 3.0}, ("value",)),
        (NONE, {"tolerance": 3.0}, ("value",)),
    ],
)
def test_bounds(found: float | Figure, bounds: dict[str, float], broken: tuple[str, ...]) -> None:
    result = verdict(found, **bounds)
    assert result.broken == broken
    assert result.status == ("failed" if broken else "passed")


def test_a_failed_simulation_is_an_error_and_not_a_broken_bound() -> None:
    result = verdict(figure(None, "1", "it diverged", failed=True), 1.0, at_most=2.0)
    assert (result.status, result.drift) == ("error", None)


@pytest.mark.parametrize(
    ("now", "before", "bounds", "kind"),
    [
        (1.5, 1.4, {"at_most": 2.0}, "worse"),
        (1.3, 1.4, {"at_most": 2.0}, "better"),
        (1.5, 1.4, {"at_least": 1.0}, "better"),
        (1.3, 1.4, {"at_least": 1.0}, "worse"),
        (1.3, 1.4, {"at_least": 1.0, "at_most": 2.0}, "moved"),
        (1.3, 1.4, {"tolerance": 1.0}, "moved"),
        (1.4 * (1.0 + 1e-5), 1.4, {"at_most": 2.0}, "same"),
        (1.4 * (1.0 + 3e-5), 1.4, {"at_most": 2.0}, "worse"),
        (0.0, 0.0, {"at_most": 0.0}, "same"),
        (ABOVE, Recorded(None, "above"), {"at_least": 1.0}, "same"),
        (3.0, Recorded(None, "above"), {"at_least": 1.0}, "worse"),
        (ABOVE, 3.0, {"at_least": 1.0}, "better"),
        (NONE, 3.0, {"at_least": 1.0}, "worse"),
        (3.0, Recorded(None), {"at_least": 1.0}, "better"),
        (NONE, Recorded(None), {"at_least": 1.0}, "same"),
    ],
)
def test_drift(now: float | Figure, before: float | Recorded, bounds: dict[str, float], kind: str) -> None:
    drift = verdict(now, before, **bounds).drift
    assert drift is not None and drift.kind == kind


@pytest.mark.parametrize(
    ("now", "before", "bounds", "exceeded"),
    [
        (1.46, 1.4, {"at_most": 2.0, "relative": 0.05}, False),
        (1.48, 1.4, {"at_most": 2.0, "relative": 0.05}, True),
        (1.2, 1.4, {"at_most": 2.0, "relative": 0.05}, False),  # for the better
        (1.5, 1.4, {"at_most": 2.0, "tolerance": 0.1}, False),  # exactly, but for rounding
        (1.52, 1.4, {"at_most": 2.0, "tolerance": 0.1}, True),
        (1.2, 1.4, {"tolerance": 0.1}, True),  # either way counts without a bound
        (9.0, 1.4, {"at_most": 20.0}, False),  # no tolerance: shown, not judged
        (3.0, Recorded(None, "above"), {"at_least": 1.0, "tolerance": 0.1}, True),
        (3.0, Recorded(None, "above"), {"at_least": 1.0, "relative": 0.1}, True),
        (3.0, Recorded(None, "above"), {"at_least": 1.0}, False),
    ],
)
def test_tolerance(now: float, before: float | Recorded, bounds: dict[str, float], exceeded: bool) -> None:
    result = verdict(now, before, **bounds)
    assert result.broken == (("tolerance",) if exceeded else ())
    assert verdict(now, before, judged=False, **bounds).broken == ()


def test_the_nearest_limit() -> None:
    assert verdict(1.4, at_least=1.0, at_most=1.6).limit == 1.6
    assert verdict(1.1, at_least=1.0, at_most=1.6).limit == 1.0
    assert verdict(1.1, tolerance=1.0).limit is None
    assert verdict(ABOVE, at_least=1.0).limit == 1.0
    assert verdict(ABOVE, tolerance=1.0).limit is None
    assert verdict(ABOVE).now == inf and verdict(BELOW).now == -inf
