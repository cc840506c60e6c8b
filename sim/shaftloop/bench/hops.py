"""Bus hops as sampled tasks: plain ones, and those whose frames know when they arrive."""

import math
from collections.abc import Iterator, Mapping
from fractions import Fraction

from shaftloop.bench.handles import Bench, Frames
from shaftloop.bench.watching import conditions
from shaftloop.bench.wiring import Priority, Wiring, delay_line
from shaftloop.control.parameters import Hop
from shaftloop.engine import at
from shaftloop.engine.compiled.frames import FRAME, QUEUE
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.rows import HopWords, SendNumbers, SendWords
from shaftloop.scenario.description import Description, Fault
from shaftloop.scenario.faults import OFF_TIME
from shaftloop_models.parameters import Clock
from shaftloop_models.supply import SUPPLY

__all__ = ["add_hops", "lateness"]


def lateness(description: Description, prone: tuple[Fault, ...]) -> dict[str, Fraction]:
    """Return by how much the frames of every hop may be late [s]; nothing where nobody asks when they arrive.

    `prone` is what may fail, that of the description included.
    """
    late = [fault for fault in prone if fault.kind in OFF_TIME]
    watched = [condition for _, condition in conditions(description)]
    watched += [fault.when for fault in prone if fault.when is not None]
    aged = any(condition.quantity == "age" for condition in watched)
    recorded = any(f"{hop.name}.age" in description.record.channels for hop in description.hop)
    if not (late or aged or recorded):
        return {}
    return {
        hop.name: max((fault.lateness for fault in late if fault.on == hop.name), default=Fraction(0))
        for hop in description.hop
    }


def add_hops(
    wiring: Wiring, sources: Mapping[str, int], bench: Bench, late: Mapping[str, Fraction]
) -> dict[str, int]:
    """Add the bus hops and return the slot of every name that a loop may read or a machine may get.

    `sources` has the slot of the reading of every sensor, encoder and machine, `late` comes from `lateness`.
    """
    slots, description = dict(sources), bench.description
    carried = {hop.name: hop.carries for hop in description.hop}
    loops = {loop.name: loop for loop in description.loop}
    for loop in description.loop:
        slots[loop.name] = wiring.layout.add(f"{loop.name}.output", SlotKind.HELD, loop.unit)
    for through in (loop.through for loop in description.loop if loop.through):
        bench.inner[through] = wiring.layout.add(f"{through}.outer", SlotKind.HELD, "rad/s")
    for hop in description.hop:
        slots[hop.name] = wiring.layout.add(f"{hop.name}.value", SlotKind.HELD, "")
    held = {name: _held(wiring, name) for name in late}
    for hop in description.hop:
        origin, links = hop.carries, 0
        while origin in carried:
            origin, links = carried[origin], links + 1
        command = origin in loops
        if command and hop.name not in carried.values():
            slots[hop.name] = bench.receiver(loops[origin])
        priority = (Priority.COMMAND_HOP if command else Priority.READING_HOP) + links
        if hop.name in late:
            ends = slots[hop.carries], held.get(hop.carries, -1), slots[hop.name], held[hop.name]
            bench.frames[hop.name] = _add_frames(wiring, hop, priority, ends, late[hop.name])
            continue
        emit = wiring.line(hop.name, "", hop.timing(), slots[hop.name])
        wiring.add(hop.name, at.HOP, hop.timing(), priority, HopWords(slots[hop.carries], emit))
    return slots


def _held(wiring: Wiring, name: str) -> int:
    """Add stamp, age and largest age of what a hop has delivered and return the slot of the stamp."""
    stamp = wiring.layout.add(f"{name}.stamp", SlotKind.INTEGER, "tick")
    wiring.layout.add(f"{name}.age", SlotKind.HELD, "s")
    wiring.layout.add(f"{name}.oldest", SlotKind.ACCUMULATOR, "s")
    return stamp


def _add_frames(
    wiring: Wiring, hop: Hop, priority: int, ends: tuple[int, int, int, int], late: Fraction
) -> Frames:
    """Add a hop whose frames wait in a queue until they arrive, at most `late` after their time [s].

    Those on time are delivered at the instants of a plain hop, late ones at the first tick of a reader: no
    instant is added. `ends` are the slots of what it takes and of the stamp of that, -1 for none; of its
    receiver and of its own stamp.
    """
    source, stamp, receiver, held = ends
    transport, phase = hop.transport.seconds(hop.period), hop.phase
    if transport:
        wiring.latencies.append(transport)
        phase = delay_line(transport, hop.period, hop.phase)[1]
    # Beside those under way, a frame may wait for its delivery, and one goes in.
    depth = math.floor((transport + late) / hop.period) + 3
    queue = wiring.layout.add(f"{hop.name}.queue", SlotKind.DELAY, "", QUEUE + FRAME * depth)
    words, number = SendWords(queue, receiver, held), wiring.description.hop.index(hop)
    readers = list(_readers(wiring.description, hop))
    clocks = dict.fromkeys([(hop.period, phase), *((clock.period, clock.phase) for clock in readers)])
    a = words._replace(source=source, stamp=stamp)
    f = SendNumbers(float(transport), 0.0, 0.0, float(wiring.description.seed), float(number))
    sends = wiring.add(hop.name, at.SEND, hop.timing(), priority, a, f)
    # Behind a frame that is sent at the same instant, which may arrive at once.
    tasks = {
        clock: wiring.add(f"{hop.name}.receive", at.RECEIVE, Clock(*clock), priority, words)
        for clock in clocks
    }
    fastest = min(readers, key=lambda clock: clock.period, default=Clock(hop.period, phase))
    return Frames(sends, queue, tasks[fastest.period, fastest.phase], held + 1)


def _readers(description: Description, hop: Hop) -> Iterator[Clock]:
    """Yield when each reader of a hop looks at what it delivers."""
    for loop in description.loop:
        damping = loop.active_damping
        if hop.name in (loop.reads, *((damping.left, damping.right) if damping else ())):
            yield loop.timing()
    further = [other.timing() for other in description.hop if other.carries == hop.name]
    yield from further
    for loop in description.loop:
        if loop.name == description.origin(hop.name) and not further:
            part = description.part(loop.acts_on)
            clock = loop.timing() if loop.acts_on == SUPPLY or part is None else part.timing()
            assert clock is not None, "what a loop acts on takes its command at instants"
            yield clock
