"""Slots, delay lines and priorities: how a value gets from one task to another."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from math import floor
from typing import TYPE_CHECKING

from shaftloop.engine import at
from shaftloop.engine.layout import Layout, SlotKind
from shaftloop.engine.model import Task
from shaftloop.engine.plant import Plant
from shaftloop.engine.rows import DeliverWords, OwnWords
from shaftloop.kernels.own import Equation, address_of
from shaftloop.scenario.description import Description
from shaftloop_models.dc_link import LinkPorts
from shaftloop_models.network import Ref
from shaftloop_models.parameters import Clock

if TYPE_CHECKING:
    from shaftloop.bench.parts.ratings import Watch

__all__ = ["Priority", "Wiring", "delay_line"]


class Priority:
    """The order of tasks at one instant."""

    RECORD = 0
    DELIVER = 1
    SAMPLE = 2
    READING_HOP = 3
    STRUCTURE = 999
    LOOP = 1000
    COMMAND_HOP = 2000
    MACHINE = 3000
    WRAP = 4000


@dataclass
class Wiring:
    """The layout and the tasks of a bench while it is being assembled."""

    description: Description
    plant: Plant
    smooth: bool
    """Whether quantisers, noise, clamps and edge counting are switched off."""
    layout: Layout = field(default_factory=Layout)
    tasks: list[Task] = field(default_factory=list)
    latencies: list[Fraction] = field(default_factory=list)
    arrivals: dict[int, tuple[Fraction, Fraction]] = field(default_factory=dict)
    """As `Model.arrivals`."""
    watches: list["Watch"] = field(default_factory=list)
    """Limits that tasks keep to."""
    link: LinkPorts | None = None
    """The DC link, where its voltage is a state."""

    def held_slot(self, ref: Ref) -> int:
        """Return the slot of a held input of the plant."""
        return len(self.plant.network.states) + ref.index

    def add(
        self,
        name: str,
        kind: int,
        clock: Clock,
        priority: int,
        a: tuple[int, ...] = (),
        f: tuple[float, ...] = (),
    ) -> int:
        """Add a task and return its number."""
        self.tasks.append(Task(name, kind, clock.period, clock.phase, priority, a, f))
        return len(self.tasks) - 1

    def own_task(
        self,
        name: str,
        priority: int,
        clock: Clock,
        equation: Equation,
        slots: tuple[int, Sequence[int], Sequence[int]],
        numbers: Sequence[float],
        watched: tuple[int, int] = (-1, 0),
    ) -> int:
        """Add a task whose equation a part brings along and return its number.

        The equation takes (command and what is read, numbers, what is written, which holds the values of
        before). `slots`: torque command of a machine, which a trip scales, -1 for none; slots that are read;
        slots that are written: results and what is remembered. `watched`: first slot of limits that the task
        keeps to (`bench.parts.ratings.watch`) and their number; behind what goes to slots the equation
        writes, for each, its size (of currents and voltages the square) and 1 where that is at the limit.
        """
        command, reads, writes = slots
        a = (*OwnWords(address_of(equation), command, len(reads), len(writes), *watched), *reads, *writes)
        if len(a) >= at.TASK_WIDTH or len(numbers) > at.TASK_WIDTH:
            raise ValueError(
                f"task {name} has {len(reads) + len(writes)} slots and {len(numbers)} numbers; allowed: "
                f"{at.TASK_WIDTH - 1 - len(OwnWords._fields)} slots and {at.TASK_WIDTH} numbers"
            )
        return self.add(name, at.OWN, clock, priority, a, tuple(numbers))

    def line(self, name: str, unit: str, clock: Clock, receiver: int, wide: int = 1) -> int:
        """Return the slot that a task emits to so that the value reaches the receiver after its latency.

        Without latency that is the receiver, the first of `wide` neighbours. Otherwise a delay line lies
        between, with a task that delivers its oldest value; at one instant deliveries come first, so a
        latency of a whole number of periods is delivered at the sender's own ticks.
        """
        depth, shifted = delay_line(clock.latency, clock.period, clock.phase)
        self.arrivals[receiver] = clock.period, shifted
        if clock.latency == 0:
            return receiver
        first = self.layout.add(f"{name}.line", SlotKind.DELAY, unit, depth * wide)
        self.latencies.append(clock.latency)
        words, clock = DeliverWords(first, depth, wide, receiver), replace(clock, phase=shifted)
        self.add(f"{name}.deliver", at.DELIVER, clock, Priority.DELIVER, words)
        return first + (depth - 1) * wide


@lru_cache(maxsize=256)
def delay_line(latency: Fraction, period: Fraction, phase: Fraction) -> tuple[int, Fraction]:
    """Return the depth of a delay line and the phase of its deliveries [s]."""
    whole = floor(latency / period)
    rest = latency - whole * period
    return whole + (1 if rest else 0), (phase + rest) % period
