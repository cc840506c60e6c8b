"""The torque sensor: its spring, its signal path, its quantiser and what is refused."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from evaluate import evaluate
from hypothesis import given
from hypothesis import strategies as st

from shaftloop_models.line import Inertia, Spring
from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.network import Network, Ref
from shaftloop_models.parameters import ParameterError
from shaftloop_models.torque_sensor import (
    TorqueSensor,
    declare_signal_path,
    nonlinearity_coefficient,
)

SENSOR = TorqueSensor(
    part="torque_sensor",
    name="ts",
    rated=150.0,
    stiffness=48e3,
    sampling=Fraction(8000),
    damping=1.5,
    inertia_left=1.2e-3,
    inertia_right=0.8e-3,
)


def test_the_sensor_is_a_spring_between_its_ends() -> None:
    assert SENSOR.elements() == [Inertia(1.2e-3), Spring(48e3, 1.5), Inertia(0.8e-3)]


def test_the_loss_factor_reaches_the_spring() -> None:
    sensor = replace(SENSOR, damping=None, loss_factor_psi=0.02, loss_band=(20.0, 200.0))
    assert len(sensor.elements()[1].branches) == 2


@pytest.mark.parametrize(
    ("changes", "step"),
    [({}, 0.0), ({"resolution": 0.05}, 0.05), ({"bits": 16, "range": 500.0}, 1000.0 / 65536.0)],
)
def test_the_quantiser_step(changes: dict[str, float], step: float) -> None:
    assert replace(SENSOR, **changes).quantiser_step() == step


def test_bits_and_resolution_together_are_refused() -> None:
    sensor = replace(SENSOR, bits=12, range=200.0, resolution=0.1)
    with pytest.raises(
        ParameterError, match=r"^bits: give either bits \(12\) or resolution \(0.1 N m\), not both"
    ):
        sensor.quantiser_step()


def test_bits_without_a_range_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"^bits: 12 bits need a range: the step is 2\*range/2\*\*bits"):
        replace(SENSOR, bits=12).quantiser_step()


@given(st.floats(-0.19, 0.19))
def test_the_largest_deviation_inside_the_rated_range_is_the_nonlinearity(nonlinearity: float) -> None:
    sensor = replace(SENSOR, nonlinearity=nonlinearity)
    torque = np.linspace(-sensor.rated, sensor.rated, 4001)
    deviation = nonlinearity_coefficient(sensor) * torque * (1.0 - (torque / sensor.rated) ** 2)
    assert np.max(np.abs(deviation)) == pytest.approx(abs(nonlinearity) * sensor.rated, rel=1e-6, abs=1e-300)
    assert deviation[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-12)


def path(sensor: TorqueSensor) -> tuple[Network, Ref, Ref, list[Ref]]:
    net = Network()
    twist = net.state("twist", "rad")
    true_torque = net.signal("true", {twist: sensor.stiffness})
    seen, states = declare_signal_path(net, sensor, true_torque)
    return net, true_torque, seen, states


def test_without_filter_the_sampler_sees_the_true_torque() -> None:
    net, true_torque, seen, states = path(SENSOR)
    assert (seen, states) == (true_torque, [])
    assert len(net.states) == 1


@pytest.mark.parametrize("kind", [("first_order", 1), ("bessel", 4), ("butterworth", 5)])
def test_the_filter_states_follow_the_filter(kind: tuple[str, int]) -> None:
    sensor = replace(SENSOR, filter=LowPass(kind[0], 900.0, kind[1]))
    net, true_torque, seen, states = path(sensor)
    f, g, out = state_space(sensor.filter)
    inner = np.linspace(-3.0, 5.0, kind[1])
    at = evaluate(net, [1e-3, *inner])
    assert at.values[true_torque] == pytest.approx(48.0)
    assert at.derivative[1:] == pytest.approx(list(f @ inner + g * 48.0), rel=1e-12, abs=1e-9)
    assert at.derivative[0] == 0.0
    assert seen == states[out]
    assert net.states[1:] == [(f"ts.filter{i}", "N m") for i in range(1, kind[1] + 1)]


def test_noise_without_a_filter_is_refused() -> None:
    with pytest.raises(
        ParameterError, match=r"^noise_density: 0.01 N m/rtHz needs a filter: unfiltered white noise"
    ):
        path(replace(SENSOR, noise_density=0.01))


def test_noise_with_a_filter_is_allowed() -> None:
    noisy = replace(SENSOR, noise_density=0.01, filter=LowPass("bessel", 900.0, 2))
    assert len(path(noisy)[3]) == 2
