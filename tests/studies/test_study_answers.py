"""Answers against known ones: fronts, effects, indices of a published function, a yield in closed form."""

import math
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from whatif import design, read

from shaftloop.studies.whatif.answers import backward_objectives, main_effects, pareto_front, ranking
from shaftloop.studies.whatif.designs import CandidatePlan
from shaftloop.studies.whatif.factors import FactorSpread
from shaftloop.studies.whatif.form import Design
from shaftloop.studies.whatif.reading import Bound
from shaftloop.studies.whatif.sensitivity import sobol_indices
from shaftloop.studies.whatif.table import Table, TableColumn
from shaftloop.studies.whatif.yields import tolerance_yield

NAMES = ("x1", "x2", "x3")


def uniform(name: str, low: float, high: float) -> FactorSpread:
    return FactorSpread(name, "", "linear", low, high, math.nan, math.nan, 0)


def values(plan: CandidatePlan) -> np.ndarray:
    return np.array([candidate.values for candidate in plan.candidates(range(plan.total))], dtype=float)


def ishigami(x: np.ndarray) -> np.ndarray:
    return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


def table(columns: dict[str, np.ndarray], figure: np.ndarray, done: np.ndarray | None = None) -> Table:
    return Table(
        {name: TableColumn(name, "1", column) for name, column in columns.items()},
        {"y": TableColumn("y", "N m", figure)},
        np.ones(len(figure), dtype=np.bool_) if done is None else done,
        len(figure),
    )


def test_the_indices_of_the_ishigami_function() -> None:
    """a = 7, b = 0.1: S = 0.3139, 0.4424, 0; totals 0.5576, 0.4424, 0.2437 (closed form of
    Ishigami and Homma, as in Saltelli et al., Global Sensitivity Analysis. The Primer, 2008)."""
    plan = CandidatePlan(
        tuple(uniform(name, -math.pi, math.pi) for name in NAMES), Design("saltelli", 16384, seed=1)
    )
    found = sobol_indices("y", ishigami(values(plan)), NAMES, 0)
    by_name = {index.factor: index for index in found.indices}
    assert [by_name[name].first for name in NAMES] == pytest.approx([0.3139, 0.4424, 0.0], abs=0.01)
    assert [by_name[name].total for name in NAMES] == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.01)
    assert [index.factor for index in found.indices] == ["x1", "x2", "x3"] and found.rows == 16384
    for index, first, total in zip(
        (by_name[n] for n in NAMES), (0.3139, 0.4424, 0.0), (0.5576, 0.4424, 0.2437), strict=True
    ):
        assert index.first_interval[0] <= index.first <= index.first_interval[1]
        assert index.first_interval[0] - 0.01 < first < index.first_interval[1] + 0.01
        assert index.total_interval[0] - 0.01 < total < index.total_interval[1] + 0.01
    assert sobol_indices("y", ishigami(values(plan)), NAMES, 0) == found


def test_rows_that_are_not_complete_are_left_out() -> None:
    plan = CandidatePlan((uniform("x1", 0.0, 1.0), uniform("x2", 0.0, 1.0)), Design("saltelli", 512))
    x = values(plan)
    y = x[:, 0] + 2.0 * x[:, 1]
    y[5], y[40] = np.nan, np.inf
    found = sobol_indices("y", y, ("x1", "x2"), 0)
    assert found.rows == 256
    # A sum of uniform terms: each has its share of the squares of the factors, alone and with others.
    shares = {index.factor: (index.first, index.total) for index in found.indices}
    assert shares["x1"] == pytest.approx((0.2, 0.2), abs=0.03)
    assert shares["x2"] == pytest.approx((0.8, 0.8), abs=0.03)
    single = CandidatePlan((uniform("x1", 0.0, 1.0),), Design("saltelli", 64))
    (only,) = sobol_indices("y", values(single)[:, 0], ("x1",), 0).indices
    assert (only.first, only.total) == pytest.approx((1.0, 1.0), abs=0.05)


def test_there_are_no_indices_of_what_does_not_vary_or_is_not_known() -> None:
    constant = sobol_indices("y", np.ones(64), ("x1", "x2"), 0)
    assert (constant.indices, constant.reason) == ((), "the figure is the same for all candidates")
    unknown = sobol_indices("y", np.full(64, np.nan), ("x1", "x2"), 0)
    assert unknown.reason == "only 0 rows are complete, of 8 at least"


