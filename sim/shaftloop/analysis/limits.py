"""The real limits at a steady state that was found on the smooth bench, where they are switched off."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.bench.handles import Bench
from shaftloop.errors import SimulationError
from shaftloop_models.pm_machine import PmMachine, current_reference
from shaftloop_models.servo_machine import ServoMachine, rated_power
from shaftloop_models.supply import voltage_limit

__all__ = ["Violation", "at_voltage_limit", "held_state", "violations", "violations_ahead"]

Array = NDArray[np.float64]

_RPM = 30.0 / math.pi
_SLACK = 1e-9
_SHORT = 1e-3
"""Share of the torque that a machine must lack before it counts as too weak."""


@dataclass(frozen=True)
class Violation:
    """A limit that prevents an operating point."""

    limit: str
    """Which, in words."""
    value: float
    """What the point needs. [unit]"""
    allowed: float
    """[unit]"""
    unit: str
    advice: str
    """What to do."""

    def __str__(self) -> str:
        """Return the limit with value and unit."""
        return f"{self.limit}: needs {self.value:.5g} {self.unit}, allowed {self.allowed:.5g} {self.unit}"


def held_state(bench: HyperMap, point: OperatingPoint) -> Array:
    """Return the steady state at a point that the real bench can hold, shape (slots,).

    Parameters
    ----------
    bench : HyperMap
        The smooth bench.
    point : OperatingPoint
        Constant set-points.

    Where a machine is held at its voltage limit, the bench keeps that limit until the next call.

    Raises
    ------
    SimulationError
        Where a limit prevents the point, naming it, or where there is no steady state.
    """
    _refuse(point, violations_ahead(bench.bench, point))
    bench.limit_voltages(False)
    try:
        state = bench.steady(point)
    except SimulationError:
        _refuse(point, _weak_machines(bench.bench, point))
        raise
    found = violations(bench, state)
    if any(entry.unit == "V" for entry in found):
        state = _at_voltage_limit(bench, point, state, found)
        found = violations(bench, state)
    _refuse(point, found)
    return state


def _at_voltage_limit(bench: HyperMap, point: OperatingPoint, state: Array, found: list[Violation]) -> Array:
    """Return the state that the bench settles in where current control runs into the voltage limit.

    It does where the reserve is smaller than the drop at the resistance; then the loops ask for more until
    the set-points are met all the same. The limit stays in force.
    """
    bench.limit_voltages(True)
    try:
        return bench.steady(point, state)
    except SimulationError:
        bench.limit_voltages(False)
        _refuse(point, found)
        raise


def at_voltage_limit(bench: HyperMap, state: Array) -> list[str]:
    """Return the machines that a steady state holds at their voltage limit.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench, its set-points held.
    state : ndarray, shape (slots,)
        From `held_state`.
    """
    after = bench.walk(state, np.array([bench.ticks]))[0]
    return [
        name
        for name, machine in bench.bench.machines.items()
        if isinstance(machine.parameters, PmMachine)
        for entry in _pm_machine(bench.bench, name, machine.parameters, after)
        if entry.unit == "V" and entry.value > entry.allowed * (1.0 - _SLACK)
    ]


def violations_ahead(bench: Bench, point: OperatingPoint) -> list[Violation]:
    """Return the limits that the set-points alone exceed.

    Parameters
    ----------
    bench : Bench
        The bench.
    point : OperatingPoint
        Constant set-points.
    """
    found, speed = [], abs(point.speed)
    lower = "choose a lower speed with --speed"
    for name, machine in bench.machines.items():
        if speed > machine.parameters.max_speed * (1.0 + _SLACK):
            most = _RPM * machine.parameters.max_speed
            found.append(Violation(f"largest speed of {name}", _RPM * speed, most, "rpm", lower))
    for name, loop in bench.loops.items():
        most = loop.parameters.limit_speed or math.inf
        if speed > most * (1.0 + _SLACK):
            found.append(Violation(f"speed limiter {name}", _RPM * speed, _RPM * most, "rpm", lower))
    main = bench.main_sensor()
    for limit in bench.description.limit:
        if main and limit.watches == main.parameters.name and abs(point.torque) > limit.above:
            advice = "choose a lower torque with --torque"
            found.append(Violation(f"interlock {limit.name}", abs(point.torque), limit.above, "N m", advice))
    return found


def violations(bench: HyperMap, state: Array) -> list[Violation]:
    """Return the limits that a steady state of the smooth bench exceeds.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench, its set-points held.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    after = bench.walk(state, np.array([bench.ticks]))[0]
    found = [*_controllers(bench.bench, after), *_sensors(bench.bench, after)]
    for name, machine in bench.bench.machines.items():
        if isinstance(machine.parameters, PmMachine):
            found += _pm_machine(bench.bench, name, machine.parameters, after)
        else:
            command, speed = after[machine.command_slot], after[machine.node.speed.index]
            found += _servo(machine.parameters, abs(float(command)), abs(float(speed)))
    return [entry for entry in found if entry.value > entry.allowed * (1.0 + _SLACK)]


