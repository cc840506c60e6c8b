"""The one angle of the line, for parts that depend on it, and the bench without them."""

import math
from collections.abc import Sequence
from dataclasses import replace

from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.model import Task
from shaftloop.scenario.description import Machine, Part
from shaftloop_models.coupling import Coupling
from shaftloop_models.network import Ref
from shaftloop_models.pm_machine import PmMachine

__all__ = ["add_wrap", "needs_angle", "without_angle"]


def needs_angle(parts: Sequence[Part]) -> bool:
    """Return whether a part depends on the angle: ripple, cogging, or a misaligned coupling.

    Parameters
    ----------
    parts : sequence of Part
        The line.
    """
    return any(part != plain for part, plain in zip(parts, without_angle(parts), strict=True))


def without_angle(parts: Sequence[Part]) -> tuple[Part, ...]:
    """Return the parts with ripple, cogging and misalignment taken away.

    Parameters
    ----------
    parts : sequence of Part
        The line.
    """
    return tuple(_even(part) for part in parts)


def _even(part: Part) -> Part:
    if isinstance(part, Machine):
        return replace(part, ripple=(), cogging=())
    if isinstance(part, Coupling):
        return replace(part, parallel_offset=0.0, angular_offset=0.0)
    return part


def add_wrap(wiring: Wiring, angle: Ref, machine: Machine) -> None:
    """Add the task that takes whole turns away from the angle, at the ticks of a machine.

    Its own instants would divide gaps for no other purpose.

    Parameters
    ----------
    wiring : Wiring
        Tasks of the bench.
    angle : Ref
        The line's angle.
    machine : Machine
        Any machine of the line.
    """
    rate, phase = (
        (machine.current_control.rate, machine.current_control.phase)
        if isinstance(machine, PmMachine)
        else (machine.rate, machine.phase)
    )
    wiring.add(Task("angle.wrap", at.WRAP, 1 / rate, phase, Priority.WRAP, (angle.index,), (2.0 * math.pi,)))
