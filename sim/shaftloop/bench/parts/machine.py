"""What every machine is on the bench: torque at the air gap, energy from the link, a command."""

import cmath
import math
from abc import abstractmethod
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar, NamedTuple, TypeVar

import numpy as np

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.part import FASTER, BenchPart, Ideal, Site
from shaftloop.bench.parts.ratings import UNDERVOLTAGE
from shaftloop.bench.wiring import Wiring
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel
from shaftloop.kernels.arrays import Floats, Phasors
from shaftloop_models.harmonics import Cogging, Ripple
from shaftloop_models.network import Network, Node, Ref
from shaftloop_models.part import Machine
from shaftloop_models.servo_machine import ServoMachine
from shaftloop_models.supply import DcLink

__all__ = ["BenchMachine", "TorqueCurve"]

M = TypeVar("M", bound=Machine)


class TorqueCurve(NamedTuple):
    """Torque over the size of the current, up to its limit, beside what the control believes it to be."""

    current: tuple[float, ...]
    """[A]"""
    made: tuple[float, ...]
    """[N m]"""
    believed: tuple[float, ...]
    """[N m]"""


class BenchMachine(BenchPart[M]):
    """A machine on a bench."""

    node: Node
    """Its body."""
    body: int
    """Number of its body in the line."""
    torque: tuple[tuple[float, Ref], ...]
    """Air-gap torque as a sum of weight·quantity. [N m]"""
    fed: ClassVar[bool] = True
    """Whether its energy comes from the link; else from fuel."""
    link_meter: int
    """Energy taken from the DC link, or from fuel."""
    terminals: tuple[int, ...] = ()
    """Held slots of the voltages at its terminals; empty where it is only a torque. [V]"""
    currents: tuple[int, ...] = ()
    """States that are its currents; empty where they are no states. [A]"""
    control_task: int = -1
    """Task that makes these voltages."""
    voltage_limits: tuple[tuple[int, int, float], ...] = ()
    """Task and column of its floats that hold a limit of a voltage, and that limit, which a smooth bench has
    switched off. [V]"""

    @abstractmethod
    def declare_drive(self, net: Network, site: Site) -> None:
        """Add its equations, and set `torque`, `link_meter` and its losses."""

    @abstractmethod
    def wire_control(self, wiring: Wiring) -> None:
        """Add the task that makes the active command into what the equations take."""

    def block(self, net: Network, supply: DcLink | None) -> None:
        """Add the diodes of its inverter, whose pulses are blocked: without magnets nothing comes of them."""

    link_slot: int = -1
    """State: voltage of the link; -1 where it is stiff."""

    def largest_power(self, volts: float) -> float:
        """Return the most power that it takes from a link of some volts [V] or gives back, 0 if unknown."""
        return 0.0

    def link_watch(self, wiring: Wiring) -> tuple[int, float, tuple[tuple[str, str, float], ...]]:
        """Return the slot of the link's voltage, the one below which it is off [V], and a watch for that."""
        link = wiring.link
        if link is None:
            return -1, -math.inf, ()
        lowest = link.supply.lowest()
        level = -math.inf if wiring.smooth else lowest
        return link.voltage.index, level, ((UNDERVOLTAGE, "V", lowest),)

    def smooth(self) -> M:
        """Return its parameters without ripple and cogging."""
        machine = self.parameters
        if not (machine.ripple or machine.cogging):
            return machine
        return replace(machine, ripple=(), cogging=())  # type: ignore[call-arg]

    @property
    def guarded(self) -> dict[str, tuple[int, int | Ref]]:
        """Its speed, which is also what is read of it."""
        return {"reading": (-1, self.node.speed), "speed": (-1, self.node.speed)}

    def imperfections(self) -> list[Ideal]:
        """Return ripple and cogging."""
        found = []
        if self.parameters.ripple:
            found.append(Ideal("torque ripple of the machines", lambda machine: replace(machine, ripple=())))
        if self.parameters.cogging:
            found.append(Ideal("cogging of the machines", lambda machine: replace(machine, cogging=())))
        return found

    def pulsation(self, torque: float, speed: Floats) -> dict[float, tuple[str, Phasors]]:
        """Return ripple and cogging, those of one order added."""
        machine, found = self.parameters, dict[float, tuple[str, Phasors]]()
        share = abs(torque) / (machine.rated_torque or math.inf)
        sizes = [entry.amplitude * (share if entry.scales == "torque" else 1.0) for entry in machine.ripple]
        sizes += [entry.amplitude for entry in machine.cogging]
        entries: list[Ripple | Cogging] = [*machine.ripple, *machine.cogging]
        for entry, size in zip(entries, sizes, strict=True):
            _, before = found.get(float(entry.order), ("", np.zeros(len(speed), dtype=np.complex128)))
            whole = before + size * cmath.exp(1j * entry.phase)
            found[float(entry.order)] = f"ripple of {self.name}", whole
        return found

    def excitations(self) -> list[tuple[float, str]]:
        """Return the orders of ripple and cogging."""
        machine = self.parameters
        stated = (("ripple of", machine.ripple), ("cogging of", machine.cogging))
        return [(float(entry.order), kind) for kind, entries in stated for entry in entries]

    def ideals(self) -> list[Ideal]:
        """Return the machine as a source of torque, without control, lag and delay."""
        return [Ideal("current loop and its sampling", _torque_source)]

    def declare(self, net: Network, site: Site) -> None:
        """Add its equations to a network."""
        self.node, self.body = site.node, site.body
        self.reading_slot = site.node.speed.index
        self.declare_drive(net, site)
        meters = [f"{self.name}.airgap", *([f"{self.name}.cogging"] if self.parameters.cogging else [])]
        self.gains = tuple(net.meter_number(meter) for meter in meters)

    def wire(self, wiring: Wiring) -> None:
        """Add its command and the task that takes it."""
        self.command_slot = wiring.layout.add(f"{self.name}.command_active", SlotKind.HELD, "N m")
        self.wire_control(wiring)

    @property
    def torque_slot(self) -> int:
        """Return the slot that takes the torque away where it is 0."""
        return self.command_slot

    def own_speed(self) -> float | None:
        """Return the speed that it keeps without a loop, nothing where it keeps none [rad/s]."""
        return None

    def derived(self) -> dict[str, tuple[float, str]]:
        """Return what follows from its data, value and unit by name; nothing of one that is a torque."""
        return {}

    def torque_curve(self) -> TorqueCurve | None:
        """Return its torque over current, nothing where that is what its control believes it to be."""
        return None

    def too_weak(self, torque: float, speed: float) -> Violation | None:
        """Return what keeps it from sizes of torque [N m] and speed [rad/s], if known before a run."""
        return None

    def current(self, state: Floats) -> float | None:
        """Return the size of its current, nothing where its electrics are not modelled [A]."""
        return None

    def voltage_without_current(self, speed: float) -> float:
        """Return what it makes between two terminals at a speed [rad/s], the peak; 0 without magnets [V]."""
        return 0.0

    def squared_current(self) -> tuple[str, ...]:
        """Return the meter of its squared current, where it has one."""
        return ()

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield speed and air-gap torque."""
        torque = tuple(("z", ref, weight) for weight, ref in self.torque)
        yield Channel(f"{prefix}speed", "rad/s", (("z", self.node.speed, 1.0),))
        yield Channel(f"{prefix}torque", "N m", torque)


def _torque_source(machine: Machine) -> ServoMachine:
    rate = FASTER / machine.timing().period
    limits = (1e-7, rate, 1e9, machine.max_speed)
    return ServoMachine("machine", "torque_servo", machine.name, machine.inertia, *limits, drag=machine.drag)
