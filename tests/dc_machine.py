"""A machine that no package knows: physics, control and what it is on the bench, registered from outside.

Three sections, as a contributor would write three files. Brushed DC machine: ``L·i' = v − R·i − k·ω``, torque
``k·i``, eddy drag ``d·ω/(1 + (ω/ωc)²)``. Common practice, no source; invented values.
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated, Any, Literal

from shaftloop.bench.parts import part as bench_parts
from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import Site, on_bench
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine.layout import SlotKind
from shaftloop.kernels.arrays import Floats
from shaftloop_models import part as model_parts
from shaftloop_models.compiled import equation
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import Network, OwnKind, Ref
from shaftloop_models.parameters import Clock, Quantity
from shaftloop_models.part import Machine, part_kind

# Physics: models/shaftloop_models/dc_machine.py


@equation
def eddy_torque(speed: float, damping: float, critical: float) -> float:
    return damping * speed / (1.0 + (speed / critical) ** 2)


def _eddy(x: Any, p: Any, y: Any) -> None:
    y[0] = eddy_torque(x[0], p[0], p[1])


EDDY = OwnKind("eddy drag", _eddy, "lower the eddy drag or raise the inertia of its body")


@dataclass(frozen=True)
class DcMachine(Machine):
    part: Literal["machine"]
    model: Literal["brushed_dc"]
    name: str
    inertia: Annotated[float, Quantity("kg m^2", "moment of inertia of the rotor", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "largest speed", gt=0.0)]
    resistance: Annotated[float, Quantity("ohm", "of the armature", gt=0.0)]
    inductance: Annotated[float, Quantity("H", "of the armature", gt=0.0)]
    constant: Annotated[float, Quantity("N m/A", "torque per current", gt=0.0)]
    current_limit: Annotated[float, Quantity("A", "largest current", gt=0.0)]
    rate: Annotated[Fraction, Quantity("Hz", "rate of the current control", gt=0.0)]
    bandwidth: Annotated[float, Quantity("Hz", "bandwidth of the current control", gt=0.0)]
    eddy: Annotated[float, Quantity("N m s/rad", "eddy drag per speed at low speed", ge=0.0)] = 0.0
    critical: Annotated[float, Quantity("rad/s", "speed of the largest eddy drag", gt=0.0)] = 1e3

    def elements(self) -> list[Element]:
        return [Inertia(self.inertia, self.drag, self.name)]

    def timing(self) -> Clock:
        return Clock(1 / self.rate, Fraction(0), keys=("rate", "rate", "rate"))


@dataclass(frozen=True)
class DcPorts:
    current: Ref
    voltage: Ref
    link: int
    losses: tuple[int, ...]


def declare_dc_machine(net: Network, machine: DcMachine, site: Site) -> DcPorts:
    name, node, k, inductance = machine.name, site.node, machine.constant, machine.inductance
    current, voltage = net.state(f"{name}.current", "A"), net.held(f"{name}.voltage", "V")
    for source, weight in ((voltage, 1.0), (current, -machine.resistance), (node.speed, -k)):
        net.derivative(current, source, weight / inductance)
    net.torque(node, current, k)
    link = net.meter(f"{name}.link", "energy taken from the DC link", [(1.0, voltage, current)])
    copper = net.meter(f"{name}.copper", "copper loss", [(machine.resistance, current, current)])
    airgap = net.meter(f"{name}.airgap", "air-gap energy", [(k, current, node.speed)])
    net.balance(f"{name}.armature", [link], [airgap], [copper], [(0.5 * inductance, current, current)])
    if not machine.eddy:
        return DcPorts(current, voltage, link, ())
    parameters = [machine.eddy, machine.critical]
    (drag,) = net.term(EDDY, [node.speed], parameters, [f"{name}.eddy"], slope=machine.eddy)
    net.torque(node, drag, -1.0)
    return DcPorts(
        current, voltage, link, (net.meter(f"{name}.eddy", "eddy loss", [(1.0, drag, node.speed)]),)
    )


# Control: sim/shaftloop/control/dc_control.py


@equation
def armature_tick(
    target: float, current: float, back: float, integral: float, gain: float, ratio: float
) -> tuple[float, float]:
    """Return voltage and integral of a PI controller of the current [V]."""
    error = target - current
    return gain * error + integral + back, integral + gain * ratio * error


# Bench: sim/shaftloop/bench/parts/dc_machine.py


def _control(x: Any, p: Any, y: Any) -> None:
    """x: command, speed, current; p: constant, limit, gain, R/L·period; y: voltage, integral."""
    target = min(max(x[0] / p[0], -p[1]), p[1])
    y[0], y[1] = armature_tick(target, x[2], p[0] * x[1], y[1], p[2], p[3])


class BenchDcMachine(BenchMachine[DcMachine]):
    ports: DcPorts

    def declare_drive(self, net: Network, site: Site) -> None:
        self.ports = declare_dc_machine(net, self.parameters, site)
        self.torque = ((self.parameters.constant, self.ports.current),)
        self.link_meter, self.losses = self.ports.link, self.ports.losses

    def wire_control(self, wiring: Wiring) -> None:
        machine, clock = self.parameters, self.parameters.timing()
        integral = wiring.layout.add(f"{self.name}.integral", SlotKind.HELD, "V")
        held = wiring.held_slot(self.ports.voltage)
        emit = wiring.line(f"{self.name}.voltage", "V", replace(clock, latency=clock.period), held)
        limit = math.inf if wiring.smooth else machine.current_limit
        gain = 2.0 * math.pi * machine.bandwidth * machine.inductance
        numbers = (machine.constant, limit, gain, machine.resistance / machine.inductance / machine.rate)
        slots = (self.command_slot, (self.node.speed.index, self.ports.current.index), (emit, integral))
        wiring.own_task(f"{self.name}.control", Priority.MACHINE, clock, _control, slots, numbers)

    def sizes(self, torque: float) -> dict[str, float]:
        return {"A": torque / self.parameters.constant}

    def loads(self, state: Floats) -> Iterator[Violation]:
        current = abs(float(state[self.ports.current.index]))
        yield Violation(
            f"current limit of {self.name}", current, self.parameters.current_limit, "A", "ask for less"
        )


@contextmanager
def forgotten() -> Iterator[None]:
    """Forget at the end the parts that were made known meanwhile."""
    model_parts.kinds()
    bench_parts.make_part(model_parts.Part())
    kinds, classes = dict(model_parts._KINDS), dict(bench_parts._CLASSES)
    try:
        yield
    finally:
        for now, before in ((model_parts._KINDS, kinds), (bench_parts._CLASSES, classes)):
            now.clear()
            now.update(before)  # type: ignore[arg-type]


@contextmanager
def known() -> Iterator[None]:
    """Make the machine known for a while."""
    with forgotten():
        part_kind(DcMachine)
        on_bench(DcMachine)(BenchDcMachine)
        yield
