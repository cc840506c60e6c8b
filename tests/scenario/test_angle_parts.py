"""Ripple, cogging and misalignment as a scenario states them, and what the reader refuses."""

import math

import pytest

from shaftloop_models.harmonics import Cogging, Ripple

COUPLING = 'name = "c1"\n'
MACHINE = 'name = "drive"\n'


def test_units_and_defaults(bench) -> None:
    ripple = (
        'rated_torque = "150 N m"\n'
        'ripple = [{ order = 6, amplitude = "800 mN m", phase = "30 deg" },\n'
        '          { order = 24, amplitude = "2 N m", scales = "torque" }]\n'
        'cogging = [{ order = 48, amplitude = "0.3 N m" }]\n'
    )
    offset = 'parallel_offset = "0.1 mm"\npitch_diameter = "8 cm"\nangular_offset = "0.2 deg"\n'
    line = bench.read((MACHINE, MACHINE + ripple), (COUPLING, COUPLING + offset)).description.line
    assert line[0].ripple == (Ripple(6, 0.8, pytest.approx(math.pi / 6)), Ripple(24, 2.0, 0.0, "torque"))
    assert line[0].cogging == (Cogging(48, 0.3),)
    assert (line[1].parallel_offset, line[1].pitch_diameter) == (pytest.approx(1e-4), pytest.approx(0.08))
    assert line[1].angular_offset == pytest.approx(math.radians(0.2))
    assert (line[3].parallel_offset, line[3].angular_offset, line[3].uneven_share) == (0.0, 0.0, 0.1)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            'ripple = [{ order = 0, amplitude = "1 N m" }]',
            "line.drive.ripple.0.order: 0 is out of range; allowed: above 0",
        ),
        ('ripple = [{ order = -6, amplitude = "1 N m" }]', "order: -6 is out of range; allowed: above 0"),
        (
            'ripple = [{ order = 0.3333333, amplitude = "1 N m" }]',
            "order: 0.3333333 is no ratio of small whole numbers: its denominator is 10000000; "
            'allowed: up to 1000; nearest: "1/3"',
        ),
        ('ripple = [{ order = "11/0", amplitude = "1 N m" }]', '"11/0" is no ratio of whole numbers'),
        (
            'ripple = [{ order = "2001/2", amplitude = "1 N m" }]',
            "out of range; allowed: above 0 and at most",
        ),
        (
            'ripple = [{ order = "1/997", amplitude = "1 N m" }, { order = "1/991", amplitude = "1 N m" }]',
            "what depends on the angle of one shaft repeats after 988027 turns (drive 988027); allowed",
        ),
        ('ripple = [{ amplitude = "1 N m" }]', "order: missing: periods per turn of the rotor"),
        ("ripple = [{ order = 6 }]", "amplitude: missing"),
        ('ripple = [{ order = 6, amplitude = "0 N m" }]', '"0 N m" is out of range; allowed: above 0'),
        ('ripple = [{ order = 6, amplitude = "5 A" }]', "the unit A does not fit"),
        ('ripple = [{ order = 6, amplitude = "300 N m" }]', "at most the largest torque, 200 N m"),
        ('ripple = [{ order = 6, amplitude = "1 N m", scales = "speed" }]', '"speed" is not one of'),
        ('ripple = [{ order = 6, amplitude = "1 N m", scales = "torque" }]', "needs rated_torque"),
        ('cogging = [{ order = 6, amplitude = "1 N m", scales = "torque" }]', "unknown key"),
        (
            'cogging = [{ order = 6, amplitude = "1 N m" }, { order = 6, amplitude = "2 N m" }]',
            "line.drive.cogging: order 6 is stated twice",
        ),
        ('cogging = { order = 6, amplitude = "1 N m" }', "where a list is due"),
    ],
)
def test_machine_is_refused(bench, text: str, says: str) -> None:
    assert says in bench.message((MACHINE, f"{MACHINE}{text}\n"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('parallel_offset = "0.1 mm"', "line.c1.pitch_diameter: missing: a parallel offset of 0.0001 m"),
        ('parallel_offset = "-1 mm"', "parallel_offset"),
        (
            'parallel_offset = "20 mm"\npitch_diameter = "80 mm"',
            "allowed: up to a tenth of the pitch diameter",
        ),
        ('angular_offset = "45 deg"', "angular_offset"),
        ('angular_offset = "0.1 mm"', "the unit mm does not fit"),
        ("uneven_share = 1.5", "uneven_share"),
    ],
)
def test_coupling_is_refused(bench, text: str, says: str) -> None:
    assert says in bench.message((COUPLING, f"{COUPLING}{text}\n"))