def test_the_yield_of_a_tolerance_against_its_closed_form() -> None:
    """A figure that is normal about its nominal value keeps a bound at +1 sigma with probability 0.8413."""
    bell = FactorSpread("x", "N m", "normal", -math.inf, math.inf, 100.0, 4.0, 0)
    plan = CandidatePlan((bell,), Design("monte_carlo", 2000, seed=5))
    x = values(plan)[:, 0]
    passed = table({"x": x}, x).passes((Bound("y", None, 104.0, "study"),))
    found = tolerance_yield(int(passed.sum()), plan.total)
    assert found.low < NormalDist().cdf(1.0) < found.high
    assert found.high - found.low == pytest.approx(2 * 1.96 * math.sqrt(0.8413 * 0.1587 / 2000), rel=0.05)


def test_the_interval_is_that_of_clopper_and_pearson() -> None:
    """Closed form where none or all pass: 1 - (alpha/2)^(1/n)."""
    none, every = tolerance_yield(0, 20), tolerance_yield(20, 20)
    assert (none.low, none.high) == pytest.approx((0.0, 1.0 - 0.025 ** (1 / 20)))
    assert (every.low, every.high) == pytest.approx((0.025 ** (1 / 20), 1.0))
    assert (every.passed, every.drawn, every.share) == (20, 20, 1.0)


def test_the_front_is_what_no_other_candidate_beats() -> None:
    costs = np.random.default_rng(3).random((200, 3)).round(1)
    found = pareto_front(costs)
    beaten = [bool(((costs <= row).all(axis=1) & (costs < row).any(axis=1)).any()) for row in costs]
    assert sorted(found) == [i for i, lost in enumerate(beaten) if not lost]
    assert np.array_equal(costs[found, 0], np.sort(costs[found, 0]))


def test_equal_candidates_stand_on_the_front_together() -> None:
    costs = np.array([[2.0, 1.0], [1.0, 2.0], [2.0, 1.0], [1.0, 3.0], [2.0, 2.0], [1.0, 2.0]])
    assert pareto_front(costs).tolist() == [1, 5, 0, 2]
    assert pareto_front(np.ones((3, 2))).tolist() == [0, 1, 2]
    assert pareto_front(np.ones((3, 1))).tolist() == [0, 1, 2]


def test_the_ranking_goes_front_by_front() -> None:
    costs = np.array([[1.0, 4.0], [2.0, 5.0], [0.0, 9.0], [3.0, 3.0], [2.0, 5.0]])
    assert ranking(costs, 10).tolist() == [2, 0, 3, 1, 4]
    assert ranking(costs, 2).tolist() == [2, 0]
    assert ranking(np.array([[3.0], [1.0], [math.inf], [1.0]]), 4).tolist() == [1, 3, 0, 2]
    assert ranking(np.zeros((0, 2)), 4).tolist() == [] and pareto_front(np.zeros((0, 2))).tolist() == []


def test_main_effects_of_a_sum_share_its_variance() -> None:
    """On a full grid the shares of a sum add up to one: 1 to 9, as the squares of its slopes."""
    a, b = (axis.ravel() for axis in np.meshgrid(np.arange(5.0), np.arange(5.0)))
    found = {effect.factor: effect for effect in main_effects(table({"a": a, "b": b}, a + 3.0 * b))}
    assert (found["a"].share, found["b"].share) == pytest.approx((0.1, 0.9))
    assert (found["a"].span, found["b"].span) == pytest.approx((4.0, 12.0))
    assert [level.mean for level in found["a"].levels] == pytest.approx([6.0, 7.0, 8.0, 9.0, 10.0])
    assert [level.count for level in found["b"].levels] == [5] * 5
    assert [effect.factor for effect in main_effects(table({"a": a, "b": b}, a + 3.0 * b))] == ["b", "a"]


def test_many_values_are_sorted_into_classes_of_equal_size() -> None:
    x = np.random.default_rng(0).random(400)
    (effect,) = main_effects(table({"x": x}, 2.0 * x))
    assert [level.count for level in effect.levels] == [50] * 8
    assert effect.share == pytest.approx(1.0 - 1.0 / 64.0, abs=0.01)
    assert all(a.high <= b.low for a, b in zip(effect.levels, effect.levels[1:], strict=False))


