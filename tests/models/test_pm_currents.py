"""The wanted currents against brute force: least current, flux limit, current limit, monotony."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shaftloop_models.pm_currents import (
    current_reference,
    mtpa_currents,
    mtpa_limit,
    strongest_currents,
    weakening_current,
)

P = 4.0


@dataclass(frozen=True)
class Case:
    """A machine by ratios: Ld·I/ψ, Lq/Ld; ψ = 0.1 Wb, I = 100 A, 4 pole pairs."""

    load: float
    saliency: float

    psi = 0.1
    limit = 100.0

    @property
    def ld(self) -> float:
        return self.load * self.psi / self.limit

    @property
    def lq(self) -> float:
        return self.ld * self.saliency

    def torque(self, current: tuple[float, float]) -> float:
        return 1.5 * P * (self.psi + (self.ld - self.lq) * current[0]) * current[1]

    def flux(self, current: tuple[float, float]) -> float:
        return math.hypot(self.psi + self.ld * current[0], self.lq * current[1])

    def reference(
        self, torque: float, electrical: float = 0.0, voltage: float = math.inf, mtpa: bool = True
    ) -> tuple[float, float]:
        return current_reference(
            torque, electrical / P, P, self.psi, self.ld, self.lq, self.limit, voltage, mtpa
        )

    def strongest(self, flux: float) -> float | None:
        """Return the largest torque within a flux and the current limit, by search; None where none fits."""
        d = np.linspace(-self.limit, self.limit, 200_001)
        room = np.minimum(self.limit**2 - d**2, (flux**2 - (self.psi + self.ld * d) ** 2) / self.lq**2)
        fits = room >= 0.0
        if not fits.any():
            return None
        return float(np.max(1.5 * P * (self.psi + (self.ld - self.lq) * d[fits]) * np.sqrt(room[fits])))


ratios = st.floats(-1.5, 1.0).map(lambda x: 10.0**x)
saliencies = st.one_of(
    st.floats(-0.6, 1.0).map(lambda x: 10.0**x),
    st.just(1.0),
    st.floats(-12.0, -3.0).map(lambda x: 1.0 + 10.0**x),
)
cases = st.builds(Case, ratios, saliencies)
salient = st.builds(Case, ratios, st.floats(0.0, 1.0).map(lambda x: 10.0**x))
RATED = 1.5 * P * 0.1 * 100.0
torques = st.tuples(st.floats(-3.0, 1.0), st.sampled_from([-1.0, 1.0])).map(
    lambda pair: pair[1] * RATED * 10.0 ** pair[0]
)


@given(cases, torques)
def test_mtpa_makes_the_torque_on_the_locus_of_least_current(case: Case, torque: float) -> None:
    d, q = mtpa_currents(torque, case.psi, case.lq - case.ld, P)
    assert case.torque((d, q)) == pytest.approx(torque, rel=1e-12)
    # Of all currents of one torque the least has psi·id + (Ld - Lq)·(id² - iq²) = 0.
    size = case.psi * abs(q) + abs(case.ld - case.lq) * q * q
    assert abs(case.psi * d + (case.ld - case.lq) * (d * d - q * q)) <= 1e-12 * size


@pytest.mark.parametrize("saliency", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("torque", [15.0, -150.0, 600.0])
def test_mtpa_is_the_least_current_by_search(saliency: float, torque: float) -> None:
    case = Case(0.8, saliency)
    found = mtpa_currents(torque, case.psi, case.lq - case.ld, P)
    span = 2.0 * math.hypot(*found)
    flux = case.psi + (case.ld - case.lq) * (d := np.linspace(-span, span, 100_001))
    usable = flux > 1e-6
    least = np.min(np.hypot(d[usable], torque / (1.5 * P * flux[usable])))
    assert math.hypot(*found) == pytest.approx(least, rel=1e-8)


def test_no_torque_needs_no_current() -> None:
    assert mtpa_currents(0.0, 0.1, 1e-3, P) == (0.0, 0.0)


@given(cases, torques)
def test_mtpa_mirrors_with_the_sign_of_the_torque(case: Case, torque: float) -> None:
    d, q = mtpa_currents(torque, case.psi, case.lq - case.ld, P)
    assert mtpa_currents(-torque, case.psi, case.lq - case.ld, P) == (d, -q)


@given(cases)
def test_the_limit_of_mtpa_lies_on_its_locus(case: Case) -> None:
    at_limit = mtpa_limit(case.limit, case.psi, case.lq - case.ld)
    assert math.hypot(*at_limit) == pytest.approx(case.limit, rel=1e-12)
    on_locus = mtpa_currents(case.torque(at_limit), case.psi, case.lq - case.ld, P)
    assert on_locus == pytest.approx(at_limit, rel=1e-7, abs=1e-7)


def test_weakening_needs_no_current_at_standstill() -> None:
    assert weakening_current(50.0, 0.0, 300.0, 0.1, 1e-3, 1e-3) == math.inf


def test_weakening_stays_on_the_flux_ellipse() -> None:
    d = weakening_current(20.0, -2000.0, 150.0, 0.1, 1e-3, 2e-3)
    assert math.hypot(0.1 + 1e-3 * d, 2e-3 * 20.0) == pytest.approx(150.0 / 2000.0, rel=1e-12)


def test_weakening_brings_the_d_flux_to_zero_where_the_q_flux_is_too_large() -> None:
    assert weakening_current(100.0, 2000.0, 150.0, 0.1, 1e-3, 2e-3) == pytest.approx(-100.0, rel=1e-12)


@settings(max_examples=60)
@given(salient, st.floats(-1.3, 0.3).map(lambda x: 0.1 * 10.0**x))
def test_the_strongest_currents_equal_a_search(case: Case, flux: float) -> None:
    unlimited = mtpa_limit(case.limit, case.psi, case.lq - case.ld)
    if case.flux(unlimited) <= flux:
        return
    found = strongest_currents(flux, case.psi, case.ld, case.lq, case.limit, case.limit)
    best = case.strongest(flux)
    if best is None:
        assert found == (-case.limit, 0.0)
        return
    assert math.hypot(*found) <= case.limit * (1.0 + 1e-12)
    assert case.flux(found) <= flux * (1.0 + 1e-9)
    assert case.torque(found) >= best * (1.0 - 1e-12)
    assert case.torque(found) <= best + 0.02 * RATED * max(case.load * (case.saliency - 1.0), 1.0)


@settings(max_examples=150)
@given(cases, torques, st.floats(-1.3, 0.5).map(lambda x: 10.0**x), st.booleans())
def test_the_reference_keeps_both_limits_and_makes_all_the_torque_they_allow(
    case: Case, torque: float, relative_flux: float, mtpa: bool
) -> None:
    mtpa = mtpa or case.saliency < 1.0
    flux = relative_flux * case.psi
    found = case.reference(torque, 1000.0, 1000.0 * flux, mtpa)
    best = case.strongest(flux)
    assert math.hypot(*found) <= case.limit * (1.0 + 1e-12)
    if best is None:
        assert found[0] == -case.limit
        assert abs(found[1]) <= 1e-6 * case.limit
        return
    assert case.flux(found) <= flux * (1.0 + 1e-9)
    without_flux_limit = abs(case.torque(case.reference(torque, mtpa=mtpa)))
    wanted = min(abs(torque), without_flux_limit)
    made = case.torque(found)
    assert made * torque >= 0.0
    if wanted < best:
        assert abs(made) == pytest.approx(wanted, rel=1e-9)
    else:  # the search misses the corner by up to a step of its grid
        assert best * (1.0 - 1e-9) <= abs(made) <= wanted * (1.0 + 1e-9)


def test_without_voltage_limit_the_speed_does_not_matter() -> None:
    case = Case(1.0, 2.0)
    assert case.reference(40.0, 5000.0) == case.reference(40.0, 0.0) == mtpa_currents(40.0, 0.1, 1e-3, P)


@pytest.mark.parametrize("mtpa", [True, False])
def test_more_torque_asked_for_never_gives_less(mtpa: bool) -> None:
    case = Case(1.0, 2.0)
    asked = np.linspace(-4.0 * RATED, 4.0 * RATED, 801)
    for electrical in (0.0, 1000.0, 1500.0, 3000.0, 9000.0):
        made = [case.torque(case.reference(float(t), electrical, 150.0, mtpa)) for t in asked]
        assert np.all(np.diff(made) >= -1e-9 * RATED)


def test_the_limit_of_mtpa_is_the_torque_at_the_limit_current() -> None:
    case = Case(1.0, 2.0)
    assert case.torque(case.reference(1e4)) == pytest.approx(77.94229, abs=1e-5)  # check E4.3


def test_the_currents_have_no_jump_where_weakening_and_the_limits_begin() -> None:
    case = Case(1.0, 2.0)
    speeds = np.linspace(200.0, 6000.0, 5801)
    currents = np.array([case.reference(60.0, float(s), 150.0) for s in speeds])
    steps = np.hypot(*np.diff(currents, axis=0).T)
    assert np.max(steps) < 1.0  # A per 1 rad/s, against 100 A of the limit
    assert np.max(np.abs(np.diff(steps))) < 0.6


@pytest.mark.parametrize("mtpa", [True, False])
def test_backward_running_is_the_mirror_of_forward(mtpa: bool) -> None:
    case = Case(1.0, 2.0)
    assert case.reference(50.0, -2000.0, 150.0, mtpa) == case.reference(50.0, 2000.0, 150.0, mtpa)


def test_id_zero_stays_at_zero_d_current_below_the_voltage_limit() -> None:
    case = Case(1.0, 2.0)
    assert case.reference(30.0, 500.0, 150.0, mtpa=False) == (0.0, pytest.approx(50.0))
    assert case.reference(-90.0, 0.0, 150.0, mtpa=False) == (0.0, -100.0)


def test_id_zero_never_magnetises_even_where_that_would_make_more_torque() -> None:
    case = Case(2.0, 0.3)
    for torque in np.linspace(1.0, 2.0 * RATED, 50):
        d, _ = case.reference(float(torque), 1000.0, 150.0, mtpa=False)
        assert d <= 0.0
