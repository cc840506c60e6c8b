"""Drag: the smoothed sign, each law, the entries and the energy it takes."""

import math

import numpy as np
import pytest
from evaluate import evaluate
from hypothesis import given
from hypothesis import strategies as st

from shaftloop_models.drag import Drag, coulomb_torque, declare_drag, smooth_sign, windage_torque
from shaftloop_models.network import Network, Node, TermKind

speeds = st.floats(-2000.0, 2000.0)


@given(st.floats(-25.0, 25.0))
def test_the_smooth_sign_is_tanh(x: float) -> None:
    assert abs(smooth_sign(x) - math.tanh(x)) <= 3e-16


def test_the_smooth_sign_is_tanh_on_a_dense_grid() -> None:
    grid = np.concatenate([np.linspace(-21.0, 21.0, 20_001), np.geomspace(1e-300, 1.0, 2_001)])
    ours = np.array([smooth_sign(float(x)) for x in grid])
    assert np.max(np.abs(ours - np.tanh(grid))) <= 3e-16


@pytest.mark.parametrize("x", [20.0, 20.5, 1e3, 1e300, math.inf])
def test_the_smooth_sign_is_exactly_one_far_out(x: float) -> None:
    assert smooth_sign(x) == 1.0
    assert smooth_sign(-x) == -1.0


def test_the_smooth_sign_of_nothing_is_nothing() -> None:
    assert smooth_sign(0.0) == 0.0
    assert math.isnan(smooth_sign(math.nan))


@given(st.floats(-30.0, 30.0))
def test_the_smooth_sign_is_odd(x: float) -> None:
    assert smooth_sign(-x) == -smooth_sign(x)


@pytest.mark.parametrize(("ratio", "share"), [(1.0, 0.7616), (3.0, 0.9951)])
def test_the_coulomb_drag_reaches_the_stated_shares(ratio: float, share: float) -> None:
    assert coulomb_torque(0.5 * ratio, 2.0, 0.5) == pytest.approx(2.0 * share, abs=1e-4)


@given(speeds)
def test_the_windage_grows_with_the_square_and_opposes_both_ways(speed: float) -> None:
    assert windage_torque(speed, 3e-5) == pytest.approx(math.copysign(3e-5 * speed**2, speed), rel=1e-14)


def rotor(drag: Drag) -> tuple[Network, list[int]]:
    net = Network()
    node = Node("rotor", 0.02, net.state("speed", "rad/s"))
    return net, declare_drag(net, node, drag, "rotor", 500.0)


@given(speeds)
def test_a_drag_takes_the_kinetic_energy_that_its_meter_counts(speed: float) -> None:
    drag = Drag(viscous=0.002, coulomb=0.2, smoothing=0.5, windage=1e-6)
    net, (meter,) = rotor(drag)
    at = evaluate(net, [speed])
    torque = 0.002 * speed + 0.2 * math.tanh(speed / 0.5) + 1e-6 * speed * abs(speed)
    assert at.derivative[0] == pytest.approx(-torque / 0.02, rel=1e-12)
    assert at.powers[meter] == pytest.approx(-0.02 * speed * at.derivative[0], rel=1e-12, abs=1e-300)
    assert at.powers[meter] >= 0.0


@pytest.mark.parametrize(
    ("drag", "kinds"),
    [
        (Drag(viscous=0.1), []),
        (Drag(coulomb=0.1), [TermKind.COULOMB]),
        (Drag(windage=0.1), [TermKind.WINDAGE]),
        (Drag(viscous=0.1, coulomb=0.1, windage=0.1), [TermKind.COULOMB, TermKind.WINDAGE]),
    ],
)
def test_only_the_terms_that_are_needed_are_declared(drag: Drag, kinds: list[TermKind]) -> None:
    net, meters = rotor(drag)
    assert [term.kind for term in net.terms] == kinds
    assert len(meters) == 1


def test_the_slopes_bound_the_steepness_of_the_terms() -> None:
    net, _ = rotor(Drag(coulomb=0.2, smoothing=0.5, windage=1e-6))
    assert [term.slope for term in net.terms] == pytest.approx([0.4, 2e-6 * 500.0])


@pytest.mark.parametrize("drag", [Drag(), Drag(smoothing=2.0)])
def test_no_drag_leaves_no_trace(drag: Drag) -> None:
    net, meters = rotor(drag)
    assert meters == []
    assert (net.linear, net.terms, net.meters) == ([], [], [])


def test_the_meaning_of_the_meter_can_be_stated() -> None:
    net = Network()
    node = Node("rotor", 0.02, net.state("speed", "rad/s"))
    declare_drag(net, node, Drag(viscous=1.0), "rotor.iron", 500.0, "iron loss")
    assert (net.meters[0].name, net.meters[0].meaning) == ("rotor.iron.drag", "iron loss")
