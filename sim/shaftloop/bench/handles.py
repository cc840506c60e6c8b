"""What analyses, reports and the supervision know of an assembled bench."""

from dataclasses import dataclass, field
from fractions import Fraction

from shaftloop.bench.line import Line
from shaftloop.control.parameters import Loop
from shaftloop.engine.model import Model
from shaftloop.scenario.description import Description, Machine
from shaftloop_models.network import Node, Ref
from shaftloop_models.power_meter import PowerMeter
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["Bench", "LoopHandle", "MachineHandle", "PowerMeterHandle", "SensorHandle"]


@dataclass(frozen=True)
class MachineHandle:
    """A machine of the bench."""

    parameters: Machine
    node: Node
    body: int
    """Number of its body in the line."""
    torque: tuple[tuple[float, Ref], ...]
    """Air-gap torque as a sum of weight·quantity. [N m]"""
    link_meter: int
    command_slot: int
    """Held slot: torque command that is active. [N m]"""


@dataclass(frozen=True)
class SensorHandle:
    """A torque sensor of the bench."""

    parameters: TorqueSensor
    true_torque: Ref
    """Signal. [N m]"""
    transmitted: Ref
    """Signal: true torque plus damping torque. [N m]"""
    spring: int
    """Number of its spring in the line."""
    reading_slot: int
    sample_task: int


@dataclass(frozen=True)
class LoopHandle:
    """A loop of the bench."""

    parameters: Loop
    profile: int
    """Number of its set-point profile."""
    quantity: str
    """``torque`` or ``speed``."""
    source: str
    """Sensor, encoder or machine at the far end of what it reads."""
    sign: float
    """+1 where a positive output acts as positive air-gap torque, -1 where as negative."""
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
class PowerMeterHandle:
    """A power meter of the bench."""

    parameters: PowerMeter
    reading_slot: int


@dataclass
class Bench:
    """An assembled bench."""

    description: Description
    model: Model
    line: Line
    record_period: Fraction
    """[s]"""
    machines: dict[str, MachineHandle] = field(default_factory=dict)
    sensors: dict[str, SensorHandle] = field(default_factory=dict)
    loops: dict[str, LoopHandle] = field(default_factory=dict)
    power_meters: dict[str, PowerMeterHandle] = field(default_factory=dict)
    record_task: int = 0

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

    def main_sensor(self) -> SensorHandle | None:
        """Return the torque sensor that the torque loop reads, else the first one."""
        loop = self.torque_loop()
        if loop is not None:
            return self.sensors[loop.source]
        return next(iter(self.sensors.values()), None)
