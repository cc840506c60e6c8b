"""Fewer states, the same response: what is not reached or not seen is left out, what does not fade stays."""

import numpy as np
import pytest

from shaftloop.analysis.minimal import minimal
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.response import transfer

PERIOD = 1e-3
FREQUENCY = np.geomspace(1e-2, 499.0, 200)


def loop(largest: float, hidden: float = 0.1) -> OpenLoop:
    """Return a loop with a delay line and four states of odd units, one of which nothing reaches."""
    random = np.random.default_rng(8)
    a = np.zeros((9, 9))
    a[:4, :4] = random.normal(size=(4, 4))
    a[:4, :4] *= largest / np.max(np.abs(np.linalg.eigvals(a[:4, :4])))
    a[4:8, 4:8] = np.eye(4, k=-1)
    a[4, :4] = random.normal(size=4)
    a[8, 8] = hidden
    b, c = np.zeros((9, 1)), np.zeros((1, 9))
    b[:4, 0], c[0, 6:] = random.normal(size=4), (1.0, 0.0, 1.0)
    units = 10.0 ** random.uniform(-5.0, 5.0, size=9)
    a, b, c = a * units[:, None] / units, b * units[:, None], c / units
    return OpenLoop(a, b, c, np.array([[0.1]]), PERIOD, np.array([0.0]))


@pytest.mark.parametrize("largest", [0.3, 0.98, 0.9999, 1.03])
def test_the_response_stays(largest: float) -> None:
    whole = loop(largest)
    fewer = minimal(whole)
    assert len(fewer.a) == 7  # neither the hidden state nor the end of the line
    size = np.max(np.abs(transfer(whole, FREQUENCY)))
    assert np.max(np.abs(transfer(fewer, FREQUENCY) - transfer(whole, FREQUENCY))) < 1e-10 * size
    assert fewer.radius == pytest.approx(whole.radius, abs=1e-10)


def test_what_does_not_fade_is_never_lost() -> None:
    whole = loop(0.9, hidden=1.01)
    assert minimal(whole) is whole


def test_nothing_that_is_reached_leaves_no_state() -> None:
    one = OpenLoop(np.eye(2) / 2.0, np.zeros((2, 1)), np.ones((1, 2)), np.zeros((1, 1)), 1.0, np.zeros(1))
    assert minimal(one).a.shape == (0, 0)
    none = OpenLoop(np.zeros((0, 0)), np.zeros((0, 1)), np.zeros((1, 0)), np.eye(1), 1.0, np.zeros(1))
    assert minimal(none) is none
