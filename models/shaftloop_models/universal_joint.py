"""A universal joint, of which cardan shafts are made: it turns its right end unevenly.

Between the ends, bent by the angle β, ``tan θ2 = cos β·tan θ1``, whose series with ``t = tan²(β/2)`` is [1]_

::

    θ2 − θ1 = −t·sin 2θ1 + t²/2·sin 4θ1 − t³/3·sin 6θ1 + ...

Orders 2 and 4 are kept (`shaftloop_models.misalignment` has the equations of the spring that carries them).
θ1 counts from the plane of the bend to the yoke at the left end, which `phase` turns: a joint whose left yoke
lies in the plane of the bend where that of another one stands across it has 90 degrees more. A cardan shaft
is two joints with a shaft between them; at equal angles it runs evenly where the phases differ by 90 degrees.

Damping is a relative one (ψ), which acts on what the joint strains and not on what it turns unevenly.

Neglected: orders 6 and above (t³/3: 0.02 degrees at 35 degrees), backlash (a coupling beside it may have
one), friction in the bearings (0.1 to 1 % of the power, common practice, no source), bending moment T·tan β
and what it does to bearings, that a length of the shaft slides. Valid to 35 degrees.

References
----------
.. [1] Kinematics of the universal joint: any textbook of mechanisms; the series derived here, and tested.
"""

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.line import Element, Inertia, TransmissionError
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi, damped_spring
from shaftloop_models.parameters import Quantity
from shaftloop_models.part import Part, Stands, part_kind

__all__ = ["UniversalJoint"]


@part_kind
@dataclass(frozen=True)
class UniversalJoint(Part):
    """Parameters of a universal joint."""

    part: Literal["universal_joint"]
    name: str
    angle: Annotated[float, Quantity("rad", "between its ends", ge=0.0, le=0.6109)]
    stiffness: Annotated[float, Quantity("N m/rad", "torsional stiffness", gt=0.0)]
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    phase: Annotated[
        float, Quantity("rad", "of its left yoke in the plane of the bend, at angle 0", ge=-6.3, le=6.3)
    ] = 0.0
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the left yoke", ge=0.0)] = 0.0
    inertia_right: Annotated[float, Quantity("kg m^2", "inertia of the right yoke", ge=0.0)] = 0.0
    rated: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    limit: Annotated[float | None, Quantity("N m", "limit torque, beyond which it is damaged", gt=0.0)] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        t = math.tan(0.5 * self.angle) ** 2
        error = TransmissionError(-t, 0.5 * t**2, 2.0 * self.phase, Fraction(2)) if t else None
        spring = damped_spring(self.stiffness, None, self.loss_factor_psi, self.loss_band)
        return [Inertia(self.inertia_left), replace(spring, error=error), Inertia(self.inertia_right)]
