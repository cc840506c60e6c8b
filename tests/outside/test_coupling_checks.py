"""Checks E13.1 and E13.4: relative damping, loss angle and equivalent viscous damping of couplings."""

import math

import numpy as np
import pytest

from shaftloop_models.line import Spring
from shaftloop_models.loss_factor import FLATNESS, complex_stiffness, damped_spring

STIFFNESS, MOTOR, LOAD = 2.0e4, 0.05, 0.10
RESONANCE = math.sqrt(STIFFNESS * (1.0 / MOTOR + 1.0 / LOAD))


def torsional_mode(spring: Spring) -> complex:
    """Return the oscillating eigenvalue of two inertias joined by a spring, positive imaginary part."""
    branches = spring.branches
    a = np.zeros((2 + len(branches), 2 + len(branches)))  # relative speed, twist, branch torques
    inverse = 1.0 / MOTOR + 1.0 / LOAD
    a[0, :2] = -inverse * spring.damping, -inverse * spring.stiffness
    a[0, 2:] = -inverse
    a[1, 0] = 1.0
    for i, branch in enumerate(branches):
        a[2 + i, 0], a[2 + i, 2 + i] = branch.stiffness, -1.0 / branch.time_constant
    return max(np.linalg.eigvals(a), key=lambda value: value.imag)


@pytest.mark.parametrize(
    ("magnifier", "psi", "tangent", "full"),
    [
        (15.0, 0.419, 0.0667, 15.03),
        (10.0, 0.628, 0.100, 10.05),
        (8.0, 0.785, 0.125, 8.06),
        (6.0, 1.047, 0.167, 6.08),
        (4.0, 1.571, 0.25, 4.12),
    ],
)
def test_e13_1_damping_magnifier_and_loss_angle(
    magnifier: float, psi: float, tangent: float, full: float
) -> None:
    """DIN 740-2 style definitions, psi = 2·pi/M, tan(delta) = C·omega/k = 1/M; read in a stored page."""
    exact = 2.0 * math.pi / magnifier
    assert exact == pytest.approx(psi, abs=5e-4)
    hertz = np.array([RESONANCE / (2.0 * math.pi)])
    viscous = Spring(STIFFNESS, exact * STIFFNESS / (2.0 * math.pi * RESONANCE))
    stiffness = complex_stiffness(viscous, hertz)[0]
    assert stiffness.imag / stiffness.real == pytest.approx(1.0 / magnifier, rel=1e-3)
    assert stiffness.imag / stiffness.real == pytest.approx(tangent, abs=5e-4)
    assert stiffness.real / stiffness.imag == pytest.approx(magnifier, rel=1e-3)
    assert abs(stiffness) / stiffness.imag == pytest.approx(full, rel=1e-3)
    # The realised spring holds the same loss angle over its whole band, within its stated flatness.
    band = complex_stiffness(
        damped_spring(STIFFNESS, None, exact, (10.0, 1000.0)), np.geomspace(10.0, 1e3, 301)
    )
    assert band.imag / band.real == pytest.approx(np.full(301, 1.0 / magnifier), rel=1.02 * FLATNESS)


def test_e13_4_viscous_damping_equivalent_at_resonance() -> None:
    """Energy per cycle, pi·c·omega·X² = psi·k·X²/2; derived from first principles."""
    psi = 0.7854
    assert RESONANCE == pytest.approx(774.60, rel=1e-3)
    mode = torsional_mode(Spring(STIFFNESS, 3.2275))
    ratio = -mode.real / abs(mode)
    assert ratio == pytest.approx(0.0625, rel=1e-3)
    assert ratio == pytest.approx(psi / (4.0 * math.pi), rel=1e-3)
    assert 1.0 / (2.0 * ratio) == pytest.approx(8.0, rel=1e-3)
    assert -2.0 * math.pi * mode.real / mode.imag == pytest.approx(0.3935, rel=1e-3)


def test_e13_4_the_realised_loss_factor_damps_the_resonance_alike() -> None:
    """The same coupling stated by psi, in a band around the resonance.

    A loss factor that is the same at every frequency makes K ~ s^a, a = (2/pi)·atan(eta), so that a free
    oscillation decays with the ratio cos(pi/(2 - a)): 0.0647, which psi/(4·pi) = 0.0625 approximates.
    """
    centre = RESONANCE / (2.0 * math.pi)
    spring = damped_spring(STIFFNESS, None, 0.7854, (centre / 10.0, 10.0 * centre))
    mode = torsional_mode(spring)
    ratio = -mode.real / abs(mode)
    exponent = 2.0 / math.pi * math.atan(0.7854 / (2.0 * math.pi))
    assert ratio == pytest.approx(-math.cos(math.pi / (2.0 - exponent)), rel=FLATNESS)
    assert ratio == pytest.approx(0.0625, rel=0.04)
    assert abs(mode) == pytest.approx(774.60, rel=0.01)
    at_resonance = complex_stiffness(spring, np.array([centre]))[0]
    assert at_resonance.real == pytest.approx(STIFFNESS, rel=1e-12)
    assert at_resonance.imag / RESONANCE == pytest.approx(3.2275, rel=FLATNESS)
