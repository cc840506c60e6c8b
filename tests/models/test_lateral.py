"""Beams on their ends against closed forms, and what cannot be carried."""

import math
from typing import Any

import pytest

from shaftloop_models.lateral import End, Lateral, Mass, Rotor, critical_speeds, tube
from shaftloop_models.parameters import ParameterError
from shaftloop_models.shaft import Section, Shaft
from shaftloop_models.torque_sensor import TorqueSensor


@pytest.mark.parametrize(
    ("left", "right", "root"),
    [
        # Roots of the frequency equations of uniform beams, as in any textbook of vibration, from memory.
        ("supported", "supported", math.pi),
        ("fixed", "free", 1.875104069),
        ("free", "fixed", 1.875104069),
        ("fixed", "supported", 3.926602312),
        ("fixed", "fixed", 4.730040745),
    ],
)
def test_uniform_beams_have_their_known_frequencies(left: End, right: End, root: float) -> None:
    found = critical_speeds(Rotor(((2.0, 3.0, 0.5),), (), (left, None), (right, None)))
    assert found.lowest == pytest.approx((root / 2.0) ** 2 * math.sqrt(3.0 / 0.5), rel=1e-5)
    assert found.below < found.lowest < found.above < 1.01 * found.lowest


def test_a_stiff_body_rides_on_what_carries_it() -> None:
    """A rigid rod on two springs: bounce √(2k/m), rocking √(6k/m)."""
    found = critical_speeds(Rotor(((0.1, 1e7, 30.0),), (), ("supported", 1e5), ("supported", 1e5)))
    assert found.lowest == pytest.approx(math.sqrt(2e5 / 3.0), rel=1e-4)
    assert found.second == pytest.approx(math.sqrt(6e5 / 3.0), rel=1e-4)
    assert found.below == pytest.approx((3.0 / 2e5 + 3.0 / 6e5) ** -0.5, rel=1e-4)


def test_steps_count_where_they_are() -> None:
    """Cantilever of two sections with a mass at its end: flexibility by the unit-load integral."""
    first, second, mass = (0.3, 900.0), (0.2, 250.0), 4.0
    flexibility = (0.5**3 - 0.2**3) / (3.0 * first[1]) + 0.2**3 / (3.0 * second[1])
    found = critical_speeds(
        Rotor(((*first, 0.0), (*second, 0.0)), ((mass, 0.5),), ("fixed", None), ("free", None))
    )
    assert found.lowest == pytest.approx((flexibility * mass) ** -0.5, rel=1e-8)


def test_a_shaft_takes_mass_and_stiffness_from_its_sections() -> None:
    sections = (Section(0.04, 0.3), Section(0.03, 0.2, 0.01))
    shaft = Shaft(part="shaft", name="s", sections=sections, material="aluminium", lateral=Lateral())
    rotor = shaft.rotor((None, 2e7))
    assert rotor is not None and (rotor.left, rotor.right) == (("supported", None), ("supported", 2e7))
    moment, area = tube(0.03, 0.01)
    assert rotor.sections[1] == pytest.approx((0.2, 71.7e9 * moment, 2710.0 * area))
    assert Shaft(part="shaft", name="s", sections=sections).rotor((None, None)) is None


def sensor(**lateral: Any) -> TorqueSensor:
    return TorqueSensor(
        part="torque_sensor", name="ts", rated=1.0, stiffness=1.0, sampling=1, lateral=Lateral(**lateral)
    )  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("lateral", "message"),
    [
        ({"diameter": 0.02, "mass": 1.0}, "span is missing: length between the ends"),
        ({"span": 0.1, "mass": 1.0}, "give either bending_stiffness or diameter"),
        (
            {"span": 0.1, "mass": 1.0, "diameter": 0.02, "bending_stiffness": 10.0},
            "give either bending_stiffness",
        ),
        (
            {"span": 0.1, "mass": 1.0, "diameter": 0.02, "inner_diameter": 0.02},
            "inner_diameter = 0.02 m must be",
        ),
        ({"span": 0.1, "diameter": 0.02}, "without a mass there is no critical speed"),
        (
            {"span": 0.1, "diameter": 0.02, "masses": (Mass(1.0, 0.2),)},
            "a mass at = 0.2 m is outside its span",
        ),
    ],
)
def test_what_is_missing_or_wrong_is_named(lateral: dict[str, Any], message: str) -> None:
    with pytest.raises(ParameterError, match=message) as error:
        sensor(**lateral).check()
    assert error.value.key == "lateral"


@pytest.mark.parametrize(("left", "right", "key"), [("free", "supported", "left"), ("free", "free", "left"),
                                                    ("supported", "free", "right")])  # fmt: skip
def test_ends_that_hold_nothing_are_refused(left: End, right: End, key: str) -> None:
    with pytest.raises(ParameterError, match="hold nothing") as error:
        Lateral(left=left, right=right).check()
    assert error.value.key == key


def test_a_free_end_has_no_stiffness_and_a_shaft_states_its_own_dimensions() -> None:
    with pytest.raises(ParameterError, match="at an end that is free"):
        Lateral(left="fixed", right="free", right_stiffness=1e6).check()
    shaft = Shaft(part="shaft", name="s", diameter=0.02, length=0.3, lateral=Lateral(span=0.3))
    with pytest.raises(ParameterError, match="span is that of the shaft"):
        shaft.check()
