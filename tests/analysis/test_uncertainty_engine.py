"""Distributions, budget, Monte Carlo: closed forms, reproducibility, messages."""

import math
from typing import Any

import numpy as np
import pytest

from shaftloop.analysis.uncertainty import tails
from shaftloop.analysis.uncertainty.derivatives import second_order_variance, slopes
from shaftloop.analysis.uncertainty.distributions import (
    ArcSine,
    Constant,
    CurvilinearTrapezoid,
    Distribution,
    Normal,
    Rectangular,
    Trapezoidal,
    Triangular,
)
from shaftloop.analysis.uncertainty.model import Input, Measurement, Output, correlation_matrix
from shaftloop.analysis.uncertainty.montecarlo import _correlation, _ends, monte_carlo, tolerance
from shaftloop.analysis.uncertainty.propagation import coverage_factor, propagate
from shaftloop.analysis.uncertainty.tails import Exponential, Gamma, LogNormal, Readings, StudentT
from shaftloop.analysis.uncertainty.validation import validate
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop_models.parameters import ParameterError

SHAPES: list[tuple[Distribution, float]] = [
    (Normal(2.0, 0.5), 1.0),
    (Rectangular(2.0, 0.5), 1.0),
    (Trapezoidal(2.0, 0.5, 0.4), 1.0),
    (Trapezoidal(2.0, 0.5, 1.0), 1.0),
    (Triangular(1.0, 4.0, 1.5), 1.0),
    (Triangular(1.0, 4.0, 4.0), 1.0),
    (ArcSine(2.0, 0.5), 1.0),
    (CurvilinearTrapezoid(2.0, 0.5, 0.3), 1.0),
    (StudentT(2.0, 0.5, 8.0), math.sqrt(8.0 / 6.0)),
    (Readings((1.0, 2.0, 4.0, 3.0, 2.0, 5.0, 3.0, 2.0, 2.5)), math.sqrt(8.0 / 6.0)),
    (Exponential(2.0), 1.0),
    (Gamma(2.0, 0.7), 1.0),
    (LogNormal(2.0, 0.7), 1.0),
]


def identity(shape: Distribution, **rest: Any) -> Measurement:
    return Measurement(lambda x: x, [Input("x", shape, **rest)])


@pytest.mark.parametrize(("shape", "ratio"), SHAPES, ids=lambda value: type(value).__name__)
def test_draws_have_mean_and_deviation_of_the_distribution(shape: Distribution, ratio: float) -> None:
    result = monte_carlo(identity(shape), 200_000, seed=3).results[0]
    assert result.errors is not None
    assert result.mean == pytest.approx(shape.estimate, abs=5.0 * result.errors[0])
    assert result.uncertainty == pytest.approx(ratio * shape.uncertainty, abs=5.0 * result.errors[1])


@pytest.mark.parametrize("shape", [shape for shape, _ in SHAPES], ids=lambda value: type(value).__name__)
def test_higher_scores_make_higher_values(shape: Distribution) -> None:
    scores = np.linspace(-5.0, 5.0, 301)
    assert np.all(np.diff(shape.values(scores)) > 0.0)


def test_quantiles_against_the_general_library() -> None:
    from scipy import stats

    scores = np.linspace(-4.0, 4.0, 81)
    share = stats.norm.cdf(scores)
    for shape, other in (
        (Trapezoidal(2.0, 0.5, 0.4), stats.trapezoid(0.3, 0.7, 1.5, 1.0)),
        (Triangular(1.0, 4.0, 1.5), stats.triang(0.5 / 3.0, 1.0, 3.0)),
        (ArcSine(2.0, 0.5), stats.arcsine(1.5, 1.0)),
        (Gamma(2.0, 0.7), stats.gamma((2.0 / 0.7) ** 2, scale=0.7**2 / 2.0)),
        (Exponential(2.0), stats.expon(scale=2.0)),
    ):
        assert shape.values(scores) == pytest.approx(other.ppf(share), rel=1e-9)


