"""Shafts: sections in series, inertia at the ends, what is refused, and the stated validity."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from shaftloop_models.line import Inertia, Spring
from shaftloop_models.material import MATERIALS
from shaftloop_models.parameters import ParameterError
from shaftloop_models.shaft import Section, Shaft, polar_moment, shear_stress, stepped_stiffness

SHAFT = Shaft(part="shaft", name="s", diameter=0.05, length=0.4)
sections = st.builds(Section, st.floats(0.01, 0.3), st.floats(0.01, 2.0))


def test_the_polar_moment_of_a_tube_is_a_difference() -> None:
    assert polar_moment(0.06, 0.04) == pytest.approx(polar_moment(0.06) - polar_moment(0.04), rel=1e-14)
    assert polar_moment(0.05) == pytest.approx(6.1359e-7, rel=1e-4)


@given(st.floats(-1e4, 1e4), st.floats(0.01, 0.3), st.floats(0.0, 0.95))
def test_the_stress_grows_in_proportion_to_the_radius(torque: float, diameter: float, ratio: float) -> None:
    outer = shear_stress(torque, diameter, ratio * diameter)
    assert shear_stress(torque, diameter, ratio * diameter, at=0.5 * diameter) == pytest.approx(0.5 * outer)
    assert outer == pytest.approx(16.0 * torque / (math.pi * diameter**3 * (1.0 - ratio**4)), rel=1e-9)


@given(sections, sections, st.floats(20e9, 210e9))
def test_compliances_of_sections_add_in_any_order(a: Section, b: Section, modulus: float) -> None:
    both = stepped_stiffness((a, b), modulus)
    alone = 1.0 / stepped_stiffness((a,), modulus) + 1.0 / stepped_stiffness((b,), modulus)
    assert both == pytest.approx(1.0 / alone, rel=1e-12)
    assert stepped_stiffness((b, a), modulus) == pytest.approx(both, rel=1e-14)


def test_a_shaft_is_a_spring_between_halves_of_its_inertia() -> None:
    left, spring, right = SHAFT.elements()
    stiffness = MATERIALS["steel"].shear_modulus * polar_moment(0.05) / 0.4
    inertia = MATERIALS["steel"].density * polar_moment(0.05) * 0.4
    assert left == right == Inertia(pytest.approx(0.5 * inertia, rel=1e-14))
    assert isinstance(spring, Spring)
    assert spring.stiffness == pytest.approx(stiffness, rel=1e-14)
    assert (spring.damping, spring.branches) == (0.0, ())


def test_a_bore_takes_inertia_away() -> None:
    bored = Shaft(part="shaft", name="s", sections=(Section(0.06, 0.3, inner_diameter=0.04),))
    density = MATERIALS["steel"].density
    mass = density * math.pi / 4.0 * (0.06**2 - 0.04**2) * 0.3
    assert bored.elements()[0] == Inertia(pytest.approx(0.5 * mass * (0.03**2 + 0.02**2) / 2.0, rel=1e-12))


def test_the_constants_of_the_material_can_be_replaced() -> None:
    _, spring, right = replace(SHAFT, shear_modulus=80e9, density=0.0).elements()
    assert isinstance(spring, Spring)
    assert isinstance(right, Inertia)
    assert spring.stiffness == pytest.approx(80e9 * polar_moment(0.05) / 0.4, rel=1e-14)
    assert right.value == 0.0


def test_both_kinds_of_damping_reach_the_spring() -> None:
    assert replace(SHAFT, damping=3.0).elements()[1].damping == 3.0
    assert len(replace(SHAFT, loss_factor_psi=0.05).elements()[1].branches) == 4


def test_sections_replace_diameter_and_length() -> None:
    stepped = Shaft(part="shaft", name="s", sections=(Section(0.05, 0.15), Section(0.05, 0.25)))
    assert stepped.elements()[1].stiffness == pytest.approx(SHAFT.elements()[1].stiffness, rel=1e-14)
    assert stepped.elements()[0].value == pytest.approx(SHAFT.elements()[0].value, rel=1e-14)


@pytest.mark.parametrize("extra", [{"diameter": 0.05}, {"length": 0.4}, {"inner_diameter": 0.01}])
def test_dimensions_stated_twice_are_refused(extra: dict[str, float]) -> None:
    shaft = Shaft(part="shaft", name="s", sections=(Section(0.05, 0.4),), **extra)
    with pytest.raises(
        ParameterError, match=r"^sections: give either sections, each with its own dimensions, or"
    ):
        shaft.elements()


@pytest.mark.parametrize("key", ["diameter", "length"])
def test_missing_dimensions_are_refused(key: str) -> None:
    with pytest.raises(ParameterError, match=f"^{key}: missing: give diameter and length, or sections"):
        replace(SHAFT, **{key: None}).elements()


@pytest.mark.parametrize(
    "shaft",
    [
        replace(SHAFT, inner_diameter=0.05),
        Shaft(part="shaft", name="s", sections=(Section(0.06, 0.4), Section(0.05, 0.4, 0.05))),
    ],
)
def test_a_bore_as_wide_as_the_shaft_is_refused(shaft: Shaft) -> None:
    with pytest.raises(ParameterError, match=r"^inner_diameter: 0.05 m must be below the diameter 0.05 m"):
        shaft.elements()


@pytest.mark.parametrize(("share", "low"), [(0.1, 0.016), (1.0, 0.12)])
def test_the_stated_error_of_the_first_frequency_between_equal_bodies(share: float, low: float) -> None:
    # Half of the shaft, clamped at the node, with body J at its end: beta·tan(beta) = (Js/2)/J.
    beta = brentq(lambda x: x * math.tan(x) - 0.5 * share, 1e-6, 1.5)
    exact = 2.0 * beta / math.sqrt(share)  # in units of sqrt(k/J)
    lumped = math.sqrt(2.0 / (1.0 + 0.5 * share))
    assert 1.0 - lumped / exact == pytest.approx(low, abs=0.005)
