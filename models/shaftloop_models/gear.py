"""A gear stage: two wheels in mesh, with a ratio, play, transmission error and losses.

Everything is seen from the left wheel, ``ratio`` i being its speed over that of the right one. The mesh
strains by ``φ' = ωl − i·ωr`` and carries

::

    T = k·(φ + ε(θ) − ε(0) − b) + branches of relative damping      b = φ held within ± half the backlash
    left wheel   −T·(1 + dε/dθ) − Tf        right wheel   +i·T

- **Backlash** is exact: within it nothing is carried, and what damps the flanks grows with what presses them
  (`shaftloop_models.play`).
- **Mesh order**: the teeth of the left wheel make an error ``ε = e·sin(z·θ)`` once per tooth, or, with
  `error_order` in place of z, a wheel that runs out once per turn: 37/11 is that of 11 teeth behind 37
  (`shaftloop_models.misalignment` has the equations).
- **Losses**: what the wheels drag without load (`drag`, at the left wheel), and a friction that grows with
  the torque, ``Tf = (1/η − 1)·|T|·tanh(ωl/ωs)``: efficiency η where the left wheel drives, 2 − 1/η where the
  right one does.

Each shaft counts its speed positive in its own direction of rotation, so that the ratio of a pair of outer
wheels, which turn against each other, is positive too.

Neglected: stiffness that changes from tooth to tooth, lubrication and temperature (the efficiency is one
number; that of real stages falls at low torque, which the drag covers), axial and bending motion, bearings'
elasticity. While flanks are apart there is no friction.

References
----------
.. [1] Inertia behind a gear counts 1/i² at the left shaft: any textbook of drives;
   tests/outside/test_gear_checks.py.
.. [2] Efficiency as friction that grows with the torque: common practice, no source.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated, Any, Literal

from shaftloop_models.belt import Belt
from shaftloop_models.drag import Drag, smooth_sign
from shaftloop_models.line import Element, Inertia, TransmissionError
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi
from shaftloop_models.network import Network, Node, OwnKind, Ref
from shaftloop_models.parameters import Number, ParameterError, Quantity
from shaftloop_models.part import Part, Stands, part_kind
from shaftloop_models.play import spring_with_play

__all__ = ["Gear", "declare_mesh_friction"]


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: speed, what the torque depends on; p: share, smoothing, number of weights, weights; y: friction."""
    torque = 0.0
    for i in range(int(p[2])):
        torque += p[3 + i] * x[1 + i]
    y[0] = p[0] * abs(torque) * smooth_sign(x[0] / p[1])


_FRICTION = OwnKind(
    "friction of a mesh", _evaluate, "raise the efficiency, the smoothing or the inertia of the left wheel"
)


@part_kind
@dataclass(frozen=True)
class Gear(Part):
    """Parameters of a gear stage."""

    part: Literal["gear"]
    name: str
    ratio: Annotated[float, Quantity("1", "speed of the left shaft over that of the right", ge=1e-4, le=1e4)]
    stiffness: Annotated[float, Quantity("N m/rad", "of mesh and shafts, seen from the left", gt=0.0)]
    damping: Annotated[
        float | None,
        Quantity(
            "N m s/rad",
            "viscous damping, seen from the left; with a backlash, that at the rated torque",
            ge=0.0,
        ),
    ] = None
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the left wheel", ge=0.0)] = 0.0
    inertia_right: Annotated[
        float, Quantity("kg m^2", "inertia of the right wheel, at its own speed", ge=0.0)
    ] = 0.0
    backlash: Annotated[
        float, Quantity("rad", "angle of the left wheel between its flanks", ge=0.0, le=0.2)
    ] = 0.0
    teeth: Annotated[int | None, Number("teeth of the left wheel", ge=5, le=500)] = None
    transmission_error: Annotated[
        float, Quantity("rad", "amplitude of its error, as an angle of the left wheel", ge=0.0, le=0.01)
    ] = 0.0
    error_order: Annotated[
        Fraction | None,
        Number(
            "periods of that error per turn of the left wheel; its teeth where left out", gt=0.0, le=1000.0
        ),
    ] = None
    efficiency: Annotated[float, Quantity("1", "under load, where the left shaft drives", ge=0.5, le=1.0)] = (
        1.0
    )
    smoothing: Annotated[
        float, Quantity("rad/s", "speed of the left wheel over which the friction changes sign", gt=0.0)
    ] = 0.5
    drag: Drag = Drag()
    rated: Annotated[float | None, Quantity("N m", "rated torque at the left shaft", gt=0.0)] = None
    limit: Annotated[
        float | None, Quantity("N m", "limit torque at the left shaft, beyond which it is damaged", gt=0.0)
    ] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed of the left shaft", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        if self.backlash and self.transmission_error:
            raise ParameterError(
                "transmission_error",
                f"{self.transmission_error:g} rad together with a backlash of {self.backlash:g} rad: "
                "how teeth rattle in their play is not modelled; give one of them",
            )
        order = self.order()
        if self.transmission_error and order is None:
            raise ParameterError(
                "teeth",
                "missing: the transmission error has one period per tooth of the left wheel, or as many per "
                "turn as error_order says",
            )
        if self.error_order is not None and not self.transmission_error:
            raise ParameterError(
                "error_order",
                f"{self.error_order} has no use without a transmission_error; give one or leave it out",
            )
        if self.efficiency < 1.0 and self.rated is None:
            raise ParameterError("rated", "missing: an efficiency is judged by the rated torque")
        wave = None
        if self.transmission_error and order is not None:
            wave = TransmissionError(self.transmission_error, 0.0, 0.0, order)
        damping = self.damping, self.loss_factor_psi, self.loss_band
        spring = spring_with_play(self.stiffness, *damping, self.backlash, self.rated)
        mesh = replace(spring, error=wave, ratio=self.ratio)
        return [Inertia(self.inertia_left, self.drag, self.name), mesh, Inertia(self.inertia_right)]

    def order(self) -> Fraction | None:
        """Return the periods of its transmission error per turn of the left wheel, nothing if not stated."""
        return Fraction(self.teeth) if self.error_order is None and self.teeth else self.error_order


def declare_mesh_friction(
    net: Network,
    gear: Gear | Belt,
    node: Node,
    torque: Ref,
    said: tuple[str, str] = ("mesh", "friction of the mesh"),
) -> tuple[int, ...]:
    """Add the friction of a mesh to the left wheel and return its loss meter, nothing at an efficiency of 1.

    Parameters
    ----------
    net : Network
        Equations to extend.
    gear : Gear or Belt
        Parameters.
    node : Node
        Body of the line that holds the left wheel.
    torque : Ref
        Signal: torque of the mesh. [N m]
    said : tuple of str, optional
        Last word of the meter's name, and its meaning.
    """
    if gear.efficiency == 1.0 or gear.rated is None:
        return ()
    share = 1.0 / gear.efficiency - 1.0
    form = net.signals[torque.index][1]
    (friction,) = net.term(
        _FRICTION,
        [node.speed, *form],
        [share, gear.smoothing, float(len(form)), *form.values()],
        [f"{gear.name}.friction"],
        slope=share * gear.rated / gear.smoothing,
    )
    net.torque(node, friction, -1.0)
    return (net.meter(f"{gear.name}.{said[0]}", said[1], [(1.0, friction, node.speed)]),)
