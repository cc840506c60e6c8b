"""A bearing or seal: drag on the body it sits on, with little inertia of its own.

See `shaftloop_models.drag` for the equation, what is neglected and the validity.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from shaftloop_models.drag import Drag
from shaftloop_models.line import Element, Inertia
from shaftloop_models.parameters import Quantity
from shaftloop_models.part import Part, Stands, part_kind

__all__ = ["Bearing"]


@part_kind
@dataclass(frozen=True)
class Bearing(Part):
    """Parameters of a bearing or seal."""

    part: Literal["bearing"]
    name: str
    drag: Drag
    inertia: Annotated[float, Quantity("kg m^2", "inertia of the rotating ring", ge=0.0)] = 0.0
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None

    def stands(self) -> Stands:
        """Return its largest speed."""
        return Stands(max_speed=self.max_speed)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        return [Inertia(self.inertia, self.drag, self.name)]
