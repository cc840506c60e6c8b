"""Misaligned couplings: the universal joint, uneven driving elements, bending load."""

import math

import numpy as np
import pytest

from shaftloop_models.coupling import Coupling, misalignment_load
from shaftloop_models.line import Spring, TransmissionError
from shaftloop_models.misalignment import error_slope, transmission_error
from shaftloop_models.parameters import ParameterError

PLAIN = {"part": "coupling", "name": "c", "stiffness": 25e3}


def of(error: TransmissionError | None) -> TransmissionError:
    assert error is not None
    return error


@pytest.mark.parametrize("degrees", [0.2, 1.0, 3.0, 10.0])
def test_angular_offset_is_a_universal_joint(degrees: float) -> None:
    """tan(θ2)·1 = tan(θ1)·cos(β) exactly; what the series leaves out is of order 4."""
    tilt = math.radians(degrees)
    error = of(transmission_error(0.0, tilt, None, 0.1, 0.0))
    angle = np.linspace(0.0, 2.0 * np.pi, 721)
    exact = np.arctan2(np.sin(angle) * math.cos(tilt), np.cos(angle)) - angle
    lead = np.angle(np.exp(1j * exact))
    assert np.abs(lead + error.second * np.sin(2.0 * angle)).max() < 0.004 * error.second
    assert error.second == pytest.approx(tilt**2 / 4.0, rel=0.01)
    assert error.first == 0.0


@pytest.mark.parametrize("degrees", [0.5, 2.0])
def test_speed_of_the_joint_swings_between_cos_and_its_inverse(degrees: float) -> None:
    """ω2/ω1 between cos β and 1/cos β twice per turn, as any textbook of mechanisms has it."""
    tilt = math.radians(degrees)
    error = of(transmission_error(0.0, tilt, None, 0.1, 0.0))
    ratios = [1.0 + error_slope(0.5 * math.pi * k, 0.0, error.second, 0.0) for k in range(4)]
    expected = [1.0 / math.cos(tilt), math.cos(tilt)] * 2
    assert np.allclose(np.array(ratios) - 1.0, np.array(expected) - 1.0, rtol=2e-3, atol=0.0)


@pytest.mark.parametrize("stiffnesses", [[1.0], [1.0, 1.0], [1.3, 1.0, 0.8, 0.9], [2.0, 1.0, 1.0]])
def test_parallel_offset_loads_uneven_elements_once_per_turn(stiffnesses: list[float]) -> None:
    """Torque of elements on a pitch circle, summed one by one, against the uneven share."""
    k = np.array(stiffnesses)
    places = 2.0 * np.pi * np.arange(len(k)) / len(k)
    radius, offset = 0.04, 1e-4
    angle = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    torque = sum(ki * radius * offset * np.sin(angle + place) for ki, place in zip(k, places, strict=True))
    amplitude = 2.0 * abs(np.mean(torque * np.exp(-1j * angle)))
    share = abs(np.sum(k * np.exp(1j * places))) / k.sum()
    error = transmission_error(offset, 0.0, 2.0 * radius, share if share > 1e-12 else 0.0, 0.0)
    expected = error.first * k.sum() * radius**2 if error else 0.0
    assert amplitude == pytest.approx(expected, rel=1e-12, abs=1e-18)


def test_slope_is_the_derivative_of_the_error() -> None:
    def error(angle: float) -> float:
        return 2e-4 * math.sin(angle + 0.7) + 3e-4 * math.sin(2.0 * (angle + 0.7))

    for angle in np.linspace(0.0, 6.0, 13):
        slope = (error(angle + 1e-5) - error(angle - 1e-5)) / 2e-5
        assert error_slope(angle, 2e-4, 3e-4, 0.7) == pytest.approx(slope, abs=1e-12)


def test_load_of_a_misaligned_coupling() -> None:
    """0.2 mm on 80 mm with a tenth uneven: 0.5 mrad; 1 degree: 76.2 µrad; on 25 kN m/rad."""
    coupling = Coupling(
        **PLAIN,
        damping=2.0,
        parallel_offset=2e-4,
        pitch_diameter=0.08,
        angular_offset=math.radians(1.0),
        bending_stiffness=500.0,
        radial_stiffness=1e6,
    )
    load = misalignment_load(coupling, -100.0, 150.0)
    assert (load.error_1x, load.torque_1x) == (pytest.approx(5e-4), pytest.approx(12.5))
    assert load.error_2x == pytest.approx(7.6158e-5, rel=1e-4)
    assert load.torque_2x == pytest.approx(1.90395, rel=1e-4)
    assert load.bending_moment == pytest.approx(500.0 * 0.0174533 + 100.0 * 0.0174524, rel=1e-5)
    assert load.radial_force == pytest.approx(200.0)


def test_load_without_offset_or_data() -> None:
    load = misalignment_load(Coupling(**PLAIN), 100.0, 0.0)
    assert (load.torque_1x, load.torque_2x, load.bending_moment, load.radial_force) == (0.0, 0.0, None, None)


def test_relative_damping_makes_the_coupling_stiffer_at_speed() -> None:
    coupling = Coupling(**PLAIN, loss_factor_psi=0.8, parallel_offset=2e-4, pitch_diameter=0.08)
    (spring,) = (element for element in coupling.elements() if isinstance(element, Spring))
    slow, fast = (misalignment_load(coupling, 0.0, speed).torque_1x for speed in (1e-3, 600.0))
    assert slow == pytest.approx(5e-4 * spring.stiffness, rel=1e-4)
    assert fast == pytest.approx(12.5, rel=0.15) and fast > 1.3 * slow


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"parallel_offset": 1e-4}, "pitch_diameter: missing: a parallel offset of 0.0001 m needs"),
        ({"parallel_offset": 0.01, "pitch_diameter": 0.08}, "allowed: up to a tenth of the pitch diameter"),
    ],
)
def test_a_coupling_refuses(keys: dict[str, float], says: str) -> None:
    with pytest.raises(ParameterError) as caught:
        Coupling(**PLAIN, **keys).elements()
    assert says in str(caught.value)


def test_an_even_coupling_needs_no_pitch_circle() -> None:
    even = Coupling(**PLAIN, parallel_offset=1e-4, uneven_share=0.0, radial_stiffness=1e6)
    assert even.elements() == Coupling(**PLAIN).elements()
    assert misalignment_load(even, 0.0, 0.0).radial_force == pytest.approx(100.0)
