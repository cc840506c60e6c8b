"""What is built around the controller of a loop, as tasks that run ahead of it."""

from dataclasses import dataclass
from typing import Any

from shaftloop.bench.handles import Bench
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.control.filters import Section, biquad
from shaftloop.control.parameters import ActiveDamping, Loop, PathModel
from shaftloop.control.structures import (
    damping_section,
    observer_sections,
    predictor_sections,
    whole_samples,
)
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.rows import PathWords

__all__ = ["Structure", "add_structure", "reading_of"]


@dataclass(frozen=True)
class Structure:
    """Slots that the task of a loop shares with the tasks ahead of it; -1 where there is none."""

    reading: int
    """What the controller reads: the reading itself, or that of the predictor."""
    damping: int
    """Torque of the active damping, in the sense of the loop. [N m]"""
    disturbance: int
    """Estimated disturbance of the command, in the sense of the loop. [N m]"""
    sent: int
    """Command as it left the controller, in the sense of the loop. [N m]"""


def add_structure(wiring: Wiring, bench: Bench, slots: dict[str, int], loop: Loop, sign: float) -> Structure:
    """Add active damping, observer and predictor of a loop.

    `slots` has the reading of every sensor, encoder, machine and hop; `sign` is +1 where a positive output
    acts as positive air-gap torque, -1 where as negative.
    """
    reading, damping, disturbance, sent = reading_of(bench, slots, loop), -1, -1, -1
    if loop.damping:
        damping = _add_damper(wiring, slots, loop)
    if loop.active_damping is not None:
        damping = _add_damping(wiring, bench, slots, loop, loop.active_damping, sign)
    if loop.disturbance_observer is not None or loop.predictor is not None:
        sent = wiring.layout.add(f"{loop.name}.sent", SlotKind.HELD, "N m")
    if loop.disturbance_observer is not None:
        sections = observer_sections(loop.disturbance_observer, 1 / loop.rate)
        disturbance = wiring.layout.add(f"{loop.name}.disturbance", SlotKind.HELD, "N m")
        ends = (reading, sent, disturbance, -1)
        _add_model(wiring, bench, loop, "observer", loop.disturbance_observer, sections, ends)
    if loop.predictor is not None:
        sections = predictor_sections(loop.predictor, 1 / loop.rate)
        predicted = wiring.layout.add(f"{loop.name}.predicted", SlotKind.HELD, "")
        ends = (sent, sent, predicted, reading)
        _add_model(wiring, bench, loop, "predictor", loop.predictor, sections, ends)
        reading = predicted
    return Structure(reading, damping, disturbance, sent)


def reading_of(bench: Bench, slots: dict[str, int], loop: Loop) -> int:
    """Return the slot of what a loop reads."""
    return int(bench.parts[loop.reads].position_slot) if loop.controls else slots[loop.reads]


def _against(x: Any, p: Any, y: Any) -> None:
    """x: speed; p: damping; y: torque."""
    y[0] = -p[0] * x[1]


def _damp(x: Any, p: Any, y: Any) -> None:
    """x: speeds of both ends; p: sign, section; y: torque, memory of the section."""
    damped, y[1], y[2] = biquad(x[1] - x[2], y[1], y[2], p[1], p[2], p[3], p[4], p[5])
    y[0] = p[0] * damped


def _add_damper(wiring: Wiring, slots: dict[str, int], loop: Loop) -> int:
    """Add the task of a virtual damper and return the slot of its torque."""
    torque = wiring.layout.add(f"{loop.name}.damping", SlotKind.HELD, "N m")
    ends = (-1, (slots[loop.reads],), (torque,))
    wiring.own_task(f"{loop.name}.damper", Priority.STRUCTURE, loop.timing(), _against, ends, (loop.damping,))
    return torque


def _add_damping(
    wiring: Wiring, bench: Bench, slots: dict[str, int], loop: Loop, damping: ActiveDamping, sign: float
) -> int:
    """Add the task of an active damping and return the slot of its torque."""
    body = bench.line.places[bench.description.origin(damping.right)].body
    side = 1.0 if body in bench.line.tree.line_of(bench.machines[loop.acts_on].body) else -1.0
    torque = wiring.layout.add(f"{loop.name}.damping", SlotKind.HELD, "N m")
    memory = wiring.layout.add(f"{loop.name}.damping_filter", SlotKind.HELD, "N m", 2)
    ends = (-1, (slots[damping.left], slots[damping.right]), (torque, memory, memory + 1))
    numbers = (sign * side, *damping_section(damping, float(loop.rate)))
    wiring.own_task(f"{loop.name}.damping", Priority.STRUCTURE, loop.timing(), _damp, ends, numbers)
    return torque


def _add_model(
    wiring: Wiring,
    bench: Bench,
    loop: Loop,
    what: str,
    model: PathModel,
    sections: tuple[Section, Section],
    ends: tuple[int, int, int, int],
) -> None:
    """Add the task of an observer or a predictor."""
    entry, sent, result, added = ends
    depth = whole_samples(model, 1 / loop.rate)
    line = wiring.layout.add(f"{loop.name}.{what}_line", SlotKind.DELAY, "N m", depth)
    memory = wiring.layout.add(f"{loop.name}.{what}_filter", SlotKind.HELD, "", 4)
    filters = bench.model.filters
    a = PathWords(entry, sent, line, depth, len(filters), memory, result, added)
    filters.extend(sections)
    wiring.add(f"{loop.name}.{what}", at.PATH_MODEL, loop.timing(), Priority.STRUCTURE, a)
