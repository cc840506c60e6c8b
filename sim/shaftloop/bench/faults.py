"""The faults of a scenario in the engine's terms.

A part that breaks or blocks gives the line other equations with the same states. What is sampled fails in the
rows of its tasks: a task does not run, a number of it changes, or it no longer reaches the slot it writes to.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from shaftloop.bench.condition import Condition
from shaftloop.bench.handles import Bench
from shaftloop.bench.watching import conditions
from shaftloop.engine import at, rows
from shaftloop.engine import model as engine
from shaftloop.engine.compiled.frames import LAST_STAMP
from shaftloop.engine.model import Fault, Task
from shaftloop.engine.plant import Plant
from shaftloop.scenario import description as stated
from shaftloop.scenario.faults import OFF_TIME
from shaftloop_models.bodies import lay_out
from shaftloop_models.part import Part

__all__ = ["REMOVES", "changing", "engine_faults", "may_fail", "switched"]

Equations = Callable[[Sequence[Fault]], tuple[Plant, tuple[int, ...]]]
"""Takes all that has failed, returns the equations from then on and the states that are 0."""

REMOVES = ("torque_off", "ramp_down")
"""Actions of interlocks that take the torque away; the others switch something."""

_PULSES = "pulses_off"
"""Fault and action that block the pulses of an inverter."""

_EMITS = {
    at.DELIVER: rows.DELIVER.receiver,
    at.SAMPLE: rows.SAMPLE.emit,
    at.AVERAGE: rows.AVERAGE.emit,
    at.ENCODER: rows.EDGES.emit,
    at.EDGES: rows.EDGES.emit,
    at.HOP: rows.HOP.emit,
    at.SEND: rows.SEND.receiver,
    at.RECEIVE: rows.SEND.receiver,
    at.LOOP: rows.LOOP.emit,
    at.LIMITER: rows.LIMITER.emit,
}
"""Column of the slot that a task writes to, of the tasks that readings and commands come from."""
_SWITCHED = {
    "grid_lost": ("supply.line", rows.FOLLOW.result),
    "open": ("{on}.chopper", rows.COMPARE.result),
}
"""Task that no longer runs, and the column of its slot that is 0 from then on."""


def may_fail(line: Sequence[Part], faults: tuple[stated.Fault, ...]) -> Condition:
    """Return the condition of a healthy line that knows which of its parts may fail or stick."""
    bodies = lay_out(line).bodies
    return Condition(
        springs=frozenset(fault.on for fault in faults if fault.kind == "broken"),
        bodies=frozenset(fault.on for fault in faults if fault.kind == "blocked"),
        sticks=any(drag.breakaway is not None for body in bodies for drag, _ in body.drags),
    )


def changing(bench: Bench, healthy: Condition, plant: Callable[[Condition], Plant]) -> Equations:
    """Return what makes the equations of a bench of all that has failed; `plant` does so of a condition."""

    def equations(failed: Sequence[Fault]) -> tuple[Plant, tuple[int, ...]]:
        changes = [change for fault in failed for change in fault.changes]
        broken, blocked, off, shorted = (
            frozenset(name for what, name in changes if what == kind)
            for kind in ("broken", "blocked", _PULSES, "shorted")
        )
        now = replace(healthy, broken=broken, blocked=blocked, off=off - shorted)
        return plant(now), tuple(node.speed.index for node in bench.line.bodies(blocked))

    return equations


def engine_faults(bench: Bench, equations: Equations, unwritten: int) -> tuple[Fault, ...]:
    """Return the faults of a scenario in the order of their times; nothing reads the slot `unwritten`."""
    found, guard = [], [name for name, _ in conditions(bench.description)]
    for entry in sorted(bench.description.fault, key=lambda entry: entry.at):
        fault = Fault(entry.name, entry.at, entry.until)
        if entry.when is not None:
            when = engine.Condition(
                guard.index(entry.name),
                entry.when.below is not None,
                entry.when.debounce,
                entry.when.outside is not None,
            )
            fault = replace(fault, when=when)
        if entry.kind in ("broken", "blocked"):
            fault = replace(fault, plant=equations, changes=((entry.kind, entry.on),))
        elif entry.kind == "does_not_act":
            fault = replace(fault, asleep=entry.on)
        else:
            fault = _sampled(bench, fault, entry, equations, unwritten)
        found.append(fault)
    return tuple(found)


def _sampled(bench: Bench, fault: Fault, entry: stated.Fault, equations: Equations, unwritten: int) -> Fault:
    """Return a fault of something sampled."""
    tasks = bench.model.tasks
    if entry.kind in ("lost", "stalled"):
        own = (number for number, task in enumerate(tasks) if task.name == entry.on)
        idle = ((number, rows.KIND, at.IDLE) for number in own)
        return replace(fault, words=(*idle, *_no_new_stamp(bench, entry.on)))
    if entry.kind in OFF_TIME:
        number, send = bench.frames[entry.on].task, rows.SEND_NUMBERS
        late, jitters = float(entry.lateness), float(entry.kind == "jittering")
        return replace(fault, numbers=((number, send.late, late), (number, send.jitters, jitters)))
    if entry.kind in _SWITCHED:
        name, column = _SWITCHED[entry.kind]
        number = next(i for i, task in enumerate(tasks) if task.name == name.format(on=entry.on))
        slot = (tasks[number].kind, *tasks[number].a)[column]
        return replace(fault, words=((number, rows.KIND, at.IDLE),), shows=((slot, 0.0),))
    part = bench.parts[entry.on]
    if entry.kind == "shifted":
        number, column = part.zero
        return replace(fault, numbers=((number, column, tasks[number].f[column] + entry.by),))
    if entry.kind == "drifting":
        number, drift = part.zero[0], rows.SAMPLE_NUMBERS
        return replace(fault, numbers=((number, drift.drift, entry.rate),), since=((number, drift.since),))
    if entry.kind in (_PULSES, "shorted"):
        return _taken_over(bench, replace(fault, changes=((entry.kind, entry.on),)), equations, unwritten)
    slots = {"torque_off": "torque_slot", "command_stuck": "command_slot"}
    slot = getattr(part, slots.get(entry.kind, "reading_slot"))
    shows = {"torque_off": 0.0, "zero": 0.0, "full_scale": part.parameters.range}.get(entry.kind)
    counting = [(part.position_task, rows.KIND, at.IDLE)] if part.position_task >= 0 else []
    words = (*_cut(tasks, slot, unwritten), *counting)
    return replace(fault, words=words, shows=() if shows is None else ((slot, shows),))


def _no_new_stamp(bench: Bench, loop: str) -> Iterator[tuple[int, int, int]]:
    """Yield what lets the frames of a loop that is stalled grow old: they go with its last stamp."""
    for hop in bench.description.hop:
        if hop.carries == loop and hop.name in bench.frames:
            frames = bench.frames[hop.name]
            yield frames.task, rows.SEND.stamp, frames.queue + LAST_STAMP


def _taken_over(bench: Bench, fault: Fault, equations: Equations, unwritten: int) -> Fault:
    """Return a fault whose changes are that machines are shorted, or that pulses of inverters are blocked."""
    asked = bench.description
    kinds = {entry.kind for entry in asked.fault} | {limit.action for limit in asked.limit}
    for _, name in fault.changes:
        machine = bench.machines[name]
        idle = (machine.control_task, rows.KIND, at.IDLE)
        cut = _cut(bench.model.tasks, machine.terminals[0], unwritten)
        shows = ((slot, 0.0) for slot in machine.terminals)
        fault = replace(fault, words=(*fault.words, idle, *cut), shows=(*fault.shows, *shows))
    return replace(fault, plant=equations) if _PULSES in kinds else fault


def switched(bench: Bench, limit: stated.Limit, equations: Equations, unwritten: int) -> Fault:
    """Return what an interlock of a bench with all its tasks switches, beside taking the torque away."""
    tasks, action = bench.model.tasks, Fault(_DONE[limit.action], Fraction(0))
    if limit.action in (_PULSES, "short"):
        wound = [name for name, machine in bench.machines.items() if machine.terminals]
        changes = tuple((action.name, name) for name in wound if limit.on in (None, name))
        return _taken_over(bench, replace(action, changes=changes), equations, unwritten)
    if limit.action == "contactor_open":
        number = next(i for i, task in enumerate(tasks) if task.name == "supply.line")
        slot = (tasks[number].kind, *tasks[number].a)[rows.FOLLOW.result]
        return replace(action, words=((number, rows.KIND, at.IDLE),), shows=((slot, 0.0),))
    resistors = bench.description.brake_resistor
    names = [f"{entry.name}.chopper" for entry in resistors if limit.on in (None, entry.name)]
    choppers = [number for number, task in enumerate(tasks) if task.name in names]
    levels = ((rows.COMPARE_NUMBERS.low, -2.0), (rows.COMPARE_NUMBERS.high, -1.0))
    return replace(action, numbers=tuple((number, *level) for number in choppers for level in levels))


_DONE = {action: action for action in (_PULSES, "resistor_on", "contactor_open")} | {"short": "shorted"}
"""Event of what an interlock switches."""


def _cut(tasks: Sequence[Task], slot: int, unwritten: int) -> Iterator[tuple[int, int, int]]:
    """Yield what keeps tasks from writing to a slot."""
    for number, task in enumerate(tasks):
        column = _EMITS.get(task.kind, rows.KIND)
        if (task.kind, *task.a)[column] == slot and column != rows.KIND:
            yield number, column, unwritten