def test_a_constant_adds_nothing() -> None:
    model = Measurement(lambda a, b: a * b, [Input("a", Constant(3.0)), Input("b", Normal(2.0, 0.1))])
    budget = propagate(model).budgets[0]
    assert [row.name for row in budget.contributions] == ["b"]
    assert budget.uncertainty == pytest.approx(0.3)
    assert monte_carlo(model, 20_000).results[0].uncertainty == pytest.approx(0.3, rel=0.03)


def test_only_constants() -> None:
    model = Measurement(lambda a: 2.0 * a, [Input("a", Constant(3.0))])
    budget = propagate(model).budgets[0]
    assert (budget.value, budget.uncertainty, budget.contributions) == (6.0, 0.0, ())
    assert math.isinf(budget.dof) and budget.second_order == 0.0
    result = monte_carlo(model).results[0]
    assert (result.low, result.high, result.tolerance) == (6.0, 6.0, 0.0)


def test_correlated_inputs_add_with_their_covariance() -> None:
    inputs = [Input("a", Normal(0.0, 3.0)), Input("b", Normal(0.0, 4.0))]
    for r in (-1.0, -0.5, 0.0, 1.0):
        model = Measurement(lambda a, b: (a + b, a - b), inputs, [Output("s"), Output("d")], {("a", "b"): r})
        found = propagate(model)
        assert found["s"].uncertainty == pytest.approx(math.sqrt(25.0 + 24.0 * r))
        assert found["d"].uncertainty == pytest.approx(math.sqrt(25.0 - 24.0 * r))
        assert sum(row.share for row in found["s"].contributions) == pytest.approx(1.0)
        assert (found["s"].second_order is None) == (r != 0.0)
        drawn = monte_carlo(model, 100_000)
        assert drawn["s"].uncertainty == pytest.approx(math.sqrt(25.0 + 24.0 * r), rel=0.02)
        assert drawn.correlation[0, 1] == pytest.approx(found.correlation[0, 1], abs=0.02)


def test_correlated_rectangles_follow_the_copula() -> None:
    """Of a Gaussian copula with coefficient r the ranks correlate with 6/π·asin(r/2)."""
    model = Measurement(
        lambda a, b: (a, b),
        [Input("a", Rectangular(0.0, 1.0)), Input("b", Rectangular(0.0, 1.0))],
        [Output("a"), Output("b")],
        {("a", "b"): 0.8},
    )
    assert monte_carlo(model, 200_000).correlation[0, 1] == pytest.approx(
        6.0 / math.pi * math.asin(0.4), abs=4e-3
    )


def test_degrees_of_freedom_of_correlated_groups() -> None:
    few = Readings((1.0, 2.0, 3.0, 2.0, 2.5))
    model = Measurement(
        lambda a, b, c: a + b + c,
        [Input("a", few), Input("b", few), Input("c", Normal(0.0, 0.1))],
        correlations={("a", "b"): 0.7},
    )
    part = 2.0 * few.uncertainty**2 * 1.7
    assert propagate(model).budgets[0].dof == pytest.approx((part + 0.01) ** 2 / (part**2 / 4.0))


def test_second_order_of_a_product_and_a_cube() -> None:
    product = Measurement(lambda a, b: a * b, [Input("a", Normal(0.0, 2.0)), Input("b", Normal(0.0, 3.0))])
    assert propagate(product).budgets[0].uncertainty == 0.0
    assert propagate(product).budgets[0].second_order == pytest.approx(6.0)
    cube = Measurement(lambda a: a**3, [Input("a", Normal(5.0, 0.2))])
    # ½·(6a)²·u⁴ + 3a²·6·u⁴
    assert second_order_variance(cube)[0] == pytest.approx((0.5 * 900.0 + 75.0 * 6.0) * 0.2**4, rel=1e-6)


