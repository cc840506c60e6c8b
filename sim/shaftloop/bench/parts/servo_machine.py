"""A torque-servo machine on the bench: at each tick of the drive the command is clamped to the envelope."""

import math
from collections.abc import Iterator
from dataclasses import replace

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BEYOND, Ideal, Site, on_bench
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.rows import ServoNumbers, ServoWords
from shaftloop.kernels.arrays import Floats
from shaftloop_models.network import Network
from shaftloop_models.servo_machine import ServoMachine, ServoPorts, declare_servo_machine, rated_power

__all__ = ["BenchServoMachine"]

_RPM = 30.0 / math.pi


@on_bench(ServoMachine)
class BenchServoMachine(BenchMachine[ServoMachine]):
    """A torque-servo machine on a bench."""

    ports: ServoPorts

    def limits(self) -> list[Ideal]:
        """Return torque, power and speed."""
        return [
            Ideal("largest torque", lambda m: replace(m, max_torque=BEYOND * m.max_torque)),
            Ideal("largest power", lambda m: replace(m, max_power=None)),
            # Not further: the step rule follows the largest speed.
            Ideal("largest speed", lambda m: replace(m, max_speed=2.0 * m.max_speed)),
        ]

    def largest_power(self, volts: float) -> float:
        """Return the largest shaft power over the efficiency [W]."""
        machine = self.parameters
        return min(rated_power(machine), machine.max_torque * machine.max_speed) / machine.efficiency

    def declare_drive(self, net: Network, site: Site) -> None:
        """Add lag and losses."""
        self.ports = declare_servo_machine(net, self.parameters, site.node, site.angle)
        self.torque, self.link_meter = self.ports.torque, self.ports.link_meter

    def wire_control(self, wiring: Wiring) -> None:
        """Add the envelope."""
        machine, clock = self.parameters, self.parameters.timing()
        held = wiring.held_slot(self.ports.command)
        emit = wiring.line(self.name, "N m", clock, held)
        bounds = (machine.max_torque, rated_power(machine), machine.max_speed)
        link, lowest, watched = self.link_watch(wiring)
        f = ServoNumbers(*((math.inf,) * 3 if wiring.smooth else bounds), lowest)
        limits = zip(("torque", "power", "speed"), ("N m", "W", "rad/s"), bounds, strict=True)
        a = ServoWords(
            self.node.speed.index,
            self.command_slot,
            emit,
            watch(wiring, self.name, (*limits, *watched)),
            link,
        )
        wiring.add(f"{self.name}.drive", at.SERVO, clock, Priority.MACHINE, a, f)

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield torque and power."""
        torque, speed = abs(float(state[self.command_slot])), abs(float(state[self.node.speed.index]))
        advice, most = "choose a lower torque with `torque`", self.parameters.max_torque
        yield Violation(f"largest torque of {self.name}", torque, most, "N m", advice)
        if speed > 0.0:
            limit = f"largest power of {self.name} at {_RPM * speed:.5g} rpm"
            advice += " or a lower speed with `speed`"
            yield Violation(limit, torque * speed, rated_power(self.parameters), "W", advice)
