"""A flywheel: an added inertia, stated directly or by the dimensions of a disc.

``J = ρ·w·π(D⁴ − d⁴)/32``. Neglected: hub and bore details, growth with speed, burst strength (an
overspeeding flywheel can burst: guards and speed limits are a matter of local codes).
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from shaftloop_models.drag import Drag
from shaftloop_models.line import Element, Inertia
from shaftloop_models.material import MATERIALS, MaterialName
from shaftloop_models.parameters import ParameterError, Quantity
from shaftloop_models.part import Part, Stands, part_kind
from shaftloop_models.shaft import polar_moment

__all__ = ["Flywheel"]


@part_kind
@dataclass(frozen=True)
class Flywheel(Part):
    """Parameters of a flywheel."""

    part: Literal["flywheel"]
    name: str
    inertia: Annotated[float | None, Quantity("kg m^2", "moment of inertia", gt=0.0)] = None
    diameter: Annotated[float | None, Quantity("m", "outer diameter of the disc", gt=0.0)] = None
    inner_diameter: Annotated[float, Quantity("m", "bore of the disc", ge=0.0)] = 0.0
    width: Annotated[float | None, Quantity("m", "width of the disc", gt=0.0)] = None
    material: MaterialName = "steel"
    drag: Drag = Drag()
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its largest speed."""
        return Stands(max_speed=self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right.

        Raises
        ------
        ParameterError
            Where neither the inertia nor the full dimensions are given, or both.
        """
        if self.inertia is not None:
            if self.diameter is not None or self.width is not None or self.inner_diameter:
                raise ParameterError("inertia", "give either inertia or diameter and width, not both")
            return [Inertia(self.inertia, self.drag, self.name)]
        if self.diameter is None or self.width is None:
            raise ParameterError("inertia", "missing: give inertia, or diameter and width")
        if self.inner_diameter >= self.diameter:
            raise ParameterError(
                "inner_diameter", f"{self.inner_diameter:g} m must be below the diameter {self.diameter:g} m"
            )
        area = polar_moment(self.diameter, self.inner_diameter)
        return [Inertia(MATERIALS[self.material].density * self.width * area, self.drag, self.name)]
