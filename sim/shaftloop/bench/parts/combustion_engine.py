"""A combustion engine on the bench: throttle, orders of its cylinders, energy that comes from fuel."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BEYOND, Ideal, Site, on_bench
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.kernels.arrays import Floats, Phasors
from shaftloop_models.combustion_engine import CombustionEngine, EnginePorts, declare_combustion_engine
from shaftloop_models.network import Network

__all__ = ["BenchCombustionEngine"]

_SEEN = 0.1
"""Share of the largest order from which one stands in the Campbell diagram."""


def _throttle(x: Any, p: Any, y: Any) -> None:
    """x: command, speed; p: largest torque, speeds; y: throttle, limits, whether they hold."""
    fires = p[1] <= x[1] < p[2]
    y[0] = min(max(x[0], 0.0), p[0]) if fires else 0.0
    y[1], y[2] = abs(x[0]), 1.0 if x[0] > p[0] else 0.0
    y[3], y[4] = abs(x[1]), 1.0 if x[0] > 0.0 and x[1] >= p[2] else 0.0


def _straight(x: Any, p: Any, y: Any) -> None:
    """x: command; y: throttle, without limits, and what `_throttle` says of them."""
    y[0] = x[0]
    y[1] = y[2] = y[3] = y[4] = 0.0


@on_bench(CombustionEngine)
class BenchCombustionEngine(BenchMachine[CombustionEngine]):
    """A combustion engine on a bench."""

    ports: EnginePorts
    fed = False

    def smooth(self) -> CombustionEngine:
        """Return its parameters with its mean torque alone."""
        return replace(self.parameters, pulsating=False)

    def imperfections(self) -> list[Ideal]:
        """Return the pulsation of its torque."""
        if not self.parameters.pulsating:
            return []
        return [Ideal("pulsation of the engine", lambda engine: replace(engine, pulsating=False))]

    def limits(self) -> list[Ideal]:
        """Return torque and speed."""
        return [
            Ideal("largest torque", lambda engine: replace(engine, max_torque=BEYOND * engine.max_torque)),
            Ideal("largest speed", lambda engine: replace(engine, max_speed=2.0 * engine.max_speed)),
        ]

    def excitations(self) -> list[tuple[float, str]]:
        """Return the larger orders of its cylinders."""
        engine = self.parameters
        sizes = {o.order: abs(o.phasor(engine.max_torque, 0.5 * engine.max_speed)) for o in engine.orders()}
        most = max(sizes.values(), default=0.0)
        return [(order, "cylinders of") for order, size in sizes.items() if size > _SEEN * most]

    def pulsation(self, torque: float, speed: Floats) -> dict[float, tuple[str, Phasors]]:
        """Return what gas and masses make of its torque."""
        return {
            order.order: (
                f"cylinders of {self.name}",
                np.asarray(order.motored + torque * order.fired + speed**2 * order.masses),
            )
            for order in self.parameters.orders()
        }

    def declare_drive(self, net: Network, site: Site) -> None:
        """Add lag, pulsation and work."""
        self.ports = declare_combustion_engine(net, self.parameters, site.node, site.angle)
        self.torque, self.link_meter = self.ports.torque, self.ports.work

    def wire_control(self, wiring: Wiring) -> None:
        """Add the throttle."""
        engine, clock = self.parameters, self.parameters.timing()
        held = wiring.held_slot(self.ports.command)
        emit = wiring.line(self.name, "N m", clock, held)
        limits = (("torque", "N m", engine.max_torque), ("speed", "rad/s", engine.max_speed))
        watched = (watch(wiring, self.name, limits), len(limits))
        slots = (self.command_slot, (self.node.speed.index,), (emit,))
        numbers = (engine.max_torque, engine.firing_speed, engine.max_speed)
        law = _straight if wiring.smooth else _throttle
        wiring.own_task(f"{self.name}.throttle", Priority.MACHINE, clock, law, slots, numbers, watched)

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield torque, and that it cannot brake."""
        torque, most = float(state[self.command_slot]), self.parameters.max_torque
        advice = "choose a lower torque with `torque`"
        yield Violation(f"largest torque of {self.name}", abs(torque), most, "N m", advice)
        if torque < -1e-6 * most:
            text = f"{self.name} is an engine, which does not brake beyond its drag"
            yield Violation(text, -torque, 0.0, "N m", "choose a torque that it drives")
        speed, least = float(state[self.node.speed.index]), self.parameters.firing_speed
        if torque > 0.0 and speed < least:
            text = f"speed from which {self.name} fires"
            yield Violation(text, least, speed, "rad/s", "choose a higher `speed`")
