"""Tolerances of the command line: what their ends set, and how they are called."""

import pytest

from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.tolerance import corners, read_tolerances
from shaftloop_models.coupling import Coupling


def stiffness(description: Description) -> float:
    return next(part.stiffness for part in description.line if isinstance(part, Coupling))


def test_the_ends_of_a_share_are_called_by_their_sign() -> None:
    found = read_tolerances(["line.c1.stiffness=±20%"], "reference-bench", ())
    nominal, *ends = corners("reference-bench", (), found)
    assert [end.label for end in ends] == ["line.c1.stiffness -20 %", "line.c1.stiffness +20 %"]
    shares = [stiffness(end.description) / stiffness(nominal.description) for end in ends]
    assert shares == pytest.approx([0.8, 1.2])
