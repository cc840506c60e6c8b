"""What a sampler makes of a value: errors, clamp, quantiser; and counted edges."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shaftloop.control.reading import count_edges, digitise, graduation, hysteresis, time_edges

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


def test_follower_moves_only_when_pulled() -> None:
    follower, shown = 0.0, []
    for value in (0.0, 10.0, 30.0, 100.0, 80.0, 50.0, 20.0):
        y, follower = hysteresis(value, follower, 25.0, 0.01)
        shown.append(round(y - value, 12))
    assert shown == [0.0, -0.1, -0.25, -0.25, -0.05, 0.25, 0.25]


def test_graduation_error_moves_the_angle_shown_and_wraps_the_turn() -> None:
    shown, turn, gain = graduation(0.3, 0.1, 6.2, 0.01, 0.5)
    assert turn == pytest.approx(6.4 - 2.0 * math.pi)
    assert shown == pytest.approx(0.3 + 0.01 * (math.sin(6.9) - math.sin(6.7)))
    assert gain == pytest.approx(1.0 + 0.01 * math.cos(6.9))


def test_timed_edges() -> None:
    """Edges at 0.1 rad; the last one lies 0.03 rad, so 3 ms, behind a sample at 1 s."""
    speed, rest, came, way = time_edges(0.03, 0.23, 0.1, 10.0, 1.0, 0.02, (0.977, 1.0, 0.0), 1e6)
    assert (speed, rest, came) == (pytest.approx(10.0), pytest.approx(0.03), pytest.approx(0.997))
    assert way == 1.0
    speed, rest, came, way = time_edges(0.03, -0.17, 0.1, -10.0, 1.0, 0.02, (0.983, -1.0, 0.0), 1e6)
    assert (speed, rest, came) == (pytest.approx(-20.0), pytest.approx(0.03), pytest.approx(0.993))
    assert way == -1.0


def test_no_edge_keeps_the_speed_but_bounds_it() -> None:
    assert time_edges(0.03, 0.05, 0.1, 1.0, 1.0, 0.02, (0.95, 1.0, 1.5), 1e6) == (1.5, 0.05, 0.95, 1.0)
    assert time_edges(0.07, 0.05, 0.1, -1.0, 1.0, 0.02, (0.8, 1.0, -1.5), 1e6)[0] == pytest.approx(-0.5)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_edge_is_timed_exactly_at_constant_acceleration(sign: float) -> None:
    """From rest 0.04 rad before the edge with 80 rad/s²: the edge after sqrt(0.001) s."""
    before = 0.06 if sign > 0.0 else 0.04
    angle = before + sign * 40.0 * 0.04**2
    found = time_edges(before, angle, 0.1, sign * 3.2, 1.0, 0.04, (0.9, sign, 0.0), 1e9)
    assert found[2] == pytest.approx(0.96 + math.sqrt(1e-3), abs=2e-9)
    assert found[0] == pytest.approx(sign * 0.1 / (0.06 + math.sqrt(1e-3)), rel=1e-6)


def test_the_first_edge_tells_no_speed_and_an_edge_passed_back_none_either() -> None:
    assert time_edges(0.0, -0.001, 0.1, -0.1, 0.02, 0.02, (0.0, 0.0, 0.0), 1e6)[::3] == (0.0, -1.0)
    assert time_edges(0.001, -0.001, 0.1, -0.1, 1.0, 0.02, (0.9, 1.0, 0.1), 1e6)[::3] == (0.0, -1.0)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(0.05, 5.0), st.floats(0.0, 6.3), st.floats(0.05, 3.0), st.floats(-3.0, 3.0))
def test_timed_speed_stays_within_the_true_one(swing: float, start: float, rate: float, mean: float) -> None:
    """A speed that swings around a mean, through zero where that is small; samples at 1 ms."""
    edge, period = 7e-4, 1e-3
    before, last, way, reported, turned, shown = 0.0, 0.0, 0.0, 0.0, 0.0, []
    for n in range(1, 400):
        now = n * period
        angle = mean * now + swing / rate * (math.cos(start) - math.cos(start + rate * now))
        speed = mean + swing * math.sin(start + rate * now)
        known = (last, way, reported)
        reported, rest, last, way = time_edges(before, angle - turned, edge, speed, now, period, known, 1e8)
        before, turned = rest, angle - rest
        shown.append(reported)
    speeds = mean + swing * np.sin(start + rate * np.linspace(0.0, 0.4, 4001))
    assert min(shown) >= min(0.0, 1.001 * np.min(speeds)) - 1e-4
    assert max(shown) <= max(0.0, 1.001 * np.max(speeds)) + 1e-4
