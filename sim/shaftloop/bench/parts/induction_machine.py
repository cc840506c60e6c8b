"""An induction machine on the bench: its control makes voltages, active one period later, and a frequency."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Generic, NamedTuple, TypeVar

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.part import Site, on_bench
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.parts.wound import BenchWoundMachine
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.control.induction_control import blocked_voltages, field_oriented_tick, volts_per_hertz_tick
from shaftloop.engine.heat import Thermal
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel
from shaftloop.kernels.arrays import Floats
from shaftloop.kernels.own import Equation
from shaftloop_models.compiled import equation
from shaftloop_models.induction_machine import (
    FieldOriented,
    InductionMachine,
    InductionPorts,
    VoltsPerHertz,
    declare_induction_machine,
    inverse_inductance,
    pull_out_torque,
    stator_current,
)
from shaftloop_models.network import Network

__all__ = ["BenchInductionMachine"]

_FULL = 1.0 - 1e-9
"""Share of a limit from which on it counts as reached."""
_TURN = 2.0 * math.pi
_NO_VOLTAGE = 1e-9
"""Voltage of an empty link, so that a limit of infinity stays one. [V]"""
_STOPS = 3.0
"""Ticks in which the current falls to 1/e once pulses are blocked."""


V = TypeVar("V")


class _Common(NamedTuple, Generic[V]):
    """Numbers that both tasks begin with."""

    main: V
    knee: V
    exponent: V
    leakage: V
    stator: V
    rotor: V
    iron: V
    pole_pairs: V
    most_current: V
    most_voltage: V
    """A share of what is measured of the link, where that is alive."""
    lowest: V
    """Voltage of the link below which pulses are blocked. [V]"""
    live: V
    """1 where the voltage of the link is a state."""
    stopping: V
    """Voltage per current that stops it once pulses are blocked. [ohm]"""


class _Oriented(NamedTuple, Generic[V]):
    """What follows for field orientation."""

    flux: V
    flux_bandwidth: V
    bandwidth: V
    period: V
    weaken_above: V


class _Scalar(NamedTuple, Generic[V]):
    """What follows for volts per hertz."""

    frequency: V
    step: V
    per_torque: V
    per_current: V
    lag: V
    boost: V
    voltage: V
    rated_frequency: V


_C = _Common(*range(13))
_O = _Oriented(*range(13, 18))
_S = _Scalar(*range(13, 21))


@equation
def _currents(x: Any, p: Any) -> tuple[float, float]:
    """Return the stator currents [A]; x holds fluxes and voltages from 3 on."""
    leakage, stator, iron = p[_C.leakage], p[_C.stator], p[_C.iron]
    inverse = inverse_inductance(x[3], x[4], p[_C.main], p[_C.knee], p[_C.exponent])
    d, _ = stator_current(x[3], x[5], x[7], inverse, leakage, stator, iron)
    q, _ = stator_current(x[4], x[6], x[8], inverse, leakage, stator, iron)
    return d, q


@equation
def _link(x: Any, p: Any) -> tuple[float, float, float]:
    """Return what voltages are shares of [V], 1 on a stiff link; whether pulses are blocked; V², to watch."""
    volts = max(x[9], _NO_VOLTAGE) if p[_C.live] > 0.0 else 1.0
    return volts, 1.0 if volts < p[_C.lowest] else 0.0, volts * volts


def _oriented(x: Any, p: Any, y: Any) -> None:
    """x: command, -, speed, fluxes, voltages, link; y: voltages, frame, integrals, flux; squares."""
    d, q = _currents(x, p)
    volts, y[11], y[10] = _link(x, p)
    most = p[_C.most_voltage] * volts
    voltages, y[2], memory, wanted = field_oriented_tick(
        x[0],
        p[_C.pole_pairs] * x[2],
        (d, q),
        (y[3], y[4], y[5]),
        (p[_C.main], p[_C.knee], p[_C.exponent], p[_C.leakage], p[_C.stator], p[_C.rotor]),
        (p[_O.flux], p[_O.flux_bandwidth], p[_O.bandwidth], p[_C.pole_pairs]),
        (p[_O.period], most, p[_O.weaken_above] * volts, p[_C.most_current]),
    )
    if y[11] > 0.0:
        voltages, wanted = blocked_voltages(y[2], (d, q), (x[3], x[4]), p[_C.stopping]), (0.0, 0.0)
        memory = 0.0, 0.0, memory[2]
    y[0], y[1] = voltages
    y[3], y[4], y[5] = memory
    y[6], y[8] = d * d + q * q, y[0] * y[0] + y[1] * y[1]
    y[7] = 1.0 if math.hypot(wanted[0], wanted[1]) >= _FULL * p[_C.most_current] else 0.0
    y[9] = 1.0 if math.sqrt(y[8]) >= _FULL * most and y[11] == 0.0 else 0.0


def _scalar(x: Any, p: Any, y: Any) -> None:
    """x: enabled, command, speed, fluxes, voltages, link; y: voltages, frame, ramp, slip; squares."""
    d, q = _currents(x, p)
    volts, y[10], y[9] = _link(x, p)
    most, speed = p[_C.most_voltage] * volts, p[_C.pole_pairs] * x[2]
    voltages, y[2], memory = volts_per_hertz_tick(
        x[0] * (1.0 - y[10]),
        x[1],
        speed,
        (d, q),
        (x[3], x[4]),
        (y[3], y[4]),
        (p[_S.frequency], p[_S.step], p[_S.per_torque], p[_S.per_current], p[_S.lag]),
        (p[_S.boost], p[_S.voltage], p[_S.rated_frequency], most),
        (p[_C.most_current], p[_C.stopping]),
    )
    if y[10] > 0.0:
        memory = speed, 0.0
    y[0], y[1] = voltages
    y[3], y[4] = memory
    y[5], y[7] = d * d + q * q, y[0] * y[0] + y[1] * y[1]
    y[6] = 1.0 if y[5] > p[_C.most_current] * p[_C.most_current] else 0.0
    y[8] = 1.0 if math.sqrt(y[7]) >= _FULL * most and y[10] == 0.0 else 0.0


@on_bench(InductionMachine)
class BenchInductionMachine(BenchWoundMachine[InductionMachine]):
    """An induction machine on a bench."""

    ports: InductionPorts
    frame_slot: int
    """Frequency of the inverter. [rad/s]"""
    enabled_slot: int = -1
    """What a trip leaves of a machine that keeps a frequency; -1 for field orientation."""
    raises = "supply.voltage"

    @property
    def oriented(self) -> tuple[str, FieldOriented | None]:
        """Return its field orientation, nothing where it keeps a frequency."""
        control = self.parameters.control
        return "control", control if isinstance(control, FieldOriented) else None

    def sizes(self, torque: float) -> dict[str, float]:
        """Return the usual flux, and the current of a torque."""
        flux = self._flux()
        return {"Wb": flux, "A": torque / (1.5 * self.parameters.pole_pairs * flux)}

    def _flux(self) -> float:
        """Return the flux linkage that its control keeps below rated frequency [Wb]."""
        control = self.parameters.control
        if isinstance(control, FieldOriented):
            return control.flux
        return control.rated_voltage / (_TURN * control.rated_frequency)

    @property
    def torque_slot(self) -> int:
        """Return its command, or what enables it."""
        return self.command_slot if self.enabled_slot < 0 else self.enabled_slot

    def own_speed(self) -> float | None:
        """Return the speed of the frequency that is set."""
        oriented = isinstance(self.parameters.control, FieldOriented)
        return None if oriented else self.parameters.synchronous_speed()

    def declare_drive(self, net: Network, site: Site) -> None:
        """Add fields, windings and inverter."""
        self.ports = declare_induction_machine(net, self.parameters, site.node)
        self.torque, self.link_meter = ((1.0, self.ports.torque),), self.ports.link_meter

    def wire_control(self, wiring: Wiring) -> None:
        """Add field orientation or volts per hertz."""
        control = self.parameters.control
        first, second = (wiring.held_slot(ref) for ref in self.ports.voltages)
        self.terminals, self.frame_slot = (first, second), wiring.held_slot(self.ports.frame)
        self.wire_limits(wiring, control.modulation)
        if isinstance(control, FieldOriented):
            self._wire_oriented(wiring, control)
        else:
            self._wire_scalar(wiring, control)

    def _wire_oriented(self, wiring: Wiring, control: FieldOriented) -> None:
        memory = wiring.layout.add(f"{self.name}.current_integral", SlotKind.HELD, "V", 2)
        flux = wiring.layout.add(f"{self.name}.believed_flux", SlotKind.HELD, "Wb")
        if wiring.smooth:
            wiring.layout.initial[flux] = control.flux
            self._start_near(wiring, control.flux, 0.0)
        emit = self.voltage_line(wiring)
        weaken = (1.0 - control.voltage_reserve) * self.limit if control.field_weakening else math.inf
        numbers = _Oriented(
            flux=control.flux,
            flux_bandwidth=_TURN * control.flux_bandwidth,
            bandwidth=_TURN * control.bandwidth,
            period=float(1 / control.rate),
            weaken_above=weaken,
        )
        # The command is read twice, so that all else stands where it does for the other task.
        slots = (self.command_slot, self.command_slot)
        written = (emit, emit + 1, self.frame_slot, memory, memory + 1, flux)
        self._add_task(wiring, _oriented, slots, written, numbers, 1.0 + control.rotor_resistance_error)
        self.voltage_limits = ((self.control_task, _C.most_voltage, self.limit),)

    def _wire_scalar(self, wiring: Wiring, control: VoltsPerHertz) -> None:
        # Scaled by a trip, as commands of other machines are: a torque of 0 alone would take nothing away.
        enabled = wiring.layout.add(f"{self.name}.enabled", SlotKind.INTEGER, "1", initial=1.0)
        self.enabled_slot = enabled
        memory = wiring.layout.add(f"{self.name}.ramp", SlotKind.HELD, "rad/s", 2)
        period, per_torque = float(1 / control.rate), self._slip_per_torque(control)
        constant = 1.5 * self.parameters.pole_pairs * self._flux()
        numbers = _Scalar(
            frequency=_TURN * control.frequency,
            step=math.inf if wiring.smooth else _TURN * control.ramp * period,
            per_torque=per_torque,
            per_current=control.slip_compensation * per_torque * constant,
            lag=1.0 - math.exp(-period / control.compensation_time),
            boost=control.boost,
            voltage=control.rated_voltage,
            rated_frequency=_TURN * control.rated_frequency,
        )
        if wiring.smooth:
            wiring.layout.initial[memory] = wiring.layout.initial[self.frame_slot] = numbers.frequency
            self._start_near(wiring, 0.0, -math.copysign(self._flux(), control.frequency))
        emit = self.voltage_line(wiring)
        written = (emit, emit + 1, self.frame_slot, memory, memory + 1)
        self._add_task(wiring, _scalar, (enabled, self.command_slot), written, numbers)

    def _start_near(self, wiring: Wiring, d: float, q: float) -> None:
        """Let the search for a steady state begin with the fluxes of a machine without torque [Wb]."""
        for ref, flux in zip(self.ports.fluxes, (d, q, d, q), strict=True):
            wiring.layout.initial[ref.index] = flux

    def _slip_per_torque(self, control: VoltsPerHertz) -> float:
        """Return the frequency that a command adds [rad/(N m s)]."""
        rated = self.parameters.rated_torque
        assert rated is not None, "checked by the part"
        return _TURN * control.rated_slip / rated

    def _add_task(
        self,
        wiring: Wiring,
        equation: Equation,
        commands: tuple[int, int],
        written: Sequence[int],
        own: _Oriented[float] | _Scalar[float],
        believed: float = 1.0,
    ) -> None:
        machine, smooth = self.parameters, wiring.smooth
        circuit = machine.circuit()
        common = _Common(
            *circuit._replace(rotor=believed * circuit.rotor),
            pole_pairs=float(machine.pole_pairs),
            most_current=math.inf if smooth else machine.current_limit,
            most_voltage=math.inf if smooth and equation is _oriented else self.limit,
            lowest=self.lowest,
            live=0.0 if self.link_slot < 0 else 1.0,
            stopping=circuit.leakage / (_STOPS * float(machine.timing().period)),
        )
        scaled, command = commands
        fluxes = (ref.index for ref in self.ports.fluxes)
        link = () if self.link_slot < 0 else (self.link_slot,)
        reads = (command, self.node.speed.index, *fluxes, *self.terminals, *link)
        limits = self.kept()
        watched = watch(wiring, self.name, limits), len(limits)
        slots = (scaled, reads, written)
        name, clock = f"{self.name}.control", machine.timing()
        numbers = (*common, *own)
        self.control_task = wiring.own_task(name, Priority.MACHINE, clock, equation, slots, numbers, watched)

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield speed, air-gap torque and frequency."""
        yield from super().channels(prefix)
        yield Channel(f"{prefix}frequency", "Hz", (("state", self.frame_slot, 1.0 / _TURN),))

    def current(self, state: Floats) -> float:
        """Return the amplitude of its current [A]."""
        slots = (*(ref.index for ref in self.ports.fluxes), *self.terminals)
        values = (0.0, 0.0, 0.0, *(float(state[slot]) for slot in slots))
        return math.hypot(*_currents(values, self.parameters.circuit()))

    def thermal(self) -> Thermal:
        """Return the current over time that the inverter allows."""
        return Thermal(budgets=self.overloads(_C.most_current))

    def too_weak(self, torque: float, speed: float) -> Violation | None:
        """Return the torque at which it pulls out, where that is too little."""
        machine, control = self.parameters, self.parameters.control
        frequency = machine.pole_pairs * speed
        if isinstance(control, FieldOriented):
            voltage = self.most_voltage
        else:
            frequency = _TURN * abs(control.frequency)
            slope = (control.rated_voltage - control.boost) / (_TURN * control.rated_frequency)
            voltage = min(control.boost + slope * frequency, control.rated_voltage, self.most_voltage)
        if frequency == 0.0:
            return None
        made = pull_out_torque(machine.circuit(), machine.pole_pairs, voltage, frequency, -1.0)
        if made >= torque:
            return None
        limit = f"pull-out torque of {self.name} at {frequency / _TURN:.5g} Hz and {voltage:.5g} V"
        return Violation(limit, torque, made, "N m", "choose a lower torque with `torque`")
