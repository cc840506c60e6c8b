"""The one angle of the line, for parts that depend on it, and the bench without them."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from shaftloop.bench.parts.part import make_part
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.rows import WrapNumbers, WrapWords
from shaftloop.scenario.description import Description
from shaftloop_models.network import Ref
from shaftloop_models.part import Machine, Part

if TYPE_CHECKING:
    from shaftloop.bench.line import Line

__all__ = ["add_wrap", "asked", "counted", "needs_angle", "shared_turns", "without_angle"]

_ENDING = "_angle"
"""Of a channel, behind the name of a part."""


def needs_angle(parts: Sequence[Part]) -> bool:
    """Return whether a part depends on the angle: ripple, cogging, or a misaligned coupling."""
    return any(part != plain for part, plain in zip(parts, without_angle(parts), strict=True))


def without_angle(parts: Sequence[Part]) -> tuple[Part, ...]:
    """Return the parts without what depends on the angle: ripple, cogging and misalignment."""
    return tuple(make_part(part).smooth() for part in parts)


def asked(description: Description) -> tuple[str, ...]:
    """Return the parts whose angle the scenario wants recorded, as channels ``PART_angle``."""
    names = {f"{part.name}{_ENDING}": part.name for part in description.line}
    return tuple(names[channel] for channel in description.record.channels if channel in names)


def counted(description: Description) -> tuple[str, ...]:
    """Return the encoders whose angle a loop controls."""
    return tuple(dict.fromkeys(loop.reads for loop in description.loop if loop.controls))


def shared_turns(description: Description, line: "Line", name: str) -> int:
    """Return after how many turns all that depends on the angle of a part's shaft repeats, 0 if none does."""
    shafts = {part.name: line.shafts[line.places[part.name].body] for part in description.line}
    on_shaft = [part for part in description.line if shafts[part.name] == shafts[name]]
    if not needs_angle(on_shaft) and not {part.name for part in on_shaft}.intersection(asked(description)):
        return 0
    return math.lcm(*(part.repeats() for part in on_shaft))


def add_wrap(wiring: Wiring, angle: Ref, machine: Machine, turns: int) -> None:
    """Add the task that takes whole turns from the angle of a shaft [rad], at the ticks of any machine.

    Its own instants would divide gaps for no other purpose.
    """
    name = f"{wiring.layout.slots[angle.index].name}.wrap"
    words, numbers = WrapWords(angle.index), WrapNumbers(2.0 * math.pi * turns)
    wiring.add(name, at.WRAP, machine.timing(), Priority.WRAP, words, numbers)
