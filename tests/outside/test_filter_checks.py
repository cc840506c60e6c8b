"""Checks E6.1 to E6.6 and E6.8: low-passes of the torque sensor, sampling, hold, integral of a loop."""

import math

import numpy as np
import pytest
from scipy.linalg import expm

from shaftloop.analysis.fidelity.forced import folded
from shaftloop.analysis.fidelity.signalpath import hold_response
from shaftloop.analysis.fidelity.signalpath import rise_time as stated_rise_time
from shaftloop.control.pi import BACK_CALCULATION, pi_update
from shaftloop_models.lowpass import LowPass, sections, state_space

CUTOFF = 900.0


def response(kind: str, order: int, relative: np.ndarray) -> np.ndarray:
    """Return the frequency response at multiples of the cutoff."""
    f, g, out = state_space(LowPass(kind, CUTOFF, order))
    s = 2j * np.pi * CUTOFF * relative
    return np.array([np.linalg.solve(x * np.eye(order) - f, g)[out] for x in s])


def attenuation(kind: str, order: int, relative: np.ndarray) -> np.ndarray:
    return -20.0 * np.log10(np.abs(response(kind, order, relative)))


def group_delay(kind: str, order: int, relative: np.ndarray) -> np.ndarray:
    """Return the group delay times the cutoff."""
    step = 1e-5
    after, before = response(kind, order, relative + step), response(kind, order, relative - step)
    return -np.angle(after / before) / (2.0 * step) / (2.0 * np.pi)


def rise_time(low_pass: LowPass) -> float:
    """Return the time from 10 to 90 % of the step response."""
    f, g, out = state_space(low_pass)
    step = 1e-3 / low_pass.cutoff
    once = expm(f * step)
    settled = np.linalg.solve(-f, g)
    state, values = np.zeros(len(g)), []
    for _ in range(1500):
        values.append(state[out])
        state = settled + once @ (state - settled)
    low, high = (int(np.argmax(np.array(values) >= level)) for level in (0.1, 0.9))
    crossings = [
        i - 1 + (level - values[i - 1]) / (values[i] - values[i - 1])
        for i, level in ((low, 0.1), (high, 0.9))
    ]
    return (crossings[1] - crossings[0]) * step


def test_e6_1_attenuation_phase_and_delay_of_a_four_pole_bessel() -> None:
    """Filter-module data sheet, appendix A, theoretical transfer characteristics; read in a stored page."""
    at = np.array([0.2, 0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0])
    printed = [0.111, 0.705, 1.86, 3.01, 4.51, 7.42, 13.4, 25.1, 41.9, 65.7]
    assert attenuation("bessel", 4, at) == pytest.approx(printed, rel=5e-3)
    phase = np.degrees(np.unwrap(np.angle(response("bessel", 4, np.linspace(0.0, 10.0, 2001)))))
    turned = [float(phase[round(200 * x)]) for x in (0.5, 0.8, 1.0, 2.0, 10.0)]
    assert turned == pytest.approx([-60.6, -96.8, -121.0, -219.0, -333.0], rel=5e-3)
    flat = group_delay("bessel", 4, np.linspace(0.01, 0.6, 30))
    assert flat == pytest.approx(np.full(30, 0.336), rel=5e-3)
    later = group_delay("bessel", 4, np.array([1.0, 1.2, 1.5, 2.0, 3.0]))
    assert later == pytest.approx([0.330, 0.318, 0.280, 0.194, 0.089], rel=5e-3)


@pytest.mark.parametrize(
    ("order", "table", "delay"),
    [
        (2, [(1.3617, 0.6180, 0.58)], 0.2167),
        (3, [(0.7560, 0.0, 0.0), (0.9996, 0.4772, 0.69)], 0.2794),
        (4, [(1.3397, 0.4889, 0.52), (0.7743, 0.3890, 0.81)], 0.3364),
        (5, [(0.6656, 0.0, 0.0), (1.1402, 0.4128, 0.56), (0.6216, 0.3245, 0.92)], 0.3863),
        (6, [(1.2217, 0.3887, 0.51), (0.9686, 0.3505, 0.61), (0.5131, 0.2756, 1.02)], 0.4303),
    ],
)
def test_e6_2_bessel_coefficients(order: int, table: list[tuple[float, float, float]], delay: float) -> None:
    """Op Amps for Everyone, 5th ed., section 16.9, table 16.6; read in a stored page."""
    found = []
    for omega, q in sections(LowPass("bessel", CUTOFF, order)):
        relative = 2.0 * math.pi * CUTOFF / omega
        found.append((relative, 0.0, 0.0) if q == 0.0 else (relative / q, relative**2, q))
    for (a, b, q), (a_table, b_table, q_table) in zip(found, table, strict=True):
        assert a == pytest.approx(a_table, abs=1e-4)
        assert b == pytest.approx(b_table, abs=1e-4)
        assert q == pytest.approx(q_table, abs=0.005)
    assert sum(a for a, _, _ in found) / (2.0 * math.pi) == pytest.approx(delay, abs=1e-4)
    assert group_delay("bessel", order, np.array([1e-3]))[0] == pytest.approx(delay, abs=1e-4)


