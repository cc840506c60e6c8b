"""A belt between two pulleys, with a ratio, creep and losses.

Everything is seen from the left pulley, ``ratio`` i being its speed over that of the right one without load:
the diameter of the right pulley over that of the left one. The belt is a spring ``T = k·φ`` with relative
damping, creeps as `shaftloop_models.creep` says, and rubs: a friction ``(1/η - 1)·|T|`` at the left pulley,
as that of a mesh, for what bending costs. A steady run that the left pulley drives keeps ``(1 - s)·η`` of the
power, s the creep. There is no viscous damping then, which would carry torque while the belt creeps.

With `slip_torque` the belt slips through instead: no torque is beyond it, as in `shaftloop_models.slip`, and
small slip below it is left out. Round a pulley that is wrapped by an angle α the tight strand pulls at most
e^(μα) times as hard as the slack one, so that a pair preloaded by 2·F0 slips at
``2·F0·r·(e^(μα) - 1)/(e^(μα) + 1)`` (Euler and Eytelwein; a wedge of groove angle γ has μ/sin(γ/2)) [2]_.

Under preload both strands carry, so that ``k = 2·E·A/L·r²`` with the free length L of a strand and the radius
r of the left pulley; half of that where the slack strand hangs loose. Two pulleys on a belt swing at
``ω² = 2·E·A/L·(r1²/J1 + r2²/J2)`` [1]_.

Neglected: gross slip unless `slip_torque` is stated (a run beyond `limit` is then not what the belt does, and
says so), its dependence on speed, wear and heat; centrifugal tension, mass of the belt, transverse vibration
of the strands, the error of a splice, temperature. Toothed belts creep by next to nothing: leave `creep` out.

References
----------
.. [1] J. P. Den Hartog, Mechanical Vibrations, problems of chapter 2: two pulleys on a belt. From memory.
.. [2] J. E. Shigley, C. R. Mischke, R. G. Budynas, Mechanical Engineering Design, flexible mechanical
   elements: the belt equation. From memory.
"""

from dataclasses import dataclass, replace
from typing import Annotated, Literal

from shaftloop_models.drag import Drag
from shaftloop_models.line import Element, Inertia, Spring
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi, damped_spring
from shaftloop_models.parameters import ParameterError, Quantity
from shaftloop_models.part import Part, Stands, part_kind
from shaftloop_models.slip import slipping

__all__ = ["Belt"]


@part_kind
@dataclass(frozen=True)
class Belt(Part):
    """Parameters of a belt with its pulleys."""

    part: Literal["belt"]
    name: str
    ratio: Annotated[
        float, Quantity("1", "speed of the left pulley over that of the right, without load", ge=1e-2, le=1e2)
    ]
    stiffness: Annotated[float, Quantity("N m/rad", "of the belt, seen from the left pulley", gt=0.0)]
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    creep: Annotated[
        float, Quantity("1", "share of the speed lost by extension at the rated torque", ge=0.0, le=0.1)
    ] = 0.0
    slip_torque: Annotated[
        float | None, Quantity("N m", "torque at the left pulley at which it slips through", gt=0.0)
    ] = None
    damping: Annotated[
        float | None, Quantity("N m s/rad", "viscous damping, with slip_torque alone", gt=0.0)
    ] = None
    efficiency: Annotated[float, Quantity("1", "under load, without the creep", ge=0.5, le=1.0)] = 1.0
    smoothing: Annotated[
        float, Quantity("rad/s", "speed of the left pulley over which the friction changes sign", gt=0.0)
    ] = 0.5
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the left pulley", ge=0.0)] = 0.0
    inertia_right: Annotated[
        float, Quantity("kg m^2", "inertia of the right pulley, at its own speed", ge=0.0)
    ] = 0.0
    drag: Drag = Drag()
    rated: Annotated[float | None, Quantity("N m", "rated torque at the left pulley", gt=0.0)] = None
    limit: Annotated[
        float | None, Quantity("N m", "torque at the left pulley beyond which it slips through", gt=0.0)
    ] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed of the left pulley", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        if self.rated is None and (self.creep or self.efficiency < 1.0):
            raise ParameterError("rated", "missing: creep and efficiency are judged by the rated torque")
        creep = self.creep / (self.rated or 1.0)
        return [
            Inertia(self.inertia_left, self.drag, self.name),
            replace(self._spring(), ratio=self.ratio, creep=creep),
            Inertia(self.inertia_right),
        ]

    def warnings(self) -> list[tuple[tuple[str, ...], str]]:
        """Return a slip torque below what it is rated for."""
        slip, rated = self.slip_torque, self.rated
        if slip is None or rated is None or slip >= rated:
            return []
        return [(("slip_torque",), f"slips at {slip:g} N m, below its rated torque {rated:g} N m")]

    def _spring(self) -> Spring:
        if self.slip_torque is None:
            if self.damping:
                raise ParameterError(
                    "damping",
                    "would carry torque while it creeps; write loss_factor_psi, or slip_torque",
                )
            return damped_spring(self.stiffness, None, self.loss_factor_psi, self.loss_band)
        if self.creep:
            raise ParameterError("slip_torque", "together with creep is not modelled: leave one of them out")
        return slipping(self.stiffness, self.damping, self.loss_factor_psi, self.slip_torque)
