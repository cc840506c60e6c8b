"""The shaft line: bodies, springs, their equations and energy meters."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from shaftloop.scenario.description import Machine, Part
from shaftloop_models.drag import Drag, declare_drag
from shaftloop_models.line import Inertia, Spring
from shaftloop_models.network import Network, Node, Ref

__all__ = ["Body", "Edge", "Line", "Place", "declare_line", "lay_out"]


@dataclass
class Body:
    """A rigid body before it has equations."""

    inertia: float = 0.0
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


@dataclass(frozen=True)
class Edge:
    """A spring of the line with its equations."""

    part: str
    left: int
    """Body on its left; the one on its right is the next."""
    stiffness: float
    """Static stiffness of the main spring. [N m/rad]"""
    elastic: Ref
    """Signal: k·twist. [N m]"""
    torque: Ref
    """Signal: what the left side hands to the right, with damping. [N m]"""
    incoming: int
    """Meter: energy from the left body."""
    outgoing: int
    """Meter: energy to the right body."""


@dataclass(frozen=True)
class Line:
    """The shaft line with its equations."""

    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]
    places: dict[str, Place]
    drag_meters: tuple[tuple[int, ...], ...]
    """Loss meters of every body."""


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
                bodies.append(Body())
            else:
                _bolt(bodies[-1], element, part)
        places[part.name] = Place(begins, own)
    return bodies, springs, places


def _bolt(body: Body, element: Inertia, part: Part) -> None:
    body.inertia += element.value
    if element.value > 0.0 and part.name not in body.parts:
        body.parts.append(part.name)
    if isinstance(part, Machine):
        body.machine = body.machine or part.name
    if element.drag != Drag():
        body.drags.append((element.drag, element.drag_label))


def declare_line(net: Network, parts: Sequence[Part], max_speed: float) -> Line:
    """Add the mechanics of a line to a network.

    Parameters
    ----------
    net : Network
        Equations to extend.
    parts : sequence of Part
        Left to right.
    max_speed : float
        Largest speed of the operating range, for the step rule. [rad/s]
    """
    bodies, springs, places = lay_out(parts)
    names = _unique([body.name for body in bodies])
    nodes = tuple(
        Node(name, body.inertia, net.state(f"{name}.speed", "rad/s"))
        for name, body in zip(names, bodies, strict=True)
    )
    edges = tuple(_declare_edge(net, part, spring, nodes, i) for i, (part, spring) in enumerate(springs))
    drags = tuple(
        tuple(
            meter for drag, label in body.drags for meter in declare_drag(net, node, drag, label, max_speed)
        )
        for node, body in zip(nodes, bodies, strict=True)
    )
    return Line(nodes, edges, places, drags)


def _unique(names: list[str]) -> list[str]:
    return [name if names.count(name) == 1 else f"{name}.{i + 1}" for i, name in enumerate(names)]


def _declare_edge(net: Network, part: str, spring: Spring, nodes: Sequence[Node], left: int) -> Edge:
    """Add a spring between a body and the next."""
    a, b = nodes[left], nodes[left + 1]
    twist = net.state(f"{part}.twist", "rad")
    net.derivative(twist, a.speed, 1.0)
    net.derivative(twist, b.speed, -1.0)
    k, d = spring.stiffness, spring.damping
    form = {twist: k}
    losses, stored = [], [(0.5 * k, twist, twist)]
    if d:
        form |= {a.speed: d, b.speed: -d}
        slip = net.signal(f"{part}.slip", {a.speed: 1.0, b.speed: -1.0})
        losses.append((d, slip, slip))
    for i, branch in enumerate(spring.branches):
        force = net.state(f"{part}.branch{i + 1}", "N m")
        net.derivative(force, a.speed, branch.stiffness)
        net.derivative(force, b.speed, -branch.stiffness)
        net.derivative(force, force, -1.0 / branch.time_constant)
        form[force] = 1.0
        losses.append((1.0 / (branch.stiffness * branch.time_constant), force, force))
        stored.append((0.5 / branch.stiffness, force, force))
    elastic = net.signal(f"{part}.elastic", {twist: k})
    torque = net.signal(f"{part}.torque", form)
    net.torque(a, torque, -1.0)
    net.torque(b, torque)
    incoming = net.meter(f"{part}.in", "energy into the left end", [(1.0, torque, a.speed)])
    outgoing = net.meter(f"{part}.out", "energy out of the right end", [(1.0, torque, b.speed)])
    damping = [net.meter(f"{part}.damping", "damping loss", losses)] if losses else []
    net.balance(part, [incoming], [outgoing], damping, stored)
    return Edge(part, left, k, elastic, torque, incoming, outgoing)
