"""Springs of constant loss factor: flatness, stiffness in the band, energy per cycle, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from shaftloop_models.line import Spring
from shaftloop_models.loss_factor import DEFAULT_BAND, FLATNESS, complex_stiffness, damped_spring
from shaftloop_models.parameters import ParameterError

STIFFNESS = 2.0e4


def loss_factor(spring: Spring, low: float, high: float) -> np.ndarray:
    stiffness = complex_stiffness(spring, np.geomspace(low, high, 1001))
    return stiffness.imag / stiffness.real


def flat_spring(psi: float, low: float, high: float) -> Spring:
    return damped_spring(STIFFNESS, None, psi, (low, high))


@settings(max_examples=60)
@given(
    st.floats(-3.0, math.log10(3.0)).map(lambda x: 10.0**x),
    st.floats(0.05, 6.0),
    st.floats(-1.0, 3.0).map(lambda x: 10.0**x),
)
def test_the_loss_factor_is_flat_and_the_stiffness_as_stated(psi: float, decades: float, low: float) -> None:
    high = low * 10.0**decades
    spring = flat_spring(psi, low, high)
    eta = psi / (2.0 * math.pi)
    assert np.max(np.abs(loss_factor(spring, low, high) / eta - 1.0)) <= 1.02 * FLATNESS
    middle = complex_stiffness(spring, np.array([math.sqrt(low * high)]))
    assert middle.real[0] == pytest.approx(STIFFNESS, rel=1e-12)
    assert len(spring.branches) <= 3.0 + 1.3 * decades
    assert spring.damping == 0.0
    assert all(branch.stiffness > 0.0 and branch.time_constant > 0.0 for branch in spring.branches)


@pytest.mark.parametrize("psi", [0.05, 0.5, 1.0])
def test_two_decades_take_four_branches(psi: float) -> None:
    assert len(flat_spring(psi, *DEFAULT_BAND).branches) == 4


def test_the_loss_factor_does_not_depend_on_where_the_band_lies() -> None:
    low, high = flat_spring(0.5, 1.0, 100.0), flat_spring(0.5, 10.0, 1000.0)
    assert low.stiffness == pytest.approx(high.stiffness, rel=1e-9)
    times = [[branch.time_constant for branch in spring.branches] for spring in (low, high)]
    assert times[0] == pytest.approx([10.0 * t for t in times[1]], rel=1e-9)


@pytest.mark.parametrize("psi", [0.2, 0.8, 2.0])
def test_the_stiffness_rises_with_frequency_as_the_loss_demands(psi: float) -> None:
    # A constant loss factor means K ~ (j omega)^a with a = (2/pi)·atan(eta), here without its ends.
    spring = flat_spring(psi, 1.0, 1e4)
    low, high = complex_stiffness(spring, np.array([30.0, 300.0])).real
    slope = 2.0 / math.pi * math.atan(psi / (2.0 * math.pi))
    assert math.log10(high / low) == pytest.approx(slope, rel=0.08)


def test_the_stiffness_rises_by_a_fifth_per_decade_where_the_text_says_so() -> None:
    low, high = complex_stiffness(flat_spring(0.8, 1.0, 1e4), np.array([30.0, 300.0])).real
    assert high / low == pytest.approx(1.2, abs=0.02)


def test_a_steady_twist_meets_the_static_stiffness() -> None:
    spring = flat_spring(0.8, *DEFAULT_BAND)
    at_rest = complex_stiffness(spring, np.array([1e-6]))
    assert at_rest.real[0] == pytest.approx(spring.stiffness, rel=1e-9)
    assert spring.stiffness < STIFFNESS
    assert abs(at_rest.imag[0]) < 1e-4 * STIFFNESS


@pytest.mark.parametrize("psi", [0.3, 1.5])
def test_energy_per_cycle_over_peak_elastic_energy_is_psi(psi: float) -> None:
    """Integrate the branches in time under a sinusoidal twist: force, work, energy."""
    spring, frequency, amplitude = flat_spring(psi, 10.0, 1000.0), 120.0, 1e-3
    omega = 2.0 * math.pi * frequency
    k = np.array([branch.stiffness for branch in spring.branches])
    tau = np.array([branch.time_constant for branch in spring.branches])
    start = amplitude * k * omega * tau / (1.0 + (omega * tau) ** 2)  # periodic state at twist = 0

    def rates(t: float, y: np.ndarray) -> np.ndarray:
        slip = amplitude * omega * math.cos(omega * t)
        torque = spring.stiffness * amplitude * math.sin(omega * t) + np.sum(y[:-1])
        return np.append(k * slip - y[:-1] / tau, torque * slip)

    cycle = solve_ivp(rates, (0.0, 1.0 / frequency), np.append(start, 0.0), rtol=1e-10, atol=1e-12)
    assert cycle.y[:-1, -1] == pytest.approx(start, rel=1e-6)
    elastic = 0.5 * complex_stiffness(spring, np.array([frequency])).real[0] * amplitude**2
    assert cycle.y[-1, -1] / elastic == pytest.approx(psi, rel=FLATNESS)


def test_without_psi_the_damping_is_viscous() -> None:
    assert damped_spring(STIFFNESS, None, None, DEFAULT_BAND) == Spring(STIFFNESS)
    assert damped_spring(STIFFNESS, 2.0, None, DEFAULT_BAND) == Spring(STIFFNESS, 2.0)


def test_the_complex_stiffness_of_viscous_damping() -> None:
    stiffness = complex_stiffness(Spring(STIFFNESS, 2.0), np.array([0.0, 50.0]))
    assert stiffness == pytest.approx([STIFFNESS, STIFFNESS + 1j * 2.0 * math.pi * 50.0 * 2.0])


def test_both_kinds_of_damping_are_refused() -> None:
    with pytest.raises(
        ParameterError,
        match=r"^damping: give either damping \(2 N m s/rad\) or loss_factor_psi \(0.5\), not both",
    ):
        damped_spring(STIFFNESS, 2.0, 0.5, DEFAULT_BAND)


@pytest.mark.parametrize("band", [(100.0, 100.0), (100.0, 10.0), (1.0, 2e6)])
def test_a_band_that_does_not_rise_or_is_too_wide_is_refused(band: tuple[float, float]) -> None:
    with pytest.raises(
        ParameterError, match=r"^loss_band: \[.* Hz, .* Hz\] must rise, by six decades at most"
    ):
        damped_spring(STIFFNESS, None, 0.5, band)


def test_a_loss_factor_that_no_branches_give_is_refused() -> None:
    with pytest.raises(
        ParameterError, match=r"^loss_factor_psi: no Maxwell branches make 40 constant from 1 Hz to 1e\+06 Hz"
    ):
        damped_spring(STIFFNESS, None, 40.0, (1.0, 1e6))
