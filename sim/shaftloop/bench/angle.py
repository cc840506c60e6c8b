"""The one angle of the line, for parts that depend on it, and the bench without them."""

import math
from collections.abc import Sequence

from shaftloop.bench.parts.part import make_part
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.model import Task
from shaftloop.engine.rows import WrapNumbers, WrapWords
from shaftloop_models.network import Ref
from shaftloop_models.part import Machine, Part

__all__ = ["add_wrap", "needs_angle", "without_angle"]


def needs_angle(parts: Sequence[Part]) -> bool:
    """Return whether a part depends on the angle: ripple, cogging, or a misaligned coupling."""
    return any(part != plain for part, plain in zip(parts, without_angle(parts), strict=True))


def without_angle(parts: Sequence[Part]) -> tuple[Part, ...]:
    """Return the parts without what depends on the angle: ripple, cogging and misalignment."""
    return tuple(make_part(part).smooth() for part in parts)


def add_wrap(wiring: Wiring, angle: Ref, machine: Machine, turns: int) -> None:
    """Add the task that takes whole turns away from an angle, at the ticks of a machine.

    Its own instants would divide gaps for no other purpose.

    Parameters
    ----------
    wiring : Wiring
        Being extended.
    angle : Ref
        State: of a shaft. [rad]
    machine : Machine
        Of any shaft.
    turns : int
        That are taken away at once: all that depends on the angle repeats after them.
    """
    clock = machine.timing()
    task = Task(
        f"{wiring.layout.slots[angle.index].name}.wrap",
        at.WRAP,
        clock.period,
        clock.phase,
        Priority.WRAP,
        WrapWords(angle.index),
        WrapNumbers(2.0 * math.pi * turns),
    )
    wiring.add(task)
