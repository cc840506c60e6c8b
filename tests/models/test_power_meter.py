"""How late a power meter reads."""

import math
from dataclasses import replace
from fractions import Fraction

import pytest

from shaftloop_models.parameters import Delay
from shaftloop_models.power_meter import PowerMeter, lag_share, meter_delay

METER = PowerMeter(name="pm", on="drive", sampling=Fraction(100), range=10e3)


def test_a_plain_meter_is_half_a_period_late() -> None:
    assert lag_share(METER) == 1.0
    assert meter_delay(METER) == pytest.approx(5e-3)
    assert meter_delay(replace(METER, latency=Delay(Fraction(2), in_samples=True))) == pytest.approx(25e-3)


def test_the_lag_adds_the_delay_of_its_sampled_form() -> None:
    """On a ramp the lag y += a·(x − y) settles T·(1 − a)/a behind; a fast ramp of means shows it."""
    meter = replace(METER, bandwidth=10.0)
    share = lag_share(meter)
    assert share == pytest.approx(1.0 - math.exp(-2.0 * math.pi * 10.0 / 100.0))
    y = 0.0
    for k in range(200):
        y += share * (float(k) - y)
    assert (199.0 - y) * 10e-3 == pytest.approx(meter_delay(meter) - 5e-3, rel=1e-9)
