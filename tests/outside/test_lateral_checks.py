"""Checks E3.1 to E3.3 and E13.2: lateral critical speeds and residual unbalance."""

import math

import pytest

from shaftloop_models.lateral import (
    Lateral,
    Mass,
    Rotor,
    critical_speeds,
    residual_unbalance,
    tube,
    unbalance_force,
)
from shaftloop_models.shaft import Shaft

STIFF = ("supported", None)


def test_e3_1_mass_off_centre_on_a_massless_shaft() -> None:
    """B. K. Sarkar, Theory of Machines, chapter 11, illustration 2, read in a transcription of the book."""
    lateral = Lateral(youngs_modulus=200e9, masses=(Mass(100.0, 0.3),))
    shaft = Shaft(part="shaft", name="s", diameter=0.06, length=0.9, density=0.0, lateral=lateral)
    rotor = shaft.rotor((None, None))
    assert rotor is not None
    found = critical_speeds(rotor)
    assert found.lowest / (2.0 * math.pi) == pytest.approx(51.82, rel=1e-3)
    assert found.lowest * 30.0 / math.pi == pytest.approx(3109.0, abs=1.0)
    # A single mass has one critical speed, and both bounds are equal to it; 92.52 µm is its sag.
    assert found.below == pytest.approx(found.lowest) and found.above == pytest.approx(found.lowest)
    assert found.second is None and 9.81 / found.lowest**2 == pytest.approx(92.52e-6, rel=1e-4)


def test_e3_2_two_gears_on_a_shaft() -> None:
    """Shigley's Mechanical Engineering Design, example 7-5, from memory, every number recomputed."""
    inch, pound = 0.0254, 4.4482216152605
    gravity = 386.1 * inch
    bending = 30e6 * pound / inch**2 * tube(inch, 0.0)[0]
    masses = ((35.0 * pound / gravity, 7.0 * inch), (55.0 * pound / gravity, 20.0 * inch))
    found = critical_speeds(Rotor(((31.0 * inch, bending, 0.0),), masses, STIFF, STIFF))
    assert found.above == pytest.approx(124.8, rel=1e-4)
    assert found.lowest == pytest.approx(124.679, rel=1e-5)
    assert found.second == pytest.approx(461.548, rel=1e-5)
    assert found.below == pytest.approx(120.365, rel=1e-5)
    assert found.below < found.lowest < found.above


def test_e3_3_mass_of_the_shaft_and_a_mass_in_the_middle() -> None:
    """Exact frequency equation of the beam, 1 = (M/m)(x/2)(tan x − tanh x); derived, no published number."""
    lateral = Lateral(youngs_modulus=206e9, masses=(Mass(20.0, 0.4),))
    shaft = Shaft(part="shaft", name="s", diameter=0.04, length=0.8, density=7850.0, lateral=lateral)
    rotor = shaft.rotor((None, None))
    assert rotor is not None
    found, rpm = critical_speeds(rotor), 30.0 / math.pi
    assert found.lowest * rpm == pytest.approx(3046.66, rel=5e-6)
    # 17/35 of the shaft's mass is Rayleigh's quotient for the sag under the mass alone, a little higher than
    # the one for the sag under the whole weight.
    assert found.lowest < found.above and found.above * rpm == pytest.approx(3047.2, rel=5e-4)
    stiffness = 48.0 * 206e9 * tube(0.04, 0.0)[0] / 0.8**3
    assert stiffness == pytest.approx(2.4269e6, rel=1e-4)
    assert found.above < math.sqrt(stiffness / (20.0 + 17.0 / 35.0 * 7.892)) < found.above * 1.0002


def test_e13_2_permissible_residual_unbalance() -> None:
    """ISO 21940-11: U = G·m/ω; formula read on a page of a maker of balancing devices."""
    speed = 3000.0 * math.pi / 30.0
    unbalance = residual_unbalance(6.3e-3, 50.0, speed)
    assert unbalance == pytest.approx(1002.7e-6, rel=5e-4)
    assert unbalance / 50.0 == pytest.approx(20.05e-6, rel=5e-4)
    assert unbalance_force(unbalance, speed) == pytest.approx(50.0 * 6.3e-3 * speed)