def test_derivatives_of_quantities_of_very_different_size() -> None:
    model = Measurement(
        lambda a, b: np.exp(a * 1e9) * b, [Input("a", Normal(1e-9, 1e-12)), Input("b", Normal(1e12, 1e9))]
    )
    assert slopes(model).contributions[0] == pytest.approx([math.e * 1e9, math.e * 1e9], rel=1e-6)


def test_trials_depend_on_seed_and_number_alone() -> None:
    model = Measurement(
        lambda a, b: a * b,
        [Input("a", StudentT(1.0, 0.1, 5.0)), Input("b", CurvilinearTrapezoid(2.0, 0.3, 0.1))],
    )
    long, short = (monte_carlo(model, count).results[0].values for count in (33_000, 25_000))
    assert set(short) <= set(long)
    assert monte_carlo(model, 33_000, coverage=0.999).results[0].values.tolist() == long.tolist()
    assert monte_carlo(model, 33_000, seed=1).results[0].values[0] != long[0]


def test_adaptive_number_of_trials() -> None:
    model = Measurement(lambda a, b: a + b, [Input("a", Normal(0.0, 3.0)), Input("b", Rectangular(0.0, 4.0))])
    rough, fine = monte_carlo(model, digits=1), monte_carlo(model, digits=2, share=0.5)
    assert rough.stable and fine.stable and rough.trials < fine.trials
    for found, delta in ((rough, 0.5), (fine, 0.05)):
        result = found.results[0]
        assert result.tolerance == pytest.approx(delta) and result.errors is not None
        assert 2.0 * max(result.errors) <= delta
    exact = math.sqrt(9.0 + 16.0 / 3.0)
    assert fine.results[0].uncertainty == pytest.approx(exact, abs=0.05)


def test_adaptive_gives_up_in_the_end() -> None:
    found = monte_carlo(identity(Normal(0.0, 1.0)), digits=4, most=50_000)
    assert not found.stable and found.trials == 50_000


def test_a_small_fixed_number_has_no_stated_error() -> None:
    found = monte_carlo(identity(Normal(0.0, 1.0)), 5_000)
    assert found.results[0].errors is None and not found.stable


def test_ends_of_an_interval_of_few_values() -> None:
    """JCGM 101, 7.7.2: q of M values, from the place (M - q)/2 on, or (M - q + 1)/2 where that is none."""
    for count, coverage, ends in ((12, 0.5, (3.0, 9.0)), (11, 0.5, (3.0, 9.0)), (101, 0.95, (3.0, 99.0))):
        assert _ends(np.arange(1.0, count + 1.0), coverage, "symmetric") == ends


def test_shortest_interval_of_an_exponential_starts_at_zero() -> None:
    found = monte_carlo(identity(Exponential(1.0)), 500_000, interval="shortest").results[0]
    assert (found.low, found.high) == pytest.approx((0.0, -math.log(0.05)), abs=0.03)


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (0.000_35, 2, 0.000_005),
        (0.0754, 2, 0.0005),
        (2.0, 2, 0.05),
        (9.97, 2, 0.5),
        (25.0, 1, 5.0),
        (0.0, 2, 0.0),
    ],
)
def test_numerical_tolerance(value: float, digits: int, expected: float) -> None:
    assert tolerance(value, digits) == pytest.approx(expected)


def test_few_degrees_of_freedom_are_drawn() -> None:
    assert Input("a", Normal(1.0, 0.5), degrees_of_freedom=4.0).drawn == StudentT(1.0, 0.5, 4.0)
    assert Input("a", Rectangular(1.0, 0.5), degrees_of_freedom=50.0).drawn == CurvilinearTrapezoid(
        1.0, 0.5, 0.05
    )
    triangle = Triangular(0.0, 2.0, 1.0)
    assert Input("a", triangle, degrees_of_freedom=50.0).drawn is triangle
    assert Input("a", Normal(1.0, 0.5)).drawn == Normal(1.0, 0.5)


