"""The rigid bodies that the parts of a line make, and the springs between them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from shaftloop_models.drag import Drag
from shaftloop_models.line import Inertia, Spring
from shaftloop_models.part import Part
from shaftloop_models.tree import Joint, Tree

__all__ = ["Body", "Layout", "Place", "befores", "lay_out"]


@dataclass
class Body:
    """A rigid body before it has equations."""

    inertia: float = 0.0
    pace: float = 1.0
    """Its speed over that of the leftmost body, no spring strained and outputs of differentials alike."""
    shaft: int = 0
    """Leftmost body of its shaft, which ends at gears, differentials and belts that creep."""
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


class Layout(NamedTuple):
    """The bodies of a line and how they hang together."""

    bodies: list[Body]
    tree: Tree
    places: dict[str, Place]


def befores(parts: Sequence[Part]) -> dict[str, str]:
    """Return the part that each comes after, by its name; nothing for the first."""
    above = [part.name for part in parts]
    return {part.name: part.after or one for part, one in zip(parts[1:], above, strict=False)}


def lay_out(parts: Sequence[Part]) -> Layout:
    """Return the bodies and springs of a line: neighbouring inertias form one body.

    Parameters
    ----------
    parts : sequence of Part
        Already checked by the reader: each comes after one above it.
    """
    bodies, places, before = [Body()], {}, befores(parts)
    joints: list[Joint] = []
    ends: dict[str, list[int]] = {}
    for part in parts:
        free = ends[before[part.name]] if part.name in before else [0]
        # Of two outputs the part that comes first takes the first one.
        here = [free.pop(0)] if len(free) > 1 else [*free]
        begins, own = here[0], None
        for element in part.elements():
            if isinstance(element, Spring):
                own, left = len(joints), here[0]
                here = [len(bodies) + i for i in range(element.outputs)]
                joints.append(Joint(part.name, element, left, tuple(here)))
                stays = element.ratio == 1.0 and element.outputs == 1 and element.creep == 0.0
                pace = bodies[left].pace / element.ratio
                bodies += [Body(pace=pace, shaft=bodies[left].shaft if stays else body) for body in here]
            else:
                for body in here:
                    _bolt(bodies[body], element, part)
        places[part.name], ends[part.name] = Place(begins, own), here
    return Layout(bodies, Tree(tuple(joints)), places)


def _bolt(body: Body, element: Inertia, part: Part) -> None:
    body.inertia += element.value
    if element.value > 0.0 and part.name not in body.parts:
        body.parts.append(part.name)
    if part.drives:
        body.machine = body.machine or part.name
    if element.drag != Drag():
        body.drags.append((element.drag, element.drag_label))
