"""What interlocks, faults with a condition and waits until settled watch, as guards of the engine."""

import math
from collections.abc import Iterator

from shaftloop.bench.handles import Bench
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Guard
from shaftloop.kernels.arrays import Floats
from shaftloop.scenario.description import Condition, Description, Settle
from shaftloop_models.network import Ref
from shaftloop_models.parameters import Clock

__all__ = ["add_guards", "conditions", "guard_count"]


def conditions(description: Description) -> list[tuple[str, Condition]]:
    """Return the conditions of interlocks, then of faults, with their names."""
    found: list[tuple[str, Condition]] = [(limit.name, limit) for limit in description.limit]
    return found + [(fault.name, fault.when) for fault in description.fault if fault.when is not None]


def guard_count(description: Description) -> int:
    """Return the number of guards of a bench."""
    return len(conditions(description)) + len(list(_settles(description)))


def add_guards(wiring: Wiring, bench: Bench) -> None:
    """Add a guard for every condition and every wait until settled, with tasks that make what they watch."""
    guards, description = bench.model.guards, wiring.description
    for name, condition in conditions(description):
        key, levels = condition.level
        centre = sum(levels) / 2.0 if key == "outside" else 0.0
        signed = condition.quantity == "temperature" and key != "outside"
        source = _source(wiring, bench, name, condition)
        guards.append(Guard(name, levels[-1] - centre, *source, centre, signed))
    for i, step in _settles(description):
        loop = bench.loops[step.loop]
        guards.append(Guard(f"settle.{i}", step.within, loop.task, loop.error_slot))


def _settles(description: Description) -> Iterator[tuple[int, Settle]]:
    steps = enumerate(description.sequence)
    yield from ((i, step) for i, step in steps if isinstance(step, Settle))


def _source(wiring: Wiring, bench: Bench, name: str, condition: Condition) -> tuple[int, int | Ref]:
    """Return the task behind which a guard looks, and at what."""
    quantity, watched = condition.quantity, condition.watches
    if quantity == "voltage":
        return at.ALWAYS, Ref("state", bench.link.voltage_slot)
    if watched in bench.frames:
        return bench.frames[watched].reader, bench.frames[watched].age
    known = {} if quantity == "age" else bench.parts[watched].guarded
    if quantity in known and condition.jump is None:
        return known[quantity]
    if wiring.smooth:  # which no interlock looks at
        return at.ELSEWHERE, bench.model.guard_slot
    if quantity == "temperature":
        heat = bench.model.heat
        assert heat is not None, "checked by the reader"
        return at.ELSEWHERE, heat.slots + 1 + [body.name for body in heat.bodies].index(f"{watched}.winding")
    slot = wiring.layout.add(f"{name}.watched", SlotKind.HELD, "", 2)
    clock, priority, ratio = bench.parts[watched].parameters.timing(), Priority.SAMPLE, 1.0
    if condition.jump is not None:
        equation, reads = _jump, [bench.parts[watched].reading_slot]
        shows = wiring.tasks[known["reading"][0]]
        clock = Clock(shows.period, shows.phase)
    elif quantity == "current":
        equation, reads, priority = _size, list(bench.machines[watched].currents), Priority.MACHINE
    else:
        edge = next(edge for edge in bench.line.edges if edge.part == watched)
        ends = [bench.line.nodes[body] for body in (edge.left, *edge.rights)]
        equation, reads = _difference, [node.speed.index for node in ends]
        ratio = edge.ratio / len(edge.rights)
        clock = min(
            (machine.timing() for machine in bench.description.machines()), key=lambda clock: clock.period
        )
    slots = (-1, reads, (slot, slot + 1))
    numbers = ratio, float(len(reads))
    return wiring.own_task(f"{name}.watch", priority, clock, equation, slots, numbers), slot


def _jump(x: Floats, p: Floats, y: Floats) -> None:
    y[0], y[1] = x[1] - y[1], x[1]


def _size(x: Floats, p: Floats, y: Floats) -> None:
    y[0] = math.hypot(x[1], x[2])


def _difference(x: Floats, p: Floats, y: Floats) -> None:
    y[0] = x[1]
    for i in range(2, int(p[1]) + 1):
        y[0] -= p[0] * x[i]
