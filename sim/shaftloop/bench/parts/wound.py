"""A machine whose windings an inverter feeds: limits of current, of voltage, and of current over time."""

import math
from abc import abstractmethod
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, ClassVar, TypeVar

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BEYOND, Ideal
from shaftloop.bench.wiring import Wiring
from shaftloop.engine.heat import OverloadBudget
from shaftloop.kernels.arrays import Floats
from shaftloop_models.induction_machine import InductionMachine
from shaftloop_models.pm_machine import PmMachine
from shaftloop_models.supply import voltage_limit

__all__ = ["BenchWoundMachine"]

W = TypeVar("W", PmMachine, InductionMachine)


class BenchWoundMachine(BenchMachine[W]):
    """A machine with an inverter on a bench."""

    ports: Any
    most_voltage: float
    """What the inverter can make of the link at its nominal voltage. [V]"""
    limit: float
    """The same as a share of the voltage of the link, where that is a state."""
    lowest: float
    """Voltage of the link below which pulses are blocked. [V]"""
    undervoltage: tuple[tuple[str, str, float], ...]
    """That limit, where the voltage of the link is a state."""
    raises: ClassVar[str]
    """What to raise where it lacks voltage, in words."""

    @property
    @abstractmethod
    def oriented(self) -> tuple[str, Any]:
        """Key and parameters of its current control, nothing where it has none."""

    def limits(self) -> list[Ideal]:
        """Return the current limit."""
        return [Ideal("current limit", lambda m: replace(m, current_limit=BEYOND * m.current_limit))]

    def on_stronger_link(self, factor: float) -> W:
        """Return it with field weakening from the voltage at which it begins now."""
        key, control = self.oriented
        if control is None:
            return self.parameters
        reserve = 1.0 - (1.0 - control.voltage_reserve) / factor
        return replace(self.parameters, **{key: replace(control, voltage_reserve=reserve)})

    def largest_power(self, volts: float) -> float:
        """Return three halves of the largest voltage times the largest current [W]."""
        return 1.5 * voltage_limit(volts, 1.0) * self.parameters.current_limit

    def wire_limits(self, wiring: Wiring, modulation: float) -> None:
        """Set what it may make of the link, in shares of its voltage where that is a state and measured."""
        self.most_voltage = voltage_limit(wiring.description.supply.nominal(), modulation)
        self.link_slot, self.lowest, self.undervoltage = self.link_watch(wiring)
        self.limit = self.most_voltage if self.link_slot < 0 else voltage_limit(1.0, modulation)

    def voltage_line(self, wiring: Wiring) -> int:
        """Return the slot to which its control emits the first of two voltages, active one period later."""
        clock = self.parameters.timing()
        active = replace(clock, latency=clock.period)
        return wiring.line(f"{self.name}.voltage", "V", active, self.terminals[0], 2)

    def kept(self) -> tuple[tuple[str, str, float], ...]:
        """Return the limits that its control keeps to: name, unit and value."""
        current, voltage = self.parameters.current_limit, self.most_voltage
        return (("current", "A", current), ("voltage", "V", voltage), *self.undervoltage)

    def squared_current(self) -> tuple[str, ...]:
        """Return the meter of its squared current, where something depends on it."""
        return () if self.ports.squared < 0 else (f"{self.name}.squared_current",)

    def overloads(self, column: int) -> tuple[OverloadBudget, ...]:
        """Return the limit of current over time, if any; it acts on a column of the numbers of its task."""
        most, inverter = self.parameters.current_limit, self.parameters.inverter
        rest, time = inverter.continuous_current, inverter.overload_time
        if rest is None or time is None:
            return ()
        size = self.ports.squared, rest**2, (most**2 - rest**2) * time
        return (OverloadBudget(f"{self.name}.i2t", *size, self.control_task, column, (most, rest)),)

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield current and voltage."""
        advice, current = "choose a lower torque with `torque`", self.current(state)
        assert current is not None, "its windings are modelled"
        yield Violation(f"current limit of {self.name}", current, self.parameters.current_limit, "A", advice)
        key, control = self.oriented
        if control is None:
            return
        voltage = math.hypot(*(float(state[slot]) for slot in self.terminals))
        advice = f"choose a lower speed with `speed` or raise {self.raises}"
        if not control.field_weakening:
            advice += f", or switch line.{self.name}.{key}.field_weakening on"
        most = self.most_voltage
        if self.link_slot >= 0:
            most = voltage_limit(float(state[self.link_slot]), control.modulation)
        yield Violation(f"voltage limit of {self.name}", voltage, most, "V", advice)
