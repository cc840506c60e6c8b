"""What the bench is: the line in order, every value with what states it, what is due when, its modes."""

from dataclasses import dataclass, field
from typing import Any

from shaftloop.analysis.modes import Mode, find_modes
from shaftloop.analysis.tangent import line_at
from shaftloop.answers.base import Answer
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.ratings import Rating
from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario, stated_values
from shaftloop.scenario.statements import Statement
from shaftloop.studies.figures import mode_figures
from shaftloop_models.bodies import lay_out
from shaftloop_models.parameters import Clock
from shaftloop_models.tree import Tree

__all__ = ["Due", "ShowAnswer", "ShownBody", "ShownSpring", "find_bench"]


@dataclass(frozen=True)
class ShownBody:
    """A rigid body of the line."""

    name: str
    inertia: float
    """[kg m^2]"""
    parts: tuple[str, ...]
    """Those that are bolted together to it."""
    loops: tuple[str, ...]
    """Loops that act on it."""
    pace: float = 1.0
    """Its speed over that of the leftmost body while no spring strains."""

    @property
    def seen(self) -> float:
        """Its inertia as the leftmost shaft has it [kg m^2]."""
        return self.inertia * self.pace**2


@dataclass(frozen=True)
class ShownSpring:
    """A spring of the line."""

    part: str
    stiffness: float
    """In slow motion. [N m/rad]"""
    fast: float
    """In fast motion, with what damps it in its loss band. [N m/rad]"""
    loops: tuple[str, ...]
    """Loops that read its torque."""
    ratio: float = 1.0
    """Speed of its left end over that of its right end while it does not strain."""
    play: float = 0.0
    """Angle that it turns freely. [rad]"""
    outputs: int = 1
    """Its right ends: two of a differential."""
    law: str = ""
    """What else makes it other than linear, in words."""


@dataclass(frozen=True)
class Due:
    """When something sampled is due, and how late its result is there."""

    name: str
    what: str
    """``machine``, ``loop``, ``hop``, ..."""
    rate: float
    """[Hz]"""
    phase: float
    """First instant. [s]"""
    latency: float | None
    """From an instant to the moment when its result is there; nothing where it has none. [s]"""
    latency_key: Statement | None
    """What states the latency."""
    free_running: bool


@dataclass(frozen=True)
class ShowAnswer(Answer):
    """A bench as it is understood."""

    bodies: tuple[ShownBody, ...]
    """Left to right."""
    springs: tuple[ShownSpring, ...]
    """From left to right, branch by branch."""
    tree: Tree
    """Which bodies each of them joins."""
    values: tuple[Statement, ...]
    tasks: tuple[Due, ...]
    modes: tuple[Mode, ...]
    """Of rising frequency."""
    ratings: tuple[Rating, ...] = ()
    """What the parts state of what they stand, left to right."""
    derived: dict[str, dict[str, tuple[float, str]]] = field(default_factory=dict)
    """What follows from the data of a machine, as value and unit by name."""
    tangent: str = ""
    """At which stiffness springs that are not linear count in the modes; empty where all are."""

    @property
    def notes(self) -> tuple[str, ...]:
        """At which stiffness the modes are."""
        return (self.tangent,) if self.tangent else ()

    @property
    def figures(self) -> dict[str, Figure]:
        """Frequency and damping of every mode, e.g. ``1.frequency``."""
        return mode_figures(self.modes)


def find_bench(scenario: Scenario) -> ShowAnswer:
    """Return a bench as it is understood."""
    bench = build_bench(scenario.description, smooth=True)
    values = stated_values(scenario)
    laid_out, tree, places = lay_out(scenario.description.line)
    acts: dict[int, list[str]] = {}
    reads: dict[str, list[str]] = {}
    for name, loop in bench.loops.items():
        if loop.parameters.acts_on in places:
            acts.setdefault(places[loop.parameters.acts_on].body, []).append(name)
        reads.setdefault(loop.source, []).append(name)
    bodies = tuple(
        ShownBody(node.name, node.inertia, tuple(body.parts), tuple(acts.get(i, ())), node.pace)
        for i, (node, body) in enumerate(zip(bench.line.nodes, laid_out, strict=True))
    )
    springs = tuple(
        ShownSpring(
            joint.part,
            joint.spring.stiffness,
            joint.spring.stiffness + sum(branch.stiffness for branch in joint.spring.branches),
            tuple(reads.get(joint.part, ())),
            joint.spring.ratio,
            joint.spring.law.free() if joint.spring.law else 0.0,
            joint.spring.outputs,
            joint.spring.law.words(joint.spring.stiffness) if joint.spring.law else "",
        )
        for joint in tree.joints
    )
    line, _, tangent = line_at(scenario.description)
    modes = tuple(find_modes(line))
    derived = {name: found for name, machine in bench.machines.items() if (found := machine.derived())}
    tasks, ratings = _tasks(bench, values), tuple(bench.ratings())
    return ShowAnswer(scenario, bodies, springs, tree, values, tasks, modes, ratings, derived, tangent)


def _tasks(bench: Bench, values: tuple[Statement, ...]) -> tuple[Due, ...]:
    """Return what is sampled, part by part, then buses and loops, then the recorder."""
    description = bench.description
    stated = {value.path: value for value in values}
    entries: list[tuple[str, str, Any]] = [
        (f"{key}.{entry.name}", entry.part if key == "line" else key, entry)
        for key in ("line", "hop", "loop", "power_meter")
        for entry in getattr(description, key)
    ]
    found = []
    for path, what, entry in [*entries, ("supply", "voltmeter", description.supply)]:
        clock: Clock | None = entry.timing()
        if clock is not None:
            place = ".".join((path, *clock.table, clock.keys[2]))
            late = float(clock.latency) if clock.keys[2] else None
            found.append(
                Due(
                    path.rpartition(".")[2],
                    what.replace("_", " "),
                    float(1 / clock.period),
                    float(clock.phase),
                    late,
                    stated.get(place),
                    clock.free_running,
                )
            )
    recorder = Due("record", "recorder", float(1 / bench.record_period), 0.0, None, None, False)
    return (*found, recorder)
