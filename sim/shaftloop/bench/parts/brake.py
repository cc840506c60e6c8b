"""A brake on the bench: at each tick its command becomes an excitation, which only ever brakes."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BEYOND, Ideal, Site, on_bench
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.kernels.arrays import Floats
from shaftloop_models.brake import Brake, BrakePorts, declare_brake
from shaftloop_models.drag import coulomb_torque, windage_torque
from shaftloop_models.network import Network

__all__ = ["BenchBrake"]


def _excite(x: Any, p: Any, y: Any) -> None:
    """x: command, speed; p: largest torque, power; y: excitation, limits and whether they hold."""
    asked = -x[0] if x[1] >= 0.0 else x[0]
    power = p[1] / abs(x[1]) if abs(x[1]) * p[0] > p[1] else p[0]
    y[0] = min(max(asked, 0.0), power)
    y[1], y[2] = abs(asked), 1.0 if asked > p[0] else 0.0
    y[3], y[4] = abs(asked * x[1]), 1.0 if asked > power and power < p[0] else 0.0


@on_bench(Brake)
class BenchBrake(BenchMachine[Brake]):
    """A brake on a bench."""

    ports: BrakePorts

    def limits(self) -> list[Ideal]:
        """Return torque and power."""
        return [
            Ideal("largest torque", lambda brake: replace(brake, max_torque=BEYOND * brake.max_torque)),
            Ideal("largest power", lambda brake: replace(brake, max_power=None)),
        ]

    def declare_drive(self, net: Network, site: Site) -> None:
        """Add lag, torque and heat."""
        self.ports = declare_brake(net, self.parameters, site.node)
        self.torque, self.link_meter = self.ports.torque, self.ports.link_meter

    def wire_control(self, wiring: Wiring) -> None:
        """Add what makes an excitation of the command."""
        brake, clock = self.parameters, self.parameters.timing()
        held = wiring.held_slot(self.ports.command)
        emit = wiring.line(self.name, "N m", clock, held)
        bounds = brake.max_torque, brake.max_power or math.inf
        limits = (("torque", "N m", bounds[0]), ("power", "W", bounds[1]))
        watched = (watch(wiring, self.name, limits), len(limits))
        slots = (self.command_slot, (self.node.speed.index,), (emit,))
        numbers = (math.inf, math.inf) if wiring.smooth else bounds
        wiring.own_task(f"{self.name}.exciter", Priority.MACHINE, clock, _excite, slots, numbers, watched)

    def too_weak(self, torque: float, speed: float) -> Violation | None:
        """Return that it cannot drive, where a torque is less than its drag."""
        drag = self.parameters.drag
        own = drag.viscous * speed + coulomb_torque(speed, drag.coulomb, drag.smoothing)
        own += windage_torque(speed, drag.windage)
        return self._driven(own - torque) if torque < own else None

    def _driven(self, torque: float) -> Violation:
        text = f"{self.name} is a brake, which does not drive"
        return Violation(text, torque, 0.0, "N m", "choose a torque that it takes")

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield excitation and power, and that it cannot drive."""
        brake, speed = self.parameters, float(state[self.node.speed.index])
        asked = -float(state[self.command_slot]) * math.copysign(1.0, speed)
        advice = "choose a lower torque with `torque`"
        yield Violation(
            f"excitation of {self.name} at this speed", abs(asked), brake.max_torque, "N m", advice
        )
        if brake.max_power is not None:
            yield Violation(f"largest power of {self.name}", abs(asked * speed), brake.max_power, "W", advice)
        if asked < -1e-6 * brake.max_torque:
            yield self._driven(-asked)
