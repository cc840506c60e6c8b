"""Filters on the reading against scipy.signal."""

import math

import numpy as np
import pytest
from scipy import signal

from shaftloop.control.filters import biquad, design
from shaftloop.control.parameters import Filter, LeadLag, Notch, ReadingLowPass

RATE = 4000.0

FILTERS: list[Filter] = [
    ReadingLowPass("low_pass", 300.0),
    ReadingLowPass("low_pass", 700.0, 2),
    Notch("notch", 870.0, 0.5, 0.1),
    Notch("notch", 78.0, 0.05),
    LeadLag("lead_lag", 60.0, 400.0),
    LeadLag("lead_lag", 900.0, 45.0),
]


def polynomials(section: tuple[float, ...]) -> tuple[list[float], list[float]]:
    b0, b1, b2, a1, a2 = section
    return [b0, b1, b2], [1.0, a1, a2]


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("cutoff", [20.0, 300.0, 1700.0])
def test_low_pass_is_scipys_butterworth(order: int, cutoff: float) -> None:
    b, a = signal.butter(order, cutoff, fs=RATE)
    ours = polynomials(design(ReadingLowPass("low_pass", cutoff, order), RATE))
    assert ours[0][: order + 1] == pytest.approx(b.tolist(), rel=1e-9, abs=1e-14)
    assert ours[1][: order + 1] == pytest.approx(a.tolist(), rel=1e-9, abs=1e-14)


def test_notch_without_depth_is_scipys_notch() -> None:
    """Its damping is half the relative width, prewarped at the centre."""
    centre = 400.0
    b, a = signal.iirnotch(centre, 10.0, fs=RATE)
    width = math.tan(math.pi * centre / 10.0 / RATE) / math.sin(2.0 * math.pi * centre / RATE)
    ours = polynomials(design(Notch("notch", centre, width), RATE))
    assert ours[0] == pytest.approx(b.tolist(), rel=1e-9) and ours[1] == pytest.approx(a.tolist(), rel=1e-9)


@pytest.mark.parametrize("spec", FILTERS, ids=lambda s: f"{s.kind}")
def test_design_is_the_bilinear_transform_prewarped_at_its_frequency(spec: Filter) -> None:
    def warp(frequency: float) -> float:
        return 2.0 * RATE * math.tan(math.pi * frequency / RATE)

    if isinstance(spec, ReadingLowPass):
        w = warp(spec.cutoff)
        analogue = ([w], [1.0, w]) if spec.order == 1 else ([w * w], [1.0, math.sqrt(2.0) * w, w * w])
    elif isinstance(spec, Notch):
        w = warp(spec.frequency)
        analogue = ([1.0, 2 * spec.depth * spec.damping * w, w * w], [1.0, 2 * spec.damping * w, w * w])
    else:
        zero, pole = warp(spec.zero), warp(spec.pole)
        analogue = ([pole, pole * zero], [zero, pole * zero])
    b, a = signal.bilinear(*analogue, fs=RATE)
    ours = polynomials(design(spec, RATE))
    assert ours[0][: len(b)] == pytest.approx(b.tolist(), rel=1e-9, abs=1e-13)
    assert ours[1][: len(a)] == pytest.approx(a.tolist(), rel=1e-9, abs=1e-13)
    assert not any(ours[0][len(b) :]) and not any(ours[1][len(a) :])


@pytest.mark.parametrize("spec", FILTERS, ids=lambda s: f"{s.kind}")
def test_section_runs_like_scipys(spec: Filter) -> None:
    section = design(spec, RATE)
    values = np.random.default_rng(1).normal(size=200)
    known = signal.lfilter(*polynomials(section), values)
    w1 = w2 = 0.0
    for value, expected in zip(values, known, strict=True):
        y, w1, w2 = biquad(value, w1, w2, *section)
        assert y == pytest.approx(expected, rel=1e-12, abs=1e-12)


def gain(spec: Filter, frequency: float) -> float:
    _, response = signal.freqz(*polynomials(design(spec, RATE)), worN=[frequency], fs=RATE)
    return float(abs(response[0]))


def test_gains_at_the_frequencies_that_name_the_filters() -> None:
    assert all(gain(spec, 1e-3) == pytest.approx(1.0, rel=1e-6) for spec in FILTERS)
    assert gain(FILTERS[0], 300.0) == pytest.approx(math.sqrt(0.5), rel=1e-9)
    assert gain(FILTERS[1], 700.0) == pytest.approx(math.sqrt(0.5), rel=1e-9)
    assert gain(FILTERS[2], 870.0) == pytest.approx(0.1, rel=1e-9)
    assert gain(FILTERS[3], 78.0) == pytest.approx(0.0, abs=1e-9)
    ratio = math.tan(math.pi * 400.0 / RATE) / math.tan(math.pi * 60.0 / RATE)
    assert gain(FILTERS[4], 1999.999) == pytest.approx(ratio, rel=1e-4)
