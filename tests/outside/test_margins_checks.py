"""Margins of loops whose exact values are known, finely sampled where the source is continuous.

E5.1 and E5.2: Kessler's modulus and symmetrical optimum, textbook figures from memory, recomputed. E5.6:
Åström and Murray, Feedback Systems, from memory. E5.3 and E6.4 stand in ``test_loop_analysis.py``.
"""

import math

import numpy as np
import pytest
from scipy.signal import cont2discrete, lti

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.operating import OperatingPoint

FINE = 2e-3
"""Sampling period, in units of the sum of small time constants."""


def sampled(numerator: list[float], denominator: list[float]) -> OpenLoop:
    system = lti(numerator, denominator).to_ss()
    a, b, c, d, _ = cont2discrete((system.A, system.B, system.C, system.D), FINE, "zoh")
    return OpenLoop(a, b, -c, -d, FINE, np.zeros(1))


def margins(loop: OpenLoop) -> Margins:
    return Margins("check", "torque", OperatingPoint({}, 0.0, 0.0), loop)


def step_response(loop: OpenLoop, filter_time: float = 0.0) -> np.ndarray:
    """Return the closed loop's answer to a step, through a first-order filter where a time is given."""
    x, target, outputs = np.zeros(len(loop.a)), 0.0 if filter_time else 1.0, []
    share = -math.expm1(-FINE / filter_time) if filter_time else 0.0
    for _ in range(round(30.0 / FINE)):
        y = float((-loop.c @ x)[0])
        outputs.append(y)
        x = loop.a @ x + loop.b[:, 0] * (target - y)
        target += share * (1.0 - target)
    return np.array(outputs)


def figures(response: np.ndarray) -> tuple[float, float, float]:
    """Return overshoot [%], first reach of the set-point and settling to 2 % [T]."""
    outside = np.flatnonzero(np.abs(response - 1.0) > 0.02)
    return 100.0 * (response.max() - 1.0), FINE * np.argmax(response >= 1.0), FINE * outside[-1]


def test_modulus_optimum() -> None:
    """E5.1: open loop 1/(2Ts(1 + Ts))."""
    loop = sampled([1.0], [2.0, 2.0, 0.0])
    found = margins(loop)
    assert found.stable
    assert 2.0 * math.pi * (found.crossover or 0.0) == pytest.approx(0.4551, rel=5e-3)
    assert found.phase_margin == pytest.approx(65.5, rel=5e-3)
    assert found.ms == pytest.approx(1.272, rel=5e-3)
    assert found.mt == pytest.approx(1.0, rel=5e-3)
    assert figures(step_response(loop)) == pytest.approx((4.32, 4.71, 8.43), rel=5e-3)


def test_symmetrical_optimum() -> None:
    """E5.2: open loop (1 + 4Ts)/(8T²s²(1 + Ts)), without and with the set-point filter 1/(1 + 4Ts)."""
    loop = sampled([4.0, 1.0], [8.0, 8.0, 0.0, 0.0])
    found = margins(loop)
    assert found.stable
    assert 2.0 * math.pi * (found.crossover or 0.0) == pytest.approx(0.5, rel=5e-3)
    assert found.phase_margin == pytest.approx(36.87, rel=5e-3)
    assert found.ms == pytest.approx(1.682, rel=5e-3)
    assert figures(step_response(loop)) == pytest.approx((43.4, 3.09, 16.55), rel=5e-3)
    assert figures(step_response(loop, 4.0)) == pytest.approx((8.15, 7.56, 13.28), rel=5e-3)


@pytest.mark.parametrize(
    ("ms", "gain", "phase"), [(1.2, 6.0, 49.2), (1.4, 3.5, 41.8), (1.6, 2.667, 36.4), (2.0, 2.0, 29.0)]
)
def test_margins_that_a_largest_sensitivity_guarantees(ms: float, gain: float, phase: float) -> None:
    """E5.6: a loop tuned to a given Ms has at least the margins of the table, and the bound is met by it."""
    low, high = 1e-3, 1.0
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if margins(delayed(middle)).ms < ms else (low, middle)
    found = margins(delayed(low))
    assert found.ms == pytest.approx(ms, rel=1e-6)
    assert found.gain_margin is not None and found.phase_margin is not None
    assert found.gain_margin >= gain - 5e-4
    assert found.phase_margin >= phase - 0.05


def delayed(gain: float) -> OpenLoop:
    """Return an integrator behind three samples of delay."""
    a = np.eye(4, k=1)
    a[0, 0], a[0, 1] = 1.0, gain
    b = np.array([[0.0], [0.0], [0.0], [1.0]])
    return OpenLoop(a, b, np.array([[-1.0, 0.0, 0.0, 0.0]]), np.zeros((1, 1)), 1.0, np.zeros(1))
