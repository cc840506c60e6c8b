"""Checks E1.3 and E2.1 to E2.5: stiffness, stress and strain of shafts against textbook examples."""

import math

import pytest
from scipy.optimize import brentq

from shaftloop_models.material import MATERIALS
from shaftloop_models.shaft import Section, polar_moment, shear_stress, stepped_stiffness


def test_e1_3_stepped_shaft_between_two_rotors() -> None:
    """T. Bevan, The Theory of Machines, ch. 15, example 8, p. 570; inputs read in a transcription.

    Inches, pounds-force; inertias in lb·ft² of weight. Its printed 23.8 Hz comes from a transcription
    error, the expected values are recomputed.
    """
    diameters, lengths = (3.0, 5.0, 3.5, 7.0, 5.0), (11.0, 10.0, 15.0, 4.0, 10.0)
    modulus = 12e6
    stiffness = stepped_stiffness(tuple(map(Section, diameters, lengths)), modulus)
    assert stiffness == pytest.approx(4.3726e6, rel=3e-3)
    equivalent = modulus * polar_moment(3.0) / stiffness
    assert equivalent == pytest.approx(21.824, rel=3e-3)
    inertias = [12.0 * weight / 32.2 for weight in (1500.0, 1000.0)]  # lbf·in·s²
    frequency = math.sqrt(stiffness * sum(1.0 / j for j in inertias)) / (2.0 * math.pi)
    assert frequency == pytest.approx(22.26, rel=3e-3)
    node = equivalent * inertias[1] / sum(inertias)
    assert node == pytest.approx(8.73, rel=3e-3)


def test_e2_1_solid_and_hollow_shaft_by_stress_and_twist() -> None:
    """J. M. Gere, Mechanics of Materials, example 3-2, p. 197; read in a transcription."""
    torque, stress, twist, modulus = 1200.0, 40e6, math.radians(0.75), 78e9

    def by_stress(ratio: float) -> float:
        return brentq(lambda d: shear_stress(torque, d, ratio * d) - stress, 0.01, 1.0)

    def by_twist(ratio: float) -> float:
        return brentq(
            lambda d: torque / stepped_stiffness((Section(d, 1.0, ratio * d),), modulus) - twist, 0.01, 1.0
        )

    assert by_stress(0.0) == pytest.approx(53.5e-3, rel=2e-3)
    assert by_twist(0.0) == pytest.approx(58.8e-3, rel=2e-3)
    assert by_stress(0.8) == pytest.approx(63.7e-3, rel=2e-3)
    assert by_twist(0.8) == pytest.approx(67.1e-3, rel=2e-3)
    larger = by_twist(0.8) / by_twist(0.0)
    assert larger == pytest.approx(1.14, rel=2e-3)
    assert larger**2 * (1.0 - 0.8**2) == pytest.approx(0.47, abs=0.005)


def test_e2_2_shaft_with_take_off() -> None:
    """J. M. Gere, Mechanics of Materials, example 3-8, p. 221; read in a transcription."""
    speed, modulus = 2.0 * math.pi * 10.0, 80e9
    torque_ab, torque_bc = 50e3 / speed, 15e3 / speed
    assert torque_ab == pytest.approx(795.8, rel=3e-3)
    assert torque_bc == pytest.approx(238.7, rel=3e-3)
    assert polar_moment(0.05) == pytest.approx(6.136e-7, rel=3e-3)
    assert shear_stress(torque_ab, 0.05) == pytest.approx(32.4e6, rel=3e-3)
    first = torque_ab / stepped_stiffness((Section(0.05, 1.0),), modulus)
    second = torque_bc / stepped_stiffness((Section(0.05, 1.2),), modulus)
    assert math.degrees(first) == pytest.approx(0.929, rel=3e-3)
    assert math.degrees(second) == pytest.approx(0.334, rel=3e-3)
    assert math.degrees(first + second) == pytest.approx(1.26, rel=3e-3)


def test_e2_3_torque_from_a_strain_gauge() -> None:
    """E. O. Doebelin, D. N. Manik, Measurement Systems, example 5-5, p. 308; read in a transcription."""
    gauge_factor, modulus = 2.0, 80e9
    strain = 0.1 / 120.0 / gauge_factor
    assert strain == pytest.approx(416.7e-6, rel=1e-3)
    torque = 1636.0
    assert shear_stress(torque, 0.05) == pytest.approx(66.67e6, rel=1e-3)
    # A gauge at 45 degrees is strained by half the shear strain of the surface.
    assert shear_stress(torque, 0.05) / modulus == pytest.approx(2.0 * strain, rel=1e-3)
    assert stepped_stiffness((Section(0.05, 1.0),), modulus) == pytest.approx(4.909e4, rel=1e-3)
    assert 1e3 * gauge_factor * strain == pytest.approx(0.833, rel=1e-3)  # mV/V of a full bridge


def test_e2_4_hollow_shaft() -> None:
    """F. P. Beer, E. R. Johnston, J. T. DeWolf, Mechanics of Materials, examples 3.01 and 3.02."""
    outer, inner = 60e-3, 40e-3
    torque = 120e6 / shear_stress(1.0, outer, inner)
    assert torque == pytest.approx(4.08e3, rel=1e-3)
    assert shear_stress(torque, outer, inner, at=inner) == pytest.approx(80e6, rel=1e-3)
    assert polar_moment(outer, inner) == pytest.approx(1.021e-6, rel=1e-3)
    stiffness = stepped_stiffness((Section(outer, 1.5, inner),), 77e9)
    assert stiffness == pytest.approx(5.241e4, rel=1e-3)
    assert stiffness * math.radians(2.0) == pytest.approx(1.829e3, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "elastic", "poisson", "table", "derived"),
    [
        ("steel", 207e9, 0.292, 79.3e9, 80.1e9),
        ("stainless_steel", 190e9, 0.305, 73.1e9, 72.8e9),
        ("aluminium", 71.7e9, 0.333, 26.9e9, 26.9e9),
    ],
)
def test_e2_5_shear_moduli(name: str, elastic: float, poisson: float, table: float, derived: float) -> None:
    """Shigley's Mechanical Engineering Design, table A-5; from memory."""
    ours = MATERIALS[name].shear_modulus
    assert ours == table
    assert elastic / (2.0 * (1.0 + poisson)) == pytest.approx(derived, abs=0.05e9)
    assert ours == pytest.approx(elastic / (2.0 * (1.0 + poisson)), rel=0.011)


def test_e2_5_the_default_steel_is_unquestioned() -> None:
    """A default steel outside 77 to 81 GPa should be questioned."""
    assert 77e9 <= MATERIALS["steel"].shear_modulus <= 81e9