def test_what_chance_gives_is_taken_off_the_share_of_samples() -> None:
    """Where a factor does nothing, chance gives the means of 8 classes of 40 samples 7/39 of the variance."""
    draw = np.random.default_rng(1)
    pairs = []
    for _ in range(200):
        found = table({"x": draw.random(40)}, draw.random(40))
        pairs.append([main_effects(found, sampled)[0].share for sampled in (False, True)])
    plain, corrected = np.array(pairs, dtype=float).T
    assert plain.mean() == pytest.approx(7.0 / 39.0, abs=0.02)
    assert np.median(corrected) < 0.02 and corrected.min() == 0.0
    x = np.random.default_rng(0).random(400)
    assert main_effects(table({"x": x}, 2.0 * x), True)[0].share == pytest.approx(1.0 - 1.0 / 64.0, abs=0.01)
    assert main_effects(table({"x": np.arange(3.0)}, np.arange(3.0)), True)[0].share is None


def test_by_how_much_the_worst_bound_is_broken() -> None:
    y = np.array([1.0, 2.0, 3.0, np.nan, 5.0, math.inf])
    done = np.array([True, True, True, True, False, True])
    found = table({"x": np.arange(6.0)}, y, done)
    bounds = (Bound("y", None, 2.0, "study"), Bound("y", 1.5, None, "study"))
    assert found.excess(bounds).tolist() == [0.125, 0.0, 0.25, 1.0, 0.75, 1.0]
    assert found.excess(()).tolist() == [-1.0] * 4 + [1.0, -1.0]


def test_what_is_not_known_has_no_part_in_an_effect() -> None:
    x = np.array([0.0, 0.0, 1.0, 1.0, 1.0, np.nan])
    y = np.array([1.0, np.nan, 3.0, np.inf, 50.0, 7.0])
    done = np.array([True, True, True, True, False, True])
    (effect,) = main_effects(table({"x": x}, y, done))
    assert [(level.mean, level.count) for level in effect.levels] == [(1.0, 1), (3.0, 1)]
    assert main_effects(table({"x": np.zeros(4)}, np.arange(4.0))) == ()
    assert main_effects(table({"x": np.arange(4.0)}, np.full(4, np.nan))) == ()
    (flat,) = main_effects(table({"x": np.arange(4.0)}, np.ones(4)))
    assert (flat.share, flat.span) == (None, 0.0)


def test_a_candidate_without_the_figure_keeps_no_bound() -> None:
    y = np.array([1.0, np.nan, math.inf, 3.0, 2.0])
    done = np.array([True, True, True, True, False])
    found = table({"x": y}, y, done)
    assert found.keeps(Bound("y", 2.0, None, "study")).tolist() == [False, False, True, True, False]
    assert found.keeps(Bound("y", None, 2.5, "study")).tolist() == [True, False, False, False, False]
    assert found.passes(()).tolist() == done.tolist()


@pytest.mark.parametrize(
    ("factor", "more", "objective", "warned"),
    [
        (
            "line.c1.stiffness",
            "",
            "margins.torque.ms",
            "Ms of torque: stiffness of c1 varies while the gains",
        ),
        ("loop.torque.output_latency", "", "map.torque.ms", "output latency of torque varies while"),
        ("loop.torque.kp", "", "margins.torque.ms", ""),
        ("line.c1.stiffness", "", "modes.1.frequency", ""),
        ("line.c1.stiffness", '[tune]\nloops = ["torque"]\n', "margins.torque.ms", ""),
        ("line.c1.stiffness", '[tune]\nloops = ["speed"]\n', "margins.torque.ms", 'loops = ["torque"]'),
    ],
)
def test_hardware_ranked_with_gains_that_stay_is_warned_of(
    tmp_path: Path, factor: str, more: str, objective: str, warned: str
) -> None:
    values = {
        "line.c1.stiffness": '["20 kN m/rad", "30 kN m/rad"]',
        "loop.torque.kp": "[0.03, 0.04]",
        "loop.torque.output_latency": '["0 us", "500 us"]',
    }
    block = f'[[factor]]\npath = "{factor}"\nvalues = {values[factor]}\n'
    goal = f'[[objective]]\nmetric = "{objective}"\n'
    found = backward_objectives(read(tmp_path, block, more, goal, design("grid"))[0])
    assert (
        (warned in found[0] and "more delay, more bandwidth; add [tune]" in found[0]) if warned else not found
    )
