"""What a sampler makes of a value: errors, clamp, quantiser; and counted edges."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shaftloop.control.reading import count_edges, digitise

INF = math.inf


def read(value: float, **keys: float) -> float:
    plain = {"gain": 1.0, "zero": 0.0, "cubic": 0.0, "rated": 100.0, "span": INF, "quantum": 0.0}
    return float(digitise(value, *{**plain, **keys}.values()))


def test_ideal_sampler_returns_the_value() -> None:
    assert [read(value) for value in (-3.7, 0.0, 1e9)] == [-3.7, 0.0, 1e9]


def test_errors_add_up() -> None:
    assert read(50.0, gain=1.02, zero=-0.5) == pytest.approx(50.5)
    assert read(50.0, gain=1.02, zero=-0.5, cubic=0.01) == pytest.approx(50.5 + 0.01 * 50.0 * 0.75)
    assert read(100.0, cubic=0.3) == 100.0
    assert read(-50.0, cubic=0.01) == pytest.approx(-50.375)


def test_clamp_cuts_either_sign_and_comes_before_the_quantiser() -> None:
    assert (read(120.0, span=90.0), read(-120.0, span=90.0)) == (90.0, -90.0)
    assert read(120.0, span=90.4, quantum=1.0) == 90.0


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.5, 0.0),
        (1.5, 2.0),
        (2.5, 2.0),
        (-0.5, 0.0),
        (-1.5, -2.0),
        (0.49999, 0.0),
        (0.50001, 1.0),
        (7.0, 7.0),
    ],
)
def test_quantiser_rounds_half_to_even(value: float, expected: float) -> None:
    assert read(value * 0.25, quantum=0.25) == expected * 0.25


@given(st.floats(-1e6, 1e6), st.sampled_from((1000.0 / 65536.0, 0.1, 3.0)))
def test_quantiser_equals_numpy(value: float, quantum: float) -> None:
    reading = read(value, quantum=quantum)
    assert reading == quantum * float(np.rint(value / quantum))
    assert abs(reading - value) <= 0.5 * quantum * (1.0 + 1e-9)


def test_uncounted_edge_reports_the_mean_speed() -> None:
    assert count_edges(0.012, 0.0, 2000.0) == (pytest.approx(24.0), 0.0)


@settings(max_examples=30)
@given(st.floats(-300.0, 300.0), st.integers(0, 10_000))
def test_no_edge_is_lost(speed: float, seed: int) -> None:
    """The mean over a long time is exact to one edge; what is left over stays below an edge."""
    rate, edge = 2000.0, 2.0 * math.pi / 8192.0
    rng = np.random.default_rng(seed)
    angle, turned, counted = 0.0, 0.0, 0.0
    for share in rng.uniform(0.5, 1.5, 200):
        angle += speed * share / rate
        turned += speed * share / rate
        reported, angle = count_edges(angle, edge, rate)
        counted += reported / rate
        assert 0.0 <= angle < edge * (1.0 + 1e-9)
        assert reported / rate / edge == pytest.approx(round(reported / rate / edge), abs=1e-6)
    assert abs(counted - turned) <= edge * (1.0 + 1e-6)