def _refuse(point: OperatingPoint, found: list[Violation]) -> None:
    if found:
        where = f"{point.speed * _RPM:.6g} rpm and {point.torque:.6g} N m"
        advice = "\n".join(dict.fromkeys(entry.advice for entry in found))
        raise SimulationError(
            f"the bench cannot hold {where}; " + "; ".join(str(entry) for entry in found), advice
        )


def _controllers(bench: Bench, state: Array) -> Iterator[Violation]:
    for name, loop in bench.loops.items():
        if loop.break_slot >= 0:
            advice = f"raise loop.{name}.clamp or choose a lower torque with --torque"
            output = abs(float(state[loop.break_slot]))
            yield Violation(f"clamp of loop {name}", output, loop.parameters.clamp, "N m", advice)


def _sensors(bench: Bench, state: Array) -> Iterator[Violation]:
    for name, sensor in bench.sensors.items():
        reading, most = abs(float(state[sensor.reading_slot])), sensor.parameters.range
        if most is not None:
            advice = f"raise line.{name}.range or choose a lower torque with --torque"
            yield Violation(f"range of sensor {name}", reading, most, "N m", advice)


def _pm_machine(bench: Bench, name: str, machine: PmMachine, state: Array) -> Iterator[Violation]:
    number = bench.model.layout.number
    current, voltage = (
        math.hypot(state[number(f"{name}.{what}_d")], state[number(f"{name}.{what}_q")])
        for what in ("current", "voltage")
    )
    advice = "choose a lower torque with --torque"
    yield Violation(f"current limit of {name}", current, machine.current_limit, "A", advice)
    most = voltage_limit(bench.description.supply.voltage, machine.current_control.modulation)
    advice = "choose a lower speed with --speed or raise supply.voltage"
    if not machine.current_control.field_weakening:
        advice += f", or switch line.{name}.current_control.field_weakening on"
    yield Violation(f"voltage limit of {name}", voltage, most, "V", advice)


def _servo(machine: ServoMachine, torque: float, speed: float) -> Iterator[Violation]:
    advice = "choose a lower torque with --torque"
    yield Violation(f"largest torque of {machine.name}", torque, machine.max_torque, "N m", advice)
    power = rated_power(machine)
    if speed > 0.0:
        limit = f"largest power of {machine.name} at {_RPM * speed:.5g} rpm"
        yield Violation(limit, torque * speed, power, "W", advice + " or a lower speed with --speed")


def _weak_machines(bench: Bench, point: OperatingPoint) -> list[Violation]:
    """Return the machines whose field weakening cannot make the torque of a point."""
    found, torque = [], abs(point.torque)
    for name, handle in bench.machines.items():
        machine = handle.parameters
        if not isinstance(machine, PmMachine) or not machine.current_control.field_weakening:
            continue
        control = machine.current_control
        volts = voltage_limit(bench.description.supply.voltage, control.modulation)
        current_d, current_q = current_reference(
            torque,
            abs(point.speed),
            float(machine.pole_pairs),
            machine.flux_linkage,
            machine.inductance_d,
            machine.inductance_q,
            machine.current_limit,
            (1.0 - control.voltage_reserve) * volts,
            control.strategy == "mtpa",
        )
        made = machine.torque_constant() * current_q + machine.reluctance() * current_d * current_q
        if made < torque * (1.0 - _SHORT):
            limit = f"torque of {name} inside {machine.current_limit:.5g} A and {volts:.5g} V"
            advice = "choose a lower torque with --torque or a lower speed with --speed"
            found.append(Violation(limit, torque, made, "N m", advice))
    return found