def test_coverage_factor() -> None:
    assert coverage_factor(0.95, math.inf) == pytest.approx(1.95996, abs=1e-5)
    assert coverage_factor(0.99, 16.75) == coverage_factor(0.99, 16.0) == pytest.approx(2.92078, abs=1e-5)
    assert coverage_factor(0.95, 4.0 - 1e-12) == coverage_factor(0.95, 4.0)


def test_a_stated_factor_comes_with_its_probability() -> None:
    budget = propagate(identity(Normal(1.0, 0.5)), factor=2.0).budgets[0]
    assert (budget.expanded, budget.relative) == pytest.approx((1.0, 1.0))
    assert budget.coverage == pytest.approx(0.9545, abs=1e-4)
    assert propagate(identity(Normal(0.0, 0.5), degrees_of_freedom=5.0), factor=2.0).budgets[0].coverage < 0.9
    assert propagate(identity(Normal(0.0, 0.5))).budgets[0].relative is None


def test_verdict_needs_settled_ends() -> None:
    model = identity(Rectangular(0.0, 1.0))
    good = validate(
        propagate(identity(Normal(0.0, 1.0))), monte_carlo(identity(Normal(0.0, 1.0)), share=0.2)
    )[0]
    assert good.valid and good.settled
    clear = validate(propagate(model), monte_carlo(model, 20_000))[0]
    assert not clear.valid and clear.settled
    normal = identity(Normal(0.0, 1.0))
    assert not validate(propagate(normal), monte_carlo(normal, 20_000))[0].settled
    assert not validate(propagate(normal), monte_carlo(normal, 5_000))[0].settled


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Normal(1.0, 0.0), "standard_uncertainty: 0 must be above 0"),
        (lambda: Rectangular(math.nan, 1.0), "value: nan is no finite number"),
        (lambda: Trapezoidal(0.0, 1.0, 1.5), "top: 1.5 is out of range; allowed: 0"),
        (lambda: Triangular(0.0, 1.0, 2.0), "peak: 2 lies outside 0 to 1"),
        (lambda: CurvilinearTrapezoid(0.0, 1.0, 2.0), "margin: 2 is out of range"),
        (lambda: StudentT(0.0, 1.0, 0.5), "dof: 0.5 degrees of freedom; allowed: at least 1"),
        (lambda: Input("a", Normal(0.0, 1.0), degrees_of_freedom=0.5), "a: 0.5 degrees of freedom"),
        (lambda: Readings((1.0,)), "1 reading(s); at least 2"),
        (lambda: Readings((1.0, 1.0)), "all are equal"),
        (lambda: Readings((1.0, 2.0)).correlation(Readings((1.0, 2.0, 3.0))), "2 and 3 readings"),
        (lambda: Exponential(-1.0), "value: -1 must be above 0"),
    ],
)
def test_bad_distributions(make: Any, message: str) -> None:
    with pytest.raises(ParameterError) as caught:
        make()
    assert message in str(caught.value)


