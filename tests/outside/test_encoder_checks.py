"""Checks E8.1 to E8.3: resolution and lag of encoder speed."""

import math

import pytest

from shaftloop_models.encoder import edge_angle, speed_quantum, timing_resolution

RPM = 2.0 * math.pi / 60.0


@pytest.mark.parametrize(("turns_per_second", "resolution"), [(1.0, 0.02), (100.0, 0.0002)])
def test_e8_1_resolution_of_counting(turns_per_second: float, resolution: float) -> None:
    """Problem as in C. W. de Silva's texts; inputs read in a stored page. 500 pulses, gate 0.1 s."""
    relative = speed_quantum(500, 0.1) / (2.0 * math.pi * turns_per_second)
    assert relative == pytest.approx(resolution, rel=1e-12)


def test_e8_2_resolution_of_counting_where_both_methods_meet() -> None:
    """1/(f·gate) = f/clock at a pulse frequency of 10 kHz, 1200 rpm; derived from first principles."""
    assert speed_quantum(500, 0.1) / (1200.0 * RPM) == pytest.approx(1e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("counts", "period", "rpm"), [(4096, 1e-3, 14.648), (1024, 10e-3, 5.859), (10_000, 0.5e-3, 12.0)]
)
def test_e8_3_quantum_of_counted_speed(counts: int, period: float, rpm: float) -> None:
    """Definition of counting, 2·pi·n/(N·T); derived from first principles."""
    assert speed_quantum(counts, period) / RPM == pytest.approx(rpm, rel=1e-3)
    if counts % 4 == 0:
        assert edge_angle(counts // 4) / period / RPM == pytest.approx(rpm, rel=1e-3)


@pytest.mark.parametrize(("turns_per_second", "resolution"), [(1.0, 5e-5), (100.0, 5e-3)])
def test_e8_1_resolution_of_timing(turns_per_second: float, resolution: float) -> None:
    """Problem as in C. W. de Silva's texts; inputs read in a stored page. 500 pulses, clock 10 MHz."""
    speed = 2.0 * math.pi * turns_per_second
    pulse = 1.0 / (500.0 * turns_per_second)
    assert timing_resolution(speed, 10e6, pulse) / speed == pytest.approx(resolution, rel=1e-12)


def test_e8_2_timing_resolves_as_counting_does_at_10_khz() -> None:
    """f/clock at a pulse frequency of sqrt(clock/gate) = 10 kHz; derived from first principles."""
    frequency = math.sqrt(10e6 / 0.1)
    assert frequency == pytest.approx(10e3)
    assert timing_resolution(1200.0 * RPM, 10e6, 1.0 / frequency) / (1200.0 * RPM) == pytest.approx(1e-3)
