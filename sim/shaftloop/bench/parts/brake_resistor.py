"""A brake resistor on the bench: its chopper and its heat load."""

import math
from fractions import Fraction

from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.rows import CompareNumbers, CompareWords
from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.dc_link import LinkPorts, ResistorPorts, declare_resistor
from shaftloop_models.network import Network, Ref
from shaftloop_models.parameters import Clock

__all__ = ["BenchResistor"]


class BenchResistor:
    """A brake resistor on a bench."""

    ports: ResistorPorts
    voltage: Ref
    """State: of the link. [V]"""
    load_slot: int = -1
    """Five slots of its heat load, as its task keeps them."""
    period: float
    """Between two looks at the voltage. [s]"""

    def __init__(self, parameters: BrakeResistor) -> None:
        self.parameters = parameters

    def declare(self, net: Network, link: LinkPorts) -> None:
        """Add its equations."""
        self.ports, self.voltage = declare_resistor(net, link, self.parameters), link.voltage

    def wire(self, wiring: Wiring, period: Fraction, first_meter: int) -> None:
        """Add its chopper, which looks at the voltage once a period [s] and watches the energy of a pulse."""
        part, name = self.parameters, self.parameters.name
        self.period = float(period)
        self.load_slot = memory = wiring.layout.add(f"{name}.load", SlotKind.ACCUMULATOR, "J", 5)
        share, heat = wiring.held_slot(self.ports.share), first_meter + self.ports.heat
        a = CompareWords(self.voltage.index, share, heat, memory)
        flows, lag = (part.continuous_power or 0.0) * self.period, 0.0
        if part.time_constant is not None:
            lag = -math.expm1(-self.period / part.time_constant)
        f = CompareNumbers(part.off_level, part.on_level, float(wiring.smooth), flows, lag)
        wiring.add(f"{name}.chopper", at.COMPARE, Clock(period, Fraction(0)), Priority.SAMPLE, a, f)
