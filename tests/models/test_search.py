"""Own searches against those of scipy."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar, nnls

from shaftloop_models.search import minimum, nonnegative


@pytest.mark.parametrize("seed", range(20))
def test_least_squares_without_negative_weights_are_those_of_scipy(seed: int) -> None:
    random = np.random.default_rng(seed)
    rows, columns = random.integers(5, 40), random.integers(1, 5)
    a, b = random.normal(size=(rows, columns)), random.normal(size=rows)
    assert nonnegative(a, b) == pytest.approx(nnls(a, b)[0], abs=1e-12)


def test_a_column_that_does_not_help_has_no_weight() -> None:
    a = np.array([[1.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    assert nonnegative(a, np.array([1.0, 2.0, -3.0])).tolist() == pytest.approx([1.5, 0.0])


@pytest.mark.parametrize("seed", range(20))
def test_the_minimum_is_found_as_scipy_finds_it(seed: int) -> None:
    a, b, c = np.random.default_rng(seed).uniform(0.1, 3.0, 3)

    def function(x: float) -> float:
        return math.cos(a * x) + b * x + c * x * x

    for within, most in ((1e-5, 500), (0.02, 6)):
        options = {"xatol": within, "maxiter": most}
        found = minimize_scalar(function, bounds=(-2.0, 3.0), method="bounded", options=options)
        assert minimum(function, -2.0, 3.0, within, most) == (found.x, found.fun)


def test_a_minimum_at_an_end_is_found() -> None:
    place, value = minimum(lambda x: x, 1.0, 2.0, 1e-6)
    assert place == pytest.approx(1.0, abs=1e-5) and value == place
