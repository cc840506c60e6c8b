"""Designs: what makes each of them that design, and that a candidate depends on nothing but its number."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import qmc

from shaftloop.errors import ScenarioError
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.factors import FactorSpread, Listed
from shaftloop.studies.whatif.form import Design

UNIT = FactorSpread("a", "", "linear", 0.0, 1.0, math.nan, math.nan, 3)
OTHER = FactorSpread("b", "", "linear", 0.0, 1.0, math.nan, math.nan, 2)
WORDS = Listed("c", "", ("x", "y"), ('"x"', '"y"'))


def points(plan: CandidatePlan, numbers: list[int] | None = None) -> np.ndarray:
    found = plan.candidates(list(range(plan.total)) if numbers is None else numbers)
    return np.array([candidate.values for candidate in found], dtype=float)


def test_a_grid_holds_every_combination_once() -> None:
    plan = CandidatePlan((UNIT, OTHER, WORDS), Design("grid"))
    values = [candidate.values for candidate in plan.candidates(range(plan.total))]
    assert plan.total == 12 == len(set(values))
    assert values[:3] == [(0.0, 0.0, "x"), (0.0, 0.0, "y"), (0.0, 1.0, "x")]
    assert plan.candidates([11])[0].settings(plan.axes) == ("a=1.0", "b=1.0", 'c="y"')


def test_benches_of_a_grid_that_differ_in_gains_only_stand_together() -> None:
    line, gain = replace(UNIT, path="line.c1.stiffness"), replace(OTHER, path="loop.torque.kp")
    for axes in ((line, gain, WORDS), (gain, line, WORDS), (gain, WORDS, line)):
        plan = CandidatePlan(axes, Design("grid"))
        order = plan.together.tolist()
        assert sorted(order) == list(range(12))
        benches = [
            tuple(v for v, axis in zip(c.values, axes, strict=True) if axis is not gain)
            for c in plan.candidates(order)
        ]
        assert plan.alike == 2
        assert all(benches[i] == benches[i + 1] for i in range(0, 12, 2))
    assert CandidatePlan((gain,), Design("sobol", 8)).alike == 8
    assert CandidatePlan((UNIT, OTHER), Design("grid")).together.tolist() == list(range(6))
    assert CandidatePlan((line, gain), Design("sobol", 8)).together.tolist() == list(range(8))
    assert CandidatePlan((line, gain), Design("sobol", 8)).alike == 1


def test_ranges_meet_their_ends_and_times_have_four_digits() -> None:
    wide = FactorSpread("a", "1/s", "log", 3.0, 300.0, math.nan, math.nan, 3)
    assert wide.levels() == (3.0, 30.000000000000004, 300.0)
    late = FactorSpread("a", "us", "uniform", 100.0, 2000.0, math.nan, math.nan, 3)
    assert [late.at(share) for share in (0.0, 1.0 / 7.0, 1.0)] == [100.0, 371.4, 2000.0]
    assert FactorSpread("a", "", "uniform", 0.0, 1.0, math.nan, math.nan, 3).at(1.0 / 7.0) == 1.0 / 7.0


def test_one_at_a_time_begins_with_the_scenario_itself() -> None:
    plan = CandidatePlan((UNIT, WORDS), Design("one_at_a_time"))
    values = [candidate.values for candidate in plan.candidates(range(plan.total))]
    assert values == [(None, None), (0.0, None), (0.5, None), (1.0, None), (None, "x"), (None, "y")]
    assert plan.candidates([0])[0].settings(plan.axes) == ()


def test_a_latin_hypercube_has_one_value_in_every_row_of_every_factor() -> None:
    found = points(CandidatePlan((UNIT, OTHER), Design("latin_hypercube", 50, seed=4)))
    for column in found.T:
        assert sorted((column * 50).astype(int)) == list(range(50))


def test_a_sobol_sequence_is_even_and_goes_on_beyond_a_block() -> None:
    found = points(CandidatePlan((UNIT, OTHER), Design("sobol", 2048, seed=1)))
    assert qmc.discrepancy(found) < 0.1 * qmc.discrepancy(np.random.default_rng(1).random((2048, 2)))
    reference = qmc.Sobol(2, scramble=True, seed=np.random.default_rng(1)).random(2048)
    assert np.array_equal(found, reference)


def test_benches_of_a_monte_carlo_are_independent_draws() -> None:
    found = points(CandidatePlan((UNIT, OTHER), Design("monte_carlo", 4000, seed=2)))
    assert found.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.02)
    assert abs(np.corrcoef(found.T)[0, 1]) < 0.05


def test_the_rows_of_saltelli_take_one_coordinate_of_the_other_point() -> None:
    found = points(CandidatePlan((UNIT, OTHER), Design("saltelli", 16))).reshape(16, 4, 2)
    first, second, mixed_a, mixed_b = found.transpose(1, 0, 2)
    assert np.array_equal(mixed_a, np.column_stack((second[:, 0], first[:, 1])))
    assert np.array_equal(mixed_b, np.column_stack((first[:, 0], second[:, 1])))
    assert not np.array_equal(first, second)


@pytest.mark.parametrize(
    "kind", ["grid", "one_at_a_time", "latin_hypercube", "sobol", "monte_carlo", "saltelli"]
)
def test_a_candidate_depends_on_its_number_alone(kind: str) -> None:
    count = None if kind in ("grid", "one_at_a_time") else 1024
    design = Design(kind, count, seed=9)  # type: ignore[arg-type]
    whole = CandidatePlan((UNIT, OTHER, WORDS), design)
    numbers = [whole.total - 1, 3, whole.total // 2, 0]
    fresh = CandidatePlan((UNIT, OTHER, WORDS), design)
    every = whole.candidates(range(whole.total))
    assert fresh.candidates(numbers) == [every[number] for number in numbers]
    if count is not None:
        other = CandidatePlan((UNIT, OTHER, WORDS), Design(kind, count, seed=10))  # type: ignore[arg-type]
        assert other.candidates([3]) != [every[3]]


@pytest.mark.parametrize("count", [4000, 10**9])
def test_a_design_beyond_all_measure_is_refused(count: int) -> None:
    wide = FactorSpread("a", "", "linear", 0.0, 1.0, math.nan, math.nan, 100_000)
    with pytest.raises(
        ScenarioError, match=r"candidates; between 1 and 10000000 can be run; choose fewer values"
    ):
        CandidatePlan((wide,) * (2 if count == 4000 else 5), Design("grid"))
