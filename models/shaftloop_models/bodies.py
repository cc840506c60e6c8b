"""The rigid bodies that the parts of a line make, and the springs between them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from shaftloop_models.drag import Drag
from shaftloop_models.line import Inertia, Spring
from shaftloop_models.part import Part

__all__ = ["Body", "Place", "lay_out"]


@dataclass
class Body:
    """A rigid body before it has equations."""

    inertia: float = 0.0
    pace: float = 1.0
    """Its speed over that of the leftmost body while no spring strains."""
    shaft: int = 0
    """Leftmost body of its shaft, which ends at gears."""
    parts: list[str] = field(default_factory=list)
    machine: str | None = None
    drags: list[tuple[Drag, str]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Return the machine's name where there is one, else the names of the parts that form the body."""
        return self.machine or "+".join(self.parts) or "hub"


@dataclass(frozen=True)
class Place:
    """Where a part sits: the body it is or begins with, and its spring where it has one."""

    body: int
    spring: int | None


def lay_out(parts: Sequence[Part]) -> tuple[list[Body], list[tuple[str, Spring]], dict[str, Place]]:
    """Return the bodies and springs of a line: neighbouring inertias form one body.

    Parameters
    ----------
    parts : sequence of Part
        Left to right, already checked by the reader.
    """
    bodies, places = [Body()], {}
    springs: list[tuple[str, Spring]] = []
    for part in parts:
        begins, own = len(bodies) - 1, None
        for element in part.elements():
            if isinstance(element, Spring):
                own = len(springs)
                springs.append((part.name, element))
                last = bodies[-1]
                shaft = last.shaft if element.ratio == 1.0 else len(bodies)
                bodies.append(Body(pace=last.pace / element.ratio, shaft=shaft))
            else:
                _bolt(bodies[-1], element, part)
        places[part.name] = Place(begins, own)
    return bodies, springs, places


def _bolt(body: Body, element: Inertia, part: Part) -> None:
    body.inertia += element.value
    if element.value > 0.0 and part.name not in body.parts:
        body.parts.append(part.name)
    if part.drives:
        body.machine = body.machine or part.name
    if element.drag != Drag():
        body.drags.append((element.drag, element.drag_label))
