"""Zeros found side by side, against those that are known and those that scipy finds."""

import numpy as np
import pytest
from scipy.optimize import brentq

from shaftloop.analysis.response import refined


def hard(f: np.ndarray) -> np.ndarray:
    """A step that is nearly one, on a slope: its zeros lie at the foot of the step and far from it."""
    return np.asarray(np.tanh(1e4 * (f - 3.0)) + 0.2 * (f - 3.0) + 0.9)


def test_each_zero_is_found_to_the_last_digits_but_few() -> None:
    low, high = np.pi * np.arange(1, 9) - 1.5, np.pi * np.arange(1, 9) + 0.1
    calls = []

    def sine(f: np.ndarray) -> np.ndarray:
        calls.append(len(f))
        return np.asarray(np.sin(f))

    assert refined(sine, low, high) == pytest.approx(np.pi * np.arange(1, 9), rel=1e-12)
    assert len(calls) < 16 and calls[0] == 8
    turned = refined(sine, high, low)
    assert turned == pytest.approx(np.pi * np.arange(1, 9), rel=1e-12)


def test_a_zero_beside_a_step_and_one_of_high_order_are_found() -> None:
    theirs = brentq(lambda f: float(hard(np.array(f))), 1.0, 5.0, xtol=1e-14)
    assert refined(hard, np.array([1.0]), np.array([5.0])) == pytest.approx([theirs], rel=2e-12)
    cubed = refined(lambda f: (f - 2.0) ** 3, np.array([1.0, 0.1]), np.array([2.5, 900.0]))
    assert cubed == pytest.approx([2.0, 2.0], rel=1e-11)


def test_one_is_the_same_whatever_is_looked_for_beside_it() -> None:
    low, high = np.array([0.5, 2.0, 3.9]), np.array([1.9, 3.8, 9.0])
    together = refined(lambda f: np.cos(f * f), low, high)
    for i in range(3):
        assert refined(lambda f: np.cos(f * f), low[[i]], high[[i]]) == together[[i]]


def test_ends_of_one_sign_give_the_one_that_leaves_less_and_no_ends_none() -> None:
    assert refined(lambda f: f - 7.0, np.array([1.0, 8.0]), np.array([6.0, 11.0])).tolist() == [6.0, 8.0]
    assert refined(lambda f: f - 7.0, np.array([7.0]), np.array([9.0])).tolist() == [7.0]
    assert refined(np.sin, np.zeros(0), np.zeros(0)).shape == (0,)


def test_what_is_known_at_the_ends_is_not_looked_at_again() -> None:
    low, high = np.array([2.0, 5.0]), np.array([4.0, 7.5])
    seen: list[float] = []

    def sine(f: np.ndarray) -> np.ndarray:
        seen.extend(f.tolist())
        return np.asarray(np.sin(f))

    found = refined(sine, low, high, (np.sin(low), np.sin(high)))
    assert found.tolist() == refined(np.sin, low, high).tolist()
    assert not {2.0, 4.0, 5.0, 7.5} & set(seen)
