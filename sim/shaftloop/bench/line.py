"""The shaft line: bodies, springs, their equations and energy meters."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import cast

from shaftloop.bench.angle import needs_angle
from shaftloop.bench.condition import HEALTHY, Condition
from shaftloop.bench.parts.part import Site
from shaftloop_models.bodies import Place, lay_out
from shaftloop_models.creep import declare_creep
from shaftloop_models.drag import declare_drag
from shaftloop_models.line import Laid, Law, SpringSite
from shaftloop_models.misalignment import declare_transmission_error
from shaftloop_models.network import Network, Node, Ref
from shaftloop_models.part import Machine, Part
from shaftloop_models.tree import Joint, Tree

__all__ = ["Edge", "Line", "declare_line"]


@dataclass(frozen=True)
class Edge:
    """A spring of the line with its equations."""

    part: str
    left: int
    """Body on its left."""
    rights: tuple[int, ...]
    """Bodies on its right: two behind a differential."""
    ratio: float
    """Speed of its left end over that of its right end while it does not strain, mean of right ends."""
    stiffness: float
    """Static stiffness of the main spring. [N m/rad]"""
    twist: Ref
    """State: angle of the left body minus ratio times that of the right one, mean of right ones. [rad]"""
    laid: Laid | None
    """What its law makes of it, where it is not linear."""
    law: Law | None
    elastic: Ref
    """Signal: k·twist. [N m]"""
    torque: Ref
    """Signal: what the left side hands to the right, with damping. [N m]"""
    incoming: int
    """Meter: energy from the left body."""
    outgoing: tuple[int, ...]
    """Meters: energy to each right body."""

    def into(self, body: int) -> list[int]:
        """Return the meters of the energy to a body; none where it is not on the right."""
        return [meter for right, meter in zip(self.rights, self.outgoing, strict=True) if right == body]

    def strain(self, torque: float) -> float:
        """Return its twist [rad] under a steady torque [N m], without what carries nothing."""
        return torque / self.stiffness if self.law is None else self.law.strain(self.stiffness, torque)


@dataclass(frozen=True)
class Line:
    """The shaft line with its equations."""

    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]
    tree: Tree
    """How they hang together."""
    places: dict[str, Place]
    drag_meters: tuple[tuple[int, ...], ...]
    """Loss meters of every body."""
    shafts: tuple[int, ...]
    """Leftmost body of the shaft of every body, as in `Body.shaft`."""
    reach: tuple[float, ...]
    """Speed of every body that steps do for: `max_speed` of its machine, else that of the fastest. [rad/s]"""
    angles: dict[int, Ref]
    """State by leftmost body of a shaft: its angle, wrapped at instants, where a part of that shaft depends
    on it. [rad]"""
    frame: Ref | None = None
    """Held input of a smooth bench with loops on positions: speed of the frame in which they rest, of the
    leftmost body. [rad/s]"""

    @property
    def held(self) -> str:
        """Name of the body that is a fixed end, empty where the line turns."""
        return next((node.name for node in self.nodes if node.fixed), "")

    def angle_of(self, body: int) -> tuple[Ref, ...]:
        """Return the angle of a body: that of its shaft, then the twists to subtract; empty without one."""
        return _angle_of(self.angles, self.edges, self.tree, self.shafts[body], body)

    def turned(self, body: int) -> tuple[tuple[float, Ref], ...]:
        """Return the angle of a body in the frame, as weight times state; empty where there is no frame.

        Along springs it follows from one angle: with one for every encoder their differences would be states
        that never move. On a line that is held it follows from the twists alone.
        """
        if self.frame is None:
            return ()
        root, form = self._form(body)
        fixed = next((number for number, node in enumerate(self.nodes) if node.fixed), None)
        if fixed is not None and self._form(fixed)[0] == root:
            scale = self.nodes[body].pace / self.nodes[fixed].pace
            for weight, state in self._form(fixed)[1]:
                form.append((-scale * weight, state))
            form = [entry for entry in form if entry[1] != self.angles[root]]
        return tuple(form)

    def _form(self, body: int) -> tuple[int, list[tuple[float, Ref]]]:
        """Return where the angle of a body begins to be counted, and the angle from there."""
        root, way = _root(self.tree, body), self.tree.way(body)
        down = [self.edges[number] for number in reversed(way[: len(way) - len(self.tree.way(root))])]
        form = [(1.0, self.angles[root])]
        for edge in down:
            form = [
                *((weight / edge.ratio, state) for weight, state in form),
                (-1.0 / edge.ratio, edge.twist),
            ]
        return root, form

    def edge(self, part: str) -> Edge:
        """Return the spring of a part that has one."""
        return next(edge for edge in self.edges if edge.part == part)

    def pace(self, part: str) -> float:
        """Return the speed of a part over that of the leftmost body unstrained, 1 off the line."""
        return self.nodes[self.places[part].body].pace if part in self.places else 1.0

    def bodies(self, parts: Collection[str]) -> list[Node]:
        """Return the bodies that some parts are or begin with."""
        return [self.nodes[self.places[part].body] for part in parts]

    def site(self, name: str, number: int) -> Site:
        """Return where a part sits."""
        place = self.places[name]
        edge = None if place.spring is None else self.edges[place.spring]
        spring = -1 if place.spring is None else place.spring
        angles = self.angle_of(place.body) if self.frame is None else ()
        body = place.body
        turned = self.turned(body) if _root(self.tree, body) in self.angles else ()
        return Site(number, body, self.nodes[body], spring, edge, angles, turned)


def declare_line(
    net: Network,
    parts: Sequence[Part],
    condition: Condition = HEALTHY,
    angled: Collection[str] = (),
    framed: bool = False,
) -> Line:
    """Add the mechanics of a line to a network.

    The shafts of parts in `angled` have an angle even if no part of them depends on it; `framed` counts these
    angles in a frame that turns with the operating point.
    """
    bodies, tree, places = lay_out(parts)
    # The operating range, for the step rule.
    fastest = max(
        cast(Machine, part).max_speed / bodies[places[part.name].body].pace for part in parts if part.drives
    )
    names = _unique([body.name for body in bodies])
    nodes = tuple(
        Node(name, body.inertia, net.state(f"{name}.speed", "rad/s"), body.pace)
        for name, body in zip(names, bodies, strict=True)
    )
    shafts = tuple(body.shaft for body in bodies)
    frame = net.held("frame", "rad/s") if framed and angled else None
    if frame is not None:
        roots = sorted({_root(tree, places[name].body) for name in angled})
        angles = {root: net.state(f"{nodes[root].name}.turned", "rad") for root in roots}
        for root, angle in angles.items():
            net.derivative(angle, nodes[root].speed, 1.0)
            net.derivative(angle, frame, -nodes[root].pace)
    else:
        angles = _declare_angles(
            net, parts, nodes, [shafts[places[part.name].body] for part in parts], angled
        )
    edges: list[Edge] = []
    bent = {body for joint in tree.joints if joint.spring.law for body in (joint.left, *joint.rights)}
    for joint in tree.joints:
        left = _angle_of(angles, edges, tree, shafts[joint.left], joint.left)
        switched = not bent.isdisjoint((joint.left, *joint.rights))
        most = fastest * nodes[joint.left].pace
        edges.append(_declare_edge(net, joint, nodes, left, most, condition, switched))
    drags = tuple(
        tuple(
            meter
            for drag, label in body.drags
            for meter in declare_drag(net, node, drag, label, fastest * node.pace, sticks=condition.sticks)
        )
        for node, body in zip(nodes, bodies, strict=True)
    )
    reach = [fastest * abs(node.pace) for node in nodes]
    for part in parts:
        if part.drives:
            body = places[part.name].body
            reach[body] = min(reach[body], cast(Machine, part).max_speed)
    return Line(nodes, tuple(edges), tree, places, drags, shafts, tuple(reach), angles, frame)


def _root(tree: Tree, body: int) -> int:
    """Return the nearest body to the left from which on speeds are tied by springs alone."""
    for number in tree.way(body):
        joint = tree.joints[number]
        if joint.spring.outputs > 1 or joint.spring.creep:
            return body
        body = joint.left
    return body


def _declare_angles(
    net: Network,
    parts: Sequence[Part],
    nodes: Sequence[Node],
    shafts: Sequence[int],
    angled: Collection[str],
) -> dict[int, Ref]:
    """Add the angle of every shaft with a part that depends on it; `shafts` holds that of each part."""
    found: dict[int, Ref] = {}
    for first in dict.fromkeys(shafts):
        on_shaft = [part for part, shaft in zip(parts, shafts, strict=True) if shaft == first]
        if needs_angle(on_shaft) or any(part.name in angled for part in on_shaft):
            found[first] = net.state(f"{nodes[first].name}.angle" if first else "angle", "rad")
            net.derivative(found[first], nodes[first].speed, 1.0)
    return found


def _angle_of(
    angles: dict[int, Ref], edges: Sequence[Edge], tree: Tree, first: int, body: int
) -> tuple[Ref, ...]:
    if first not in angles:
        return ()
    way = tree.way(body)[: tree.apart(first, body)]
    return (angles[first], *(edges[number].twist for number in reversed(way)))


def _unique(names: list[str]) -> list[str]:
    return [name if names.count(name) == 1 else f"{name}.{i + 1}" for i, name in enumerate(names)]


def _declare_edge(
    net: Network,
    joint: Joint,
    nodes: Sequence[Node],
    angle: tuple[Ref, ...],
    max_speed: float,
    condition: Condition,
    switched: bool,
) -> Edge:
    """Add a spring between nodes; `angle` is that of the one on its left.

    `switched` says whether it, or one beside it, is not linear.
    """
    part, spring, a, ends = joint.part, joint.spring, nodes[joint.left], [nodes[i] for i in joint.rights]
    strain = {a.speed: 1.0} | {b.speed: -joint.share for b in ends}
    twist = net.state(f"{part}.twist", "rad")
    k, d = spring.stiffness, spring.damping
    _strain(net, twist, strain, 1.0)
    form, stretch, forces = {twist: k}, {twist: k}, []
    losses, stored = [], [(0.5 * k, twist, twist)]
    if d:
        form |= {speed: d * weight for speed, weight in strain.items()}
        slip = net.signal(f"{part}.slip", strain)
        losses.append((d, slip, slip))
    for i, branch in enumerate(spring.branches):
        force = net.state(f"{part}.branch{i + 1}", "N m")
        _strain(net, force, strain, branch.stiffness)
        net.derivative(force, force, -1.0 / branch.time_constant)
        form[force] = 1.0
        forces.append(force)
        losses.append((1.0 / (branch.stiffness * branch.time_constant), force, force))
        stored.append((0.5 / branch.stiffness, force, force))
    extra, laid = [], None
    if spring.error:
        error, reaction = declare_transmission_error(
            net, part, spring, (a, angle), (twist, forces), max_speed
        )
        form[error] = stretch[error] = k
        whole = net.signal(f"{part}.stretch", {twist: 1.0, error: 1.0})
        stored[0] = (0.5 * k, whole, whole)
        extra.append((1.0, reaction, a.speed))
    pulls: list[tuple[float, Ref]] = []
    heats = [("damping", "damping loss", losses)]
    if spring.law:
        laid = spring.law.declare(SpringSite(net, part, spring, a, ends[0], twist, tuple(forces)))
        pulls = [(1.0, net.signal(f"{part}.twisted", dict(form))), *laid.pulls]
        heats, stored[0] = laid.losses, laid.stored
        form[laid.taken] = stretch[laid.taken] = -k
    if spring.creep:
        carried = {twist: k} | dict.fromkeys(forces, 1.0)
        creep, heat = declare_creep(net, part, spring, a, carried, max_speed)
        _strain(net, twist, {creep: -1.0}, 1.0)
        for force, branch in zip(forces, spring.branches, strict=True):
            _strain(net, force, {creep: -1.0}, branch.stiffness)
        heats.append(heat)
    if part in condition.broken:
        reactions = {reaction for _, reaction, _ in extra}
        net.linear = [entry for entry in net.linear if entry[1] not in reactions]
        form, stretch = dict.fromkeys(form, 0.0), dict.fromkeys(stretch, 0.0)
        heats = [(name, meaning, [(0.0, a, b) for _, a, b in group]) for name, meaning, group in heats]
        stored = [(0.0, a, b) for _, a, b in stored]
        extra = [(0.0, a, b) for _, a, b in extra]
        pulls = [(0.0, pull) for _, pull in pulls]
    elastic = net.signal(f"{part}.elastic", stretch)
    torque = net.signal(f"{part}.torque", form)
    incoming, outgoing = _declare_ends(net, joint, nodes, pulls or [(1.0, torque)], extra)
    lost = [net.meter(f"{part}.{name}", meaning, powers) for name, meaning, powers in heats if powers]
    lost += [net.failure(part)] if part in condition.springs else []
    net.balance(part, [incoming], outgoing, lost, stored, switched=switched)
    places = joint.left, joint.rights, spring.ratio
    return Edge(part, *places, k, twist, laid, spring.law, elastic, torque, incoming, outgoing)


def _strain(net: Network, state: Ref, strain: dict[Ref, float], factor: float) -> None:
    for speed, weight in strain.items():
        net.derivative(state, speed, factor * weight)


def _declare_ends(
    net: Network,
    joint: Joint,
    nodes: Sequence[Node],
    pulls: Sequence[tuple[float, Ref]],
    extra: Sequence[tuple[float, Ref, Ref]],
) -> tuple[int, tuple[int, ...]]:
    """Let a spring pull at its ends; return the meters of what goes in and out, `extra` powers going in."""
    part, a = joint.part, nodes[joint.left]
    for weight, pull in pulls:
        net.torque(a, pull, -weight)
        for body in joint.rights:
            net.torque(nodes[body], pull, weight * joint.share)
    into = [(weight, pull, a.speed) for weight, pull in pulls]
    incoming, outgoing = net.meter(f"{part}.in", "energy into the left end", [*into, *extra]), []
    for i, body in enumerate(joint.rights, 1):
        out = [(weight * joint.share, pull, nodes[body].speed) for weight, pull in pulls]
        name = f"{part}.out{i}" if len(joint.rights) > 1 else f"{part}.out"
        outgoing.append(net.meter(name, "energy out of the right end", out))
    return incoming, tuple(outgoing)
