"""A differential: its input turns two outputs, which get equal torques and share its speed.

Seen from the input, ``ratio`` i being its speed over the mean of both outputs, it is one spring on a linear
combination of three angles::

    φ = θ - i·(θ1 + θ2)/2        T = k·φ + d·φ' + branches of relative damping
    input  -T                    each output  +i·T/2

The outputs may turn at any two speeds whose mean the input dictates: nothing holds their difference but what
hangs on them. Each shaft counts its speed positive in its own direction of rotation.

Neglected: friction between the outputs, which in a limited-slip differential makes their torques unequal, and
in an open one by some per cent; the inertia of the pinions about their own axes; backlash, mesh orders and
efficiency, for which a gear stage ahead of it stands.

References
----------
.. [1] Equal torques of an open differential, and its speeds: any textbook of vehicle drives.
"""

from dataclasses import dataclass, replace
from typing import Annotated, Literal

from shaftloop_models.drag import Drag
from shaftloop_models.line import Element, Inertia
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi
from shaftloop_models.parameters import Quantity
from shaftloop_models.part import Part, Stands, part_kind
from shaftloop_models.play import spring_with_play

__all__ = ["Differential"]


@part_kind
@dataclass(frozen=True)
class Differential(Part):
    """Parameters of a differential; two parts come after it."""

    part: Literal["differential"]
    name: str
    stiffness: Annotated[
        float, Quantity("N m/rad", "of its gears and their shafts, seen from the input", gt=0.0)
    ]
    ratio: Annotated[
        float, Quantity("1", "speed of the input over the mean of the outputs", ge=1e-2, le=1e2)
    ] = 1.0
    damping: Annotated[
        float | None, Quantity("N m s/rad", "viscous damping, seen from the input", ge=0.0)
    ] = None
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the input", ge=0.0)] = 0.0
    inertia_right: Annotated[
        float, Quantity("kg m^2", "inertia of each output, at its own speed", ge=0.0)
    ] = 0.0
    drag: Drag = Drag()
    rated: Annotated[float | None, Quantity("N m", "rated torque at the input", gt=0.0)] = None
    limit: Annotated[
        float | None, Quantity("N m", "limit torque at the input, beyond which it is damaged", gt=0.0)
    ] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed of the input", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        damping = self.damping, self.loss_factor_psi, self.loss_band
        gears = spring_with_play(self.stiffness, *damping, 0.0, self.rated)
        return [
            Inertia(self.inertia_left, self.drag, self.name),
            replace(gears, ratio=self.ratio, outputs=2),
            Inertia(self.inertia_right),
        ]
