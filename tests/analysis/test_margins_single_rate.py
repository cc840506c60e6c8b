"""Single-rate loops against python-control where it is right, and where it is not."""

import warnings

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

import control
from rigs import shipped
from shaftloop.analysis.budget import _phase_near
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.response import fundamental, transfer
from shaftloop.analysis.sensitivity import sensitivity
from shaftloop.errors import SimulationError

pytestmark = pytest.mark.compiled
POINT = OperatingPoint({}, 0.0, 0.0)


@pytest.fixture(scope="module")
def reference() -> HyperMap:
    return HyperMap(shipped("reference-bench"))


def opened(system: control.StateSpace) -> OpenLoop:
    """Return a discrete L, for negative feedback, as an opened loop."""
    a, b, c, d = (np.array(m, dtype=float) for m in (system.A, system.B, system.C, system.D))
    return OpenLoop(a, b, -c, -d, float(system.dt), np.zeros(1))


def third_order(gain: float) -> control.StateSpace:
    plant = control.ss(control.tf([gain], [1e-6, 3e-4, 0.03, 1.0]))
    return control.sample_system(plant, 2e-4, "zoh")


@pytest.mark.parametrize("gain", [2.0, 5.0])
def test_margins_agree_with_python_control_on_a_smooth_loop(gain: float) -> None:
    system = third_order(gain)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it tells that it takes its margins from a grid
        factor, phase, at_phase, at_gain = control.margin(system)
    margins = Margins("l", "torque", POINT, opened(system))
    assert margins.gain_margin == pytest.approx(factor, rel=1e-6)
    assert margins.phase_margin == pytest.approx(phase, abs=1e-4)
    assert margins.crossover == pytest.approx(at_gain / (2.0 * np.pi), rel=1e-6)
    phases = [c.frequency for c in margins.crossings if c.kind == "phase"]
    assert min(phases) == pytest.approx(at_phase / (2.0 * np.pi), rel=1e-6)


def test_the_response_is_that_of_python_control() -> None:
    system = third_order(2.0)
    frequency = np.array([1.0, 30.0, 400.0, 2499.0])
    theirs = system(np.exp(2j * np.pi * frequency * 2e-4))
    assert fundamental(opened(system), frequency) == pytest.approx(theirs, rel=1e-9)


def test_the_sensitivity_is_what_the_closed_loop_passes_on() -> None:
    """Two routes: 1/(1 + L) of the opened loop, and the closed loop from what is added to its command."""
    loop = opened(third_order(2.0))
    frequency = np.geomspace(1.0, 2499.0, 200)
    assert sensitivity(loop, frequency) == pytest.approx(transfer(loop.disturbed, frequency), rel=1e-12)


