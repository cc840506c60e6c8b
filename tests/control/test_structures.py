"""Sections of derivative, high-pass, path models and observer against scipy and plain sums."""

import cmath
import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from shaftloop.control.filters import Section
from shaftloop.control.parameters import ActiveDamping, DisturbanceObserver, Predictor
from shaftloop.control.structures import (
    damping_section,
    derivative_section,
    observer_sections,
    predictor_sections,
    setpoint_section,
    whole_samples,
)
from shaftloop_models.parameters import Delay, Gain

RATE = 4000.0
PERIOD = Fraction(1, 4000)
FREQUENCIES = [1.0, 40.0, 300.0, 1500.0]


def value(section: Section, frequency: float) -> complex:
    b0, b1, b2, a1, a2 = section
    return complex(signal.freqz([b0, b1, b2], [1.0, a1, a2], [frequency], fs=RATE)[1][0])


def path(gain: float, lag: float, delay: float, frequency: float) -> complex:
    """The pulse response of lag and delay behind a hold, summed: samples of its step response."""
    k = np.arange(100 + round(33.0 * lag * RATE))

    def step(time: np.ndarray) -> np.ndarray:
        if lag == 0.0:
            return np.where(time > 0.0, gain, 0.0)
        return gain * (1.0 - np.exp(-np.maximum(time, 0.0) / lag))

    # A value that changes at a tick is read at that tick as it was: a hair before.
    time = k / RATE - delay - (1e-12 if lag == 0.0 else 0.0)
    pulse = step(time) - step(time - 1.0 / RATE)
    return complex(np.sum(pulse * np.exp(-2j * np.pi * frequency * k / RATE)))


@pytest.mark.parametrize("cutoff", [20.0, 300.0, 1900.0])
def test_slope_of_the_derivative_is_kd_whatever_its_cutoff(cutoff: float) -> None:
    section = derivative_section(0.003, cutoff, RATE)
    assert value(section, 1e-3) / (2j * math.pi * 1e-3) == pytest.approx(0.003, rel=1e-3)
    assert section[3] == -math.exp(-2.0 * math.pi * cutoff / RATE)
    ramp = signal.lfilter(section[:3], [1.0, *section[3:]], np.arange(4000) / RATE)
    assert ramp[-1] == pytest.approx(0.003, rel=1e-9)


def test_derivative_is_a_difference_behind_a_low_pass() -> None:
    pole = math.exp(-2.0 * math.pi * 300.0 / RATE)
    for frequency in FREQUENCIES:
        back = cmath.exp(-2j * math.pi * frequency / RATE)
        expected = 0.002 * RATE * (1.0 - back) * (1.0 - pole) / (1.0 - pole * back)
        assert value(derivative_section(0.002, 300.0, RATE), frequency) == pytest.approx(expected, rel=1e-12)


def test_setpoint_filter_is_scipys_butterworth() -> None:
    b, a = signal.butter(1, 60.0, fs=RATE)
    section = setpoint_section(60.0, RATE)
    assert [*section[:2], section[3]] == pytest.approx([*b, a[1]], rel=1e-12)


def test_high_pass_of_the_damping_is_scipys_butterworth() -> None:
    b, a = signal.butter(1, 7.0, "highpass", fs=RATE)
    section = damping_section(ActiveDamping(3.0, "a", "b", 7.0), RATE)
    assert [*section[:2], section[3]] == pytest.approx([*(3.0 * b), a[1]], rel=1e-9)
    assert damping_section(ActiveDamping(3.0, "a", "b"), RATE) == (3.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("lag", [0.0, 1e-4, 2e-3, 1.5])
@pytest.mark.parametrize("samples", [Fraction(0), Fraction(3), Fraction(5, 2), Fraction(99, 100)])
def test_path_model_is_the_sampled_path(lag: float, samples: Fraction) -> None:
    model = Predictor(Gain(0.7, "1"), lag, Delay(samples, in_samples=True))
    prompt, delayed = predictor_sections(model, PERIOD)
    assert whole_samples(model, PERIOD) == math.floor(samples)
    for frequency in FREQUENCIES:
        back = cmath.exp(-2j * math.pi * frequency / RATE)
        late = value(delayed, frequency) * back ** (1 + whole_samples(model, PERIOD))
        expected = path(0.7, lag, float(samples) / RATE, frequency)
        assert late == pytest.approx(expected, rel=1e-7, abs=1e-12)
        assert value(prompt, frequency) * back == pytest.approx(path(0.7, lag, 0.0, frequency), rel=1e-7)


@pytest.mark.parametrize("lag", [0.0, 2e-3, 1.5])
def test_observer_inverts_the_lag_and_leaves_the_delay(lag: float) -> None:
    """Of a disturbance ahead of the path it shows Q times the delay, of the command nothing."""
    model = DisturbanceObserver(Gain(0.7, "1"), lag, Delay(Fraction(1, 1600)), 50.0)
    read, sent = observer_sections(model, PERIOD)
    pole = math.exp(-2.0 * math.pi * 50.0 / RATE)
    for frequency in FREQUENCIES:
        back = cmath.exp(-2j * math.pi * frequency / RATE)
        plant = path(0.7, lag, 1.0 / 1600.0, frequency)
        prompt = path(0.7, lag, 0.0, frequency)
        q = (1.0 - pole) * back / (1.0 - pole * back)
        assert value(read, frequency) * prompt == pytest.approx(q, rel=1e-7)
        assert value(sent, frequency) * back**3 == pytest.approx(value(read, frequency) * plant, rel=1e-7)