A, B, C = (Input(name, Normal(1.0, 0.1)) for name in "abc")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Measurement(lambda a, b: a, [A, A]), "a: the name of two quantities"),
        (lambda: Measurement(lambda a: a, [A], [Output("x"), Output("y")]), "return 2 of the same shape"),
        (lambda: Measurement(math.sin, [A]), "must take one array per input"),
        (lambda: correlation_matrix([A], {("a", "z"): 0.5}), "no quantity z; known: a"),
        (lambda: correlation_matrix([A, B], {("a", "b"): 1.5}), "1.5 is out of range; allowed: -1 to 1"),
        (lambda: correlation_matrix([A], {("a", "a"): 0.5}), "a quantity with itself"),
        (lambda: correlation_matrix([A, Input("k", Constant(1.0))], {("a", "k"): 0.5}), "k is a constant"),
        (
            lambda: correlation_matrix([A, B, C], {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9}),
            "correlation of a, b, c: not positive semidefinite (eigenvalue -0.8)",
        ),
        (lambda: propagate(identity(Normal(0.0, 1.0)), 1.0), "coverage 1 is out of range"),
        (lambda: propagate(identity(Normal(0.0, 1.0)), factor=0.0), "coverage factor 0 is out of range"),
        (lambda: monte_carlo(identity(Normal(0.0, 1.0)), 1), "trials 1 is out of range; allowed: 2 to"),
        (lambda: monte_carlo(identity(Normal(0.0, 1.0)), coverage=1.0), "coverage 1 is out of range"),
        (
            lambda: monte_carlo(identity(Normal(0.0, 1.0)), digits=0),
            "digits 0 is out of range; allowed: 1 to 4",
        ),
    ],
)
def test_bad_measurements(make: Any, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        make()
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: propagate(Measurement(lambda a: 1.0 / (a - 1.0), [A])),
            "result has no value at the best estimates",
        ),
        (
            lambda: propagate(Measurement(lambda a: np.sqrt(a - 1.0), [A])),
            "result has no usable derivative by a here",
        ),
        (
            lambda: monte_carlo(Measurement(np.sqrt, [Input("a", Normal(1.0, 0.5), "m")]), 50_000),
            "result has no value at a = -",
        ),
    ],
)
def test_functions_that_do_not_exist_everywhere(make: Any, message: str) -> None:
    with pytest.raises(SimulationError) as caught:
        make()
    assert message in str(caught.value)


def test_base_class_is_abstract() -> None:
    for name in ("estimate", "uncertainty"):
        with pytest.raises(NotImplementedError):
            getattr(Distribution(), name)
    with pytest.raises(NotImplementedError):
        Distribution().values(np.zeros(1))
    assert "t" in tails.StudentT.kind


def _mean_inverse_root(dof: float) -> float:
    """Return the mean of 1/sqrt(chi²/ν)."""
    return math.sqrt(0.5 * dof) * math.gamma(0.5 * (dof - 1.0)) / math.gamma(0.5 * dof)


def test_correlated_inputs_of_unequal_degrees_of_freedom() -> None:
    """The budget takes the lower ones; Monte Carlo draws t inputs whose chi-squares are their own."""
    inputs = [
        Input("a", Normal(0.0, 1.0), degrees_of_freedom=12.0),
        Input("b", Normal(0.0, 1.0), degrees_of_freedom=5.0),
        Input("c", Normal(0.0, 2.0), degrees_of_freedom=20.0),
    ]
    measurement = Measurement(lambda a, b, c: a + b + c, inputs, correlations={("a", "b"): 0.6})
    budget = propagate(measurement).budgets[0]
    assert budget.uncertainty == pytest.approx(math.sqrt(3.2 + 4.0))
    assert budget.dof == pytest.approx(7.2**2 / (3.2**2 / 5.0 + 4.0**2 / 20.0))
    together = 2.0 * 0.6 * _mean_inverse_root(12.0) * _mean_inverse_root(5.0)
    variance = 12.0 / 10.0 + 5.0 / 3.0 + 4.0 * 20.0 / 18.0 + together
    found = monte_carlo(measurement, 400_000)
    assert found.results[0].uncertainty == pytest.approx(math.sqrt(variance), rel=5e-3)


@pytest.mark.parametrize("ripple", [0.0, 1e-14])
def test_a_result_that_rounding_alone_moves_leaves_the_correlation_of_the_others(ripple: float) -> None:
    """A speed that is held: whether its digits scatter or not, torque and power go together as before."""
    torque = np.random.default_rng(5).normal(90.0, 1.0, 1000)
    speed = 83.8 * (1.0 + ripple * np.sign(torque - 90.0))
    found = _correlation(np.stack([torque, speed, 83.8 * torque]))
    assert found == pytest.approx(np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]]), abs=1e-12)