@pytest.mark.parametrize(
    ("low_pass", "product"),
    [
        (LowPass("first_order", CUTOFF), 0.3497),
        (LowPass("butterworth", CUTOFF, 2), 0.342),
        (LowPass("butterworth", CUTOFF, 4), 0.387),
        (LowPass("butterworth", CUTOFF, 8), 0.460),
        (LowPass("bessel", CUTOFF, 2), 0.342),
        (LowPass("bessel", CUTOFF, 4), 0.350),
        (LowPass("bessel", CUTOFF, 8), 0.347),
    ],
)
def test_e6_5_rise_time_times_cutoff(low_pass: LowPass, product: float) -> None:
    """Numerical step responses; derived from first principles."""
    assert rise_time(low_pass) * CUTOFF == pytest.approx(product, rel=5e-3)


@pytest.mark.parametrize(
    ("order", "at_two", "at_ten"), [(1, 6.99, 20.04), (2, 12.30, 40.0), (4, 24.10, 80.0), (8, 48.16, 160.0)]
)
def test_e6_6_butterworth_attenuation(order: int, at_two: float, at_ten: float) -> None:
    """Definition 10·log10(1 + (f/fc)^(2n)); n = 1 is the first order low-pass."""
    kind = "butterworth" if order > 1 else "first_order"
    found = attenuation(kind, order, np.array([1.0, 2.0, 10.0]))
    assert found == pytest.approx([3.01, at_two, at_ten], abs=0.01)


@pytest.mark.parametrize(
    ("frequency", "place"),
    [(60, 60), (499, 499), (501, 499), (900, 100), (1100, 100), (1499, 499), (2300, 300), (7250, 250)],
)
def test_e6_3_folding_of_a_frequency(frequency: float, place: float) -> None:
    """|f − fs·round(f/fs)| at 1000 Hz; derived from first principles."""
    assert folded(float(frequency), 1000.0) == float(place)


@pytest.mark.parametrize(
    ("share", "size", "decibel", "angle"),
    [
        (0.05, 0.99589, -0.0357, -9.0),
        (0.10, 0.98363, -0.1434, -18.0),
        (0.25, 0.90032, -0.912, -45.0),
        (0.50, 0.63662, -3.922, -90.0),
    ],
)
def test_e6_4_hold_between_samples(share: float, size: float, decibel: float, angle: float) -> None:
    """|ZOH| = sinc(f/fs), half a period late; derived from first principles."""
    held = hold_response(np.array([share * 8e3]), 8e3)[0]
    assert abs(held) == pytest.approx(size, rel=1e-4)
    assert 20.0 * math.log10(abs(held)) == pytest.approx(decibel, abs=5e-4)
    assert math.degrees(np.angle(held)) == pytest.approx(angle, rel=1e-4)


@pytest.mark.parametrize(
    ("low_pass", "product"),
    [
        (LowPass("first_order", CUTOFF), 0.3497),
        (LowPass("butterworth", CUTOFF, 8), 0.460),
        (LowPass("bessel", CUTOFF, 4), 0.350),
    ],
)
def test_e6_5_rise_time_as_the_fidelity_of_a_reading_states_it(low_pass: LowPass, product: float) -> None:
    """Numerical step responses; derived from first principles."""
    assert stated_rise_time(low_pass) * CUTOFF == pytest.approx(product, rel=5e-3)


def test_e6_8_integral_part_of_a_sampled_pi() -> None:
    """A unit error held for 50 samples raises it by 2.0; from the Tustin transform.

    The coefficients of the check, 2.02 and -1.98, are those of the trapezoidal rule. Loops here integrate by
    rectangles, 2.0 and -1.96, so that only the sum q0 + q1 = kp·T/Ti is the same.
    """
    kp, ti, period = 2.0, 50e-3, 1e-3
    integral, outputs = 0.0, []
    for _ in range(51):
        output, integral = pi_update(1.0, integral, kp, kp / ti, period, 0.0, math.inf, BACK_CALCULATION)
        outputs.append(output)
    assert outputs[50] - outputs[0] == pytest.approx(2.0, rel=1e-12)
    assert outputs[1] - outputs[0] == pytest.approx(2.02 - 1.98, rel=1e-9)
