"""The real limits at a steady state that was found on the smooth bench, where they are switched off."""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.carried import Known
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.limits import Violation
from shaftloop.errors import SimulationError

__all__ = ["OpenFlanks", "at_voltage_limit", "held_state", "pressed", "violations", "violations_ahead"]

Array = NDArray[np.float64]

_RPM = 30.0 / math.pi
_SLACK = 1e-9


class OpenFlanks(SimulationError):
    """Nothing presses the flanks of a backlash at an operating point."""


def held_state(bench: HyperMap, point: OperatingPoint, start: Known | None = None) -> Array:
    """Return the steady state at a point that the real bench can hold, shape (slots,).

    Parameters
    ----------
    start : mapping, optional
        What is known of a similar bench or point.

    Where a machine is held at its voltage limit, the bench keeps that limit until the next call.

    Raises
    ------
    SimulationError
        Where a limit prevents the point, naming it, or where there is no steady state.
    """
    _refuse(point, violations_ahead(bench.bench, point))
    bench.limit_voltages(False)
    try:
        state = bench.steady(point, start=start)
    except SimulationError:
        main = bench.bench.main_sensor()
        torque = abs(point.torque) * (bench.bench.line.pace(main.name) if main else 1.0)
        weak = [
            machine.too_weak(torque / machine.node.pace, abs(point.speed) * machine.node.pace)
            for machine in bench.bench.machines.values()
        ]
        _refuse(point, [found for found in weak if found is not None])
        raise
    _refuse_play(bench.bench, point, state)
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
        for entry in machine.loads(after)
        if entry.unit == "V" and entry.value > entry.allowed * (1.0 - _SLACK)
    ]


def violations_ahead(bench: Bench, point: OperatingPoint) -> list[Violation]:
    """Return the limits that the set-points alone exceed."""
    found = []
    lower = "choose a lower speed with `speed`"
    for name, machine in bench.machines.items():
        speed = abs(point.speed) * machine.node.pace
        if speed > machine.parameters.max_speed * (1.0 + _SLACK):
            most = _RPM * machine.parameters.max_speed
            found.append(Violation(f"largest speed of {name}", _RPM * speed, most, "rpm", lower))
    for name, loop in bench.loops.items():
        most, speed = loop.parameters.limit_speed or math.inf, abs(point.speed) * bench.line.pace(loop.source)
        if speed > most * (1.0 + _SLACK):
            found.append(Violation(f"speed limiter {name}", _RPM * speed, _RPM * most, "rpm", lower))
    main = bench.main_sensor()
    for limit in bench.description.limit:
        if limit.above is None or limit.quantity not in ("reading", "true_torque", "speed"):
            continue
        speed = abs(point.speed) * bench.line.pace(limit.watches)
        if bench.description.limit_unit(limit) == "rad/s" and speed > limit.above:
            asked, most = _RPM * speed, _RPM * limit.above
            found.append(Violation(f"interlock {limit.name}", asked, most, "rpm", lower))
        elif main and limit.watches == main.parameters.name and abs(point.torque) > limit.above:
            advice = "choose a lower torque with `torque`"
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
    parts = bench.bench.parts
    asked = [*bench.bench.sensors, *(name for name in parts if name not in bench.bench.sensors)]
    found = list(_controllers(bench.bench, after))
    for name in asked:
        found += parts[name].loads(after)
    return [entry for entry in found if entry.value > entry.allowed * (1.0 + _SLACK)]


def _refuse_play(bench: Bench, point: OperatingPoint, state: Array) -> None:
    """Refuse a point at which flanks touch nowhere: nothing couples what is left and right of them."""
    main = bench.main_sensor()
    least = _SLACK * (main.parameters.rated if main else 1.0)
    for part, torque in pressed(bench, state).items():
        if abs(torque) < least:
            raise OpenFlanks(
                f"the flanks of {part} touch nowhere at {point}: small motions of one side say "
                "nothing of the other",
                "choose a torque that closes the backlash, or leave it out: "
                f"`settings` 'line.{part}.backlash=0 rad'",
            )


def pressed(bench: Bench, state: Array) -> dict[str, float]:
    """Return the torque that presses the flanks of every part with a backlash, by its name [N m].

    Parameters
    ----------
    state : ndarray, shape (slots,)
        Of the bench.
    """
    return {
        edge.part: float(edge.stiffness * (state[edge.twist.index] - state[edge.laid.taken.index]))
        for edge in bench.line.edges
        if edge.law is not None and edge.law.free() and edge.laid is not None
    }


def _refuse(point: OperatingPoint, found: list[Violation]) -> None:
    if found:
        advice = "\n".join(dict.fromkeys(entry.advice for entry in found))
        raise SimulationError(
            f"the bench cannot hold {point}; " + "; ".join(str(entry) for entry in found), advice
        )


def _controllers(bench: Bench, state: Array) -> Iterator[Violation]:
    for name, loop in bench.loops.items():
        if loop.break_slot >= 0:
            advice = f"raise loop.{name}.clamp or choose a lower torque with `torque`"
            output = abs(float(state[loop.break_slot]))
            yield Violation(
                f"clamp of loop {name}", output, loop.parameters.clamp, loop.parameters.unit, advice
            )