def test_a_lightly_damped_resonance_that_python_control_misses() -> None:
    """An integrator with a resonance of damping 3e-4 at 137 Hz.

    python-control takes margins of a discrete system from its response on a grid of ordinary density. It
    steps over the resonance and answers 70; at 2.10 the eigenvalues of the closed loop are on the circle.
    """
    omega, zeta = 2.0 * np.pi * 137.0, 3e-4
    resonance = control.tf([1.2 * 2.0 * zeta * omega**2], [1.0, 2.0 * zeta * omega, omega**2])
    plant = control.ss(control.tf([5.0], [1.0, 0.0]) + resonance)
    system = control.sample_system(plant, 1e-3, "zoh")
    margins = Margins("l", "torque", POINT, opened(system))
    assert margins.gain_margin == pytest.approx(2.1026, abs=1e-4)
    assert (
        spectral_radius(margins.system.closed(2.1025)) < 1.0 < spectral_radius(margins.system.closed(2.1027))
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        factor, *_ = control.margin(system)
    assert factor > 20.0


def test_a_crossing_at_half_the_rate_is_listed_once() -> None:
    """0.1/(z - 1) is real and negative at half the rate, -1/20; what rounding adds there changes its sign."""
    for period in (1e-4, 5e-5):
        margins = Margins("l", "torque", POINT, opened(control.ss(control.tf([0.1], [1.0, -1.0], period))))
        found = [c for c in margins.crossings if c.kind == "phase"]
        assert [(c.frequency, c.value) for c in found] == [(pytest.approx(0.5 / period), pytest.approx(20.0))]


def test_a_loop_without_crossings_says_so() -> None:
    loop = opened(control.ss([[0.5]], [[1.0]], [[1e-5]], [[0.0]], 1e-3))
    margins = Margins("l", "torque", POINT, loop)
    assert margins.stable
    assert (margins.gain_margin, margins.gain_margin_down, margins.phase_margin) == (None, None, None)
    assert (margins.crossover, margins.phase_delay_margin, margins.rejection) == (None, None, None)


def test_a_stable_loop_beyond_minus_180_degrees_has_a_margin_against_a_lead() -> None:
    """A resonance that pushes the wrong way, L = -2ζgω²/(s² + 2ζωs + ω²): a circle of size g above -1.

    Closed it is s² + 2ζωs + ω²(1 - 2ζg), stable below g = 1/(2ζ); |L| = 1 at an angle of 180° - asin(1/g).
    """
    omega, zeta, g = 2.0 * np.pi * 20.0, 1e-3, 2.0
    plant = control.ss(control.tf([-2.0 * zeta * g * omega**2], [1.0, 2.0 * zeta * omega, omega**2]))
    margins = Margins("l", "torque", POINT, opened(control.sample_system(plant, 1e-5, "zoh")))
    assert margins.stable and margins.against_lead
    assert margins.phase_margin == pytest.approx(np.degrees(np.arcsin(1.0 / g)), abs=0.5)
    assert min(c.value for c in margins.crossings if c.kind == "gain") < -29.0
    # A budget of latencies counts it as a lag of more than half a turn.
    assert _phase_near(margins, margins.crossover, None) == pytest.approx(-330.0, abs=0.5)


def test_stability_that_is_lost_and_regained_within_a_thousandth_of_the_gain() -> None:
    """A pole below a zero behind a lag, damped so that the arc between them just leaves the circle."""

    def damped(zeta: float) -> OpenLoop:
        zero, pole = ([1.0, 2.0 * zeta * omega, omega**2] for omega in (11.0, 10.0))
        plant = control.tf(np.array(zero), np.polymul([1.0, 1.0], pole))
        return opened(control.sample_system(control.ss(plant), 1e-3, "zoh"))

    def outermost(zeta: float) -> tuple[float, float]:
        loop, ends = damped(zeta), (np.log(8.0), np.log(18.0))
        options = {"xatol": 1e-10}
        found = minimize_scalar(
            lambda x: -spectral_radius(loop.closed(np.exp(x))), bounds=ends, method="bounded", options=options
        )
        return -found.fun - 1.0, found.x

    grazing = brentq(lambda zeta: outermost(zeta)[0], 0.03, 0.05, xtol=1e-15)
    loop, middle = damped(grazing - 4e-9), outermost(grazing - 4e-9)[1]
    lost, regained = (
        brentq(lambda x: spectral_radius(loop.closed(np.exp(x))) - 1.0, middle, middle + way, xtol=1e-14)
        for way in (-0.1, 0.1)
    )
    assert 1e-4 < regained - lost < 1e-3
    margins = Margins("l", "torque", POINT, loop)
    assert margins.stable
    assert margins.gain_margin == pytest.approx(np.exp(lost), rel=1e-6)
    assert margins.fundamental_gain_margin == pytest.approx(np.exp(lost), rel=1e-6)


def test_a_delay_that_uses_up_the_delay_margin_brings_the_loop_to_its_boundary() -> None:
    """An integrator needs a quarter turn at its crossover: with whole samples of delay, exactly."""
    period, samples = 1e-3, 9
    # z/(z - 1) has the phase margin 90° + half a sample, so nine samples more are to the point where
    # (9 - 1/2)·ω·T = 90°.
    omega = np.pi / 2.0 / (samples - 0.5) / period
    gain = abs(np.exp(1j * omega * period) - 1.0)
    loop = opened(control.ss(control.tf([gain, 0.0], [1.0, -1.0], period)))
    crossing = Margins("l", "torque", POINT, loop).gain_crossings[0]
    assert crossing.value / 360.0 / crossing.frequency == pytest.approx(samples * period, rel=1e-9)
    delayed = opened(control.ss(control.tf([gain, 0.0], np.r_[[1.0, -1.0], np.zeros(samples)], period)))
    assert spectral_radius(delayed.closed()) == pytest.approx(1.0, abs=1e-9)


def test_a_frequency_above_half_the_rate_is_refused() -> None:
    loop = opened(third_order(2.0))
    with pytest.raises(SimulationError, match=r"at 2600 Hz was asked for, above half the rate.*2500 Hz"):
        fundamental(loop, np.array([100.0, 2600.0]))


def test_margins_of_a_bench_are_those_of_its_opened_loop(reference: HyperMap) -> None:
    point = OperatingPoint({"speed": 100.0, "torque": 20.0}, 100.0, 20.0)
    state = reference.steady(point)
    loop = reference.bench.loops["torque"]
    whole = loop_margins(reference, loop, point, state)
    again = Margins("torque", "torque", point, *reference.open_each([loop], state))
    assert (whole.ms, whole.gain_margin) == (again.ms, again.gain_margin)
