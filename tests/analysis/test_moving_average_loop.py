"""A loop that reads a moving average: its exact response has the notches and the delay of the mean."""

import numpy as np
import pytest

from rigs import shipped
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.response import fundamental


def response(frequency: np.ndarray, *settings: str) -> np.ndarray:
    bench = HyperMap(shipped("wheel-hub", *settings))
    point = operating_point(bench.bench)
    state = bench.steady(point)
    return fundamental(bench.open([bench.bench.loops["torque"]], state), frequency)


@pytest.mark.compiled
def test_the_mean_multiplies_the_loop_by_its_own_response() -> None:
    """Mean over T: sinc(f·T) and half of T late; what the sampler folds makes a small rest."""
    frequency = np.array([5.0, 20.0, 60.0, 150.0, 300.0])
    plain = response(frequency)
    averaged = response(frequency, "line.ts.moving_average=2 ms")
    mean = np.sinc(frequency * 2e-3) * np.exp(-1j * np.pi * frequency * 2e-3)
    np.testing.assert_allclose(averaged / plain, mean, atol=5e-3)
