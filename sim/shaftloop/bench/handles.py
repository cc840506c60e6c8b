"""What analyses, reports and the supervision know of an assembled bench."""

from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import Any, cast

from shaftloop.bench.line import Line
from shaftloop.bench.parts.link import BenchLink
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BenchPart
from shaftloop.bench.parts.power_meter import BenchPowerMeter
from shaftloop.bench.parts.ratings import Rating, Watch, bending_ratings, ratings, temperature_ratings
from shaftloop.bench.parts.torque_sensor import BenchTorqueSensor
from shaftloop.control.parameters import Loop
from shaftloop.engine.heat import Thermal
from shaftloop.engine.model import Fault, Model
from shaftloop.scenario.description import Description
from shaftloop_models.part import Machine
from shaftloop_models.supply import SUPPLY

__all__ = ["Bench", "Frames", "LoopHandle"]


@dataclass(frozen=True)
class LoopHandle:
    """A loop of the bench."""

    parameters: Loop
    profile: int
    """Number of its set-point profile."""
    quantity: str
    """``torque``, ``speed``, ``position`` or ``voltage``."""
    source: str
    """Sensor, encoder, machine or supply at the far end of what it reads."""
    sign: float
    """+1 where a positive output acts as positive air-gap torque or as power, -1 where as negative torque."""
    task: int
    reading_slot: int
    setpoint_slot: int
    error_slot: int
    integral_slot: int
    emit_slot: int
    """Where the command in the actuator's sign goes."""
    break_slot: int
    """Where a loop can be opened: what the controller asks for; the value injected behind it is next."""
    sent_slot: int = -1
    """Command as it left controller and limiter, in the sense of the loop; -1 where nothing needs it."""


@dataclass(frozen=True)
class Frames:
    """The frames of a bus hop, where it is asked when they arrive."""

    task: int
    """That sends them."""
    queue: int
    """First slot of their queue (`engine.compiled.frames`)."""
    reader: int
    """Task ahead of the fastest reader."""
    age: int
    """Slot of the age that it sees. [s]"""

    @property
    def oldest(self) -> int:
        """Slot of the largest age so far [s]."""
        return self.age + 1


@dataclass
class Bench:
    """An assembled bench."""

    description: Description
    model: Model
    line: Line
    record_period: Fraction
    """[s]"""
    parts: dict[str, BenchPart[Any]]
    """All parts of the line, left to right."""
    link: BenchLink = field(default_factory=BenchLink)
    """The DC link and what feeds it."""
    loops: dict[str, LoopHandle] = field(default_factory=dict)
    frames: dict[str, Frames] = field(default_factory=dict)
    """By the names of the hops."""
    inner: dict[str, int] = field(default_factory=dict)
    """Slot by speed loop whose set-point a position loop commands: that command. [rad/s]"""
    power_meters: dict[str, BenchPowerMeter] = field(default_factory=dict)
    switches: dict[str, Fault] = field(default_factory=dict, kw_only=True)
    """What interlocks switch, by their names, beside taking the torque away."""
    record_sparser: int = 1
    """How much longer the record period is than it would be in a short run."""
    watches: list[Watch] = field(default_factory=list)
    """Limits that sampled tasks keep to."""

    def ratings(self) -> list[Rating]:
        """Return what the parts state of what they stand, left to right, then how hot they may be."""
        places = self.line.places
        found = [
            rating
            for part in self.description.line
            for rating in ratings(part, places[part.name].spring is not None)
        ]
        found += bending_ratings(self.description.line)
        return found + self.link.ratings() + temperature_ratings(self.thermal.bodies)

    @cached_property
    def thermal(self) -> Thermal:
        """What of the parts is thermal, left to right."""
        return sum((part.thermal() for part in self.parts.values()), Thermal())

    def command_slot(self, name: str) -> int:
        """Return where the command of a loop on something goes: the slot of a machine, or of the supply."""
        return self.link.command_slot if name == SUPPLY else self.machines[name].command_slot

    def receiver(self, loop: Loop) -> int:
        """Return where the command of a loop goes: to a machine, the supply or a speed loop."""
        return self.inner[loop.through] if loop.through else self.command_slot(loop.acts_on)

    @cached_property
    def machines(self) -> dict[str, BenchMachine[Machine]]:
        """The machines, left to right."""
        return {name: cast(BenchMachine[Machine], p) for name, p in self.parts.items() if p.parameters.drives}

    @cached_property
    def sensors(self) -> dict[str, BenchTorqueSensor]:
        """The sensors of torque, left to right."""
        return {
            name: cast(BenchTorqueSensor, part)
            for name, part in self.parts.items()
            if part.parameters.signal == "torque"
        }

    @property
    def link_meters(self) -> list[int]:
        """Meters of what the machines take from the link."""
        return [machine.link_meter for machine in self.machines.values() if machine.fed]

    def fastest(self) -> float:
        """Return the speed of the leftmost body at which a machine is as fast as it may be [rad/s]."""
        return min(machine.parameters.max_speed / machine.node.pace for machine in self.machines.values())

    def torque_loop(self) -> LoopHandle | None:
        """Return the first torque loop, on which the torque metrics are taken."""
        return next((loop for loop in self.loops.values() if loop.quantity == "torque"), None)

    def speed_loop(self) -> LoopHandle | None:
        """Return the first speed loop that is no limiter."""
        found = (
            loop
            for loop in self.loops.values()
            if loop.quantity == "speed" and not loop.parameters.limiter_of
        )
        return next(found, None)

    def main_sensor(self) -> BenchTorqueSensor | None:
        """Return the torque sensor that the torque loop reads, else the first one."""
        loop = self.torque_loop()
        if loop is not None:
            return self.sensors[loop.source]
        return next(iter(self.sensors.values()), None)
