"""Bearing, coupling, encoder, flywheel, supply, materials and the decorator of equations."""

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from evaluate import evaluate

from shaftloop_models.bearing import Bearing
from shaftloop_models.compiled import equation
from shaftloop_models.coupling import Coupling
from shaftloop_models.drag import Drag
from shaftloop_models.encoder import Encoder, declare_angle, edge_angle, speed_quantum
from shaftloop_models.flywheel import Flywheel
from shaftloop_models.line import Inertia, Spring
from shaftloop_models.material import MATERIALS
from shaftloop_models.network import Network, Node
from shaftloop_models.parameters import ParameterError
from shaftloop_models.supply import Stiff, voltage_limit

DISC = Flywheel(part="flywheel", name="f", diameter=0.4, inner_diameter=0.1, width=0.05)
ENCODER = Encoder(part="encoder", name="e", lines=1024, sampling=Fraction(1000), inertia=1e-5)


def test_a_bearing_is_a_drag_with_little_inertia() -> None:
    drag = Drag(viscous=1e-3, coulomb=0.05)
    assert Bearing("bearing", "b", drag).elements() == [Inertia(0.0, drag, "b")]
    assert Bearing("bearing", "b", drag, 1e-4).elements() == [Inertia(1e-4, drag, "b")]


def test_a_coupling_is_a_spring_between_hubs() -> None:
    coupling = Coupling("coupling", "c", 22e3, damping=2.0, inertia_left=1e-3, inertia_right=2e-3)
    assert coupling.elements() == [Inertia(1e-3), Spring(22e3, 2.0), Inertia(2e-3)]


def test_a_coupling_takes_its_loss_factor_in_its_band() -> None:
    plain = Coupling("coupling", "c", 22e3, loss_factor_psi=0.5)
    wide = replace(plain, loss_band=(1.0, 1e4))
    assert len(plain.elements()[1].branches) < len(wide.elements()[1].branches)


def test_a_coupling_with_both_kinds_of_damping_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"^damping: give either damping"):
        Coupling("coupling", "c", 22e3, damping=2.0, loss_factor_psi=0.5).elements()


def test_the_inertia_of_a_disc_follows_from_its_mass() -> None:
    mass = MATERIALS["steel"].density * math.pi / 4.0 * (0.4**2 - 0.1**2) * 0.05
    (body,) = DISC.elements()
    assert isinstance(body, Inertia)
    assert body.value == pytest.approx(mass * (0.2**2 + 0.05**2) / 2.0, rel=1e-12)
    assert (body.drag, body.drag_label) == (Drag(), "f")


def test_the_inertia_of_a_flywheel_can_be_stated() -> None:
    drag = Drag(windage=1e-5)
    assert Flywheel("flywheel", "f", inertia=0.3, drag=drag).elements() == [Inertia(0.3, drag, "f")]


@pytest.mark.parametrize("extra", [{"diameter": 0.4}, {"width": 0.05}, {"inner_diameter": 0.1}])
def test_an_inertia_stated_twice_is_refused(extra: dict[str, float]) -> None:
    with pytest.raises(
        ParameterError, match=r"^inertia: give either inertia or diameter and width, not both"
    ):
        Flywheel("flywheel", "f", inertia=0.3, **extra).elements()


@pytest.mark.parametrize("missing", ["diameter", "width"])
def test_a_flywheel_without_dimensions_is_refused(missing: str) -> None:
    with pytest.raises(ParameterError, match=r"^inertia: missing: give inertia, or diameter and width"):
        replace(DISC, **{missing: None}).elements()


def test_a_bore_as_wide_as_the_disc_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"^inner_diameter: 0.5 m must be below the diameter 0.4 m"):
        replace(DISC, inner_diameter=0.5).elements()


def test_four_edges_are_counted_per_line() -> None:
    assert edge_angle(1024) == 2.0 * math.pi / 4096.0
    assert speed_quantum(4096, 1e-3) == pytest.approx(edge_angle(1024) / 1e-3, rel=1e-15)


def test_the_angle_of_an_encoder_follows_its_body() -> None:
    net = Network()
    node = Node("rotor", 0.02, net.state("speed", "rad/s"))
    angle = declare_angle(net, ENCODER, node)
    assert evaluate(net, [7.0, 0.1]).derivative[angle.index] == 7.0
    assert net.states[angle.index] == ("e.angle", "rad")
    assert ENCODER.elements() == [Inertia(1e-5)]


def test_the_phase_voltage_is_the_link_voltage_over_root_three() -> None:
    assert voltage_limit(Stiff().voltage, 1.0) == pytest.approx(346.410, rel=1e-6)
    assert voltage_limit(565.0, 0.9) == pytest.approx(0.9 * 565.0 / math.sqrt(3.0), rel=1e-15)


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_the_materials_are_metals(name: str) -> None:
    assert 20e9 < MATERIALS[name].shear_modulus < 90e9
    assert 2000.0 < MATERIALS[name].density < 8500.0


def test_an_equation_stays_callable_from_python() -> None:
    @equation
    def twice(x: float) -> float:
        """Return 2·x."""
        return 2.0 * x

    assert twice(1.5) == 3.0
    assert twice.__doc__ == "Return 2·x."
