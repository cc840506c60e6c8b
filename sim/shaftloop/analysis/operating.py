"""The operating point: which steady speed and torque an analysis looks at."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import fmean

from shaftloop.bench.handles import Bench
from shaftloop.errors import SimulationError
from shaftloop.scenario import description as stated
from shaftloop_models.bodies import lay_out

__all__ = ["OperatingPoint", "operating_point", "rest_note", "setpoint_ranges"]

_SLIDES = 3.0
"""Speed over the smoothing speed of a drag from which its smooth form is the dry one within 0.5 %."""


@dataclass(frozen=True)
class OperatingPoint:
    """Constant set-points of all loops."""

    setpoints: dict[str, float]
    """By loop; of positions 0, which counts from where they are to be. [N m], [rad/s] or [rad]"""
    speed: float
    """Speed of the leftmost body; gears make other shafts faster or slower. [rad/s]"""
    torque: float
    """Torque at the main sensor. [N m]"""

    def __str__(self) -> str:
        """Return speed and torque, for people."""
        return f"{self.speed * 30.0 / math.pi:.6g} rpm and {self.torque:.6g} N m"


def operating_point(bench: Bench, speed: float | None = None, torque: float | None = None) -> OperatingPoint:
    """Return the operating point: the hold with the highest torque of the sequence, or as stated.

    Parameters
    ----------
    speed : float, optional
        Of the leftmost body, in place of the sequence's. [rad/s]
    torque : float, optional
        In place of the sequence's. [N m]

    Raises
    ------
    SimulationError
        Where a speed or torque is stated that no loop holds, or a speed of a line with a fixed end.
    """
    speed_loop, torque_loop = bench.speed_loop(), bench.torque_loop()
    if speed and bench.line.held:
        raise SimulationError(
            f"{bench.line.held} holds the line, so it does not turn", "leave `speed` out, or the fixed end"
        )
    if torque is not None and torque_loop is None:
        raise SimulationError("no loop controls a torque, so `torque` has no meaning", "leave `torque` out")
    best = _highest(bench, torque_loop.parameters.name if torque_loop else None)
    best |= {name: 0.0 for name, loop in bench.loops.items() if loop.quantity == "position"}
    if speed is not None and speed_loop is not None:
        _turn(bench, best, speed)
    if torque is not None and torque_loop is not None:
        best[torque_loop.parameters.name] = torque
    if speed_loop is None:
        own = [
            kept / machine.node.pace
            for machine in bench.machines.values()
            if (kept := machine.own_speed()) is not None
        ]
        held_speed = next(iter(own), 0.0) if speed is None else speed
    else:
        held_speed = fmean(best.get(name, 0.0) / pace for name, pace in _paces(bench).items())
    held_torque = best.get(torque_loop.parameters.name, 0.0) if torque_loop else 0.0
    return OperatingPoint(best, held_speed, held_torque)


def _paces(bench: Bench) -> dict[str, float]:
    """Return the pace of what the speed loops read that keep a line at its speed, by their names."""
    return {
        name: bench.line.pace(loop.source)
        for name, loop in bench.loops.items()
        if loop.quantity == "speed" and not loop.parameters.limiter_of
    }


def _turn(bench: Bench, setpoints: dict[str, float], speed: float) -> None:
    """Let the leftmost body turn at a speed [rad/s]; outputs of a differential keep their ratio."""
    paces = _paces(bench)
    now = fmean(setpoints.get(name, 0.0) / pace for name, pace in paces.items())
    for name, pace in paces.items():
        setpoints[name] = setpoints.get(name, 0.0) * speed / now if now else speed * pace


def rest_note(description: stated.Description, speeds: Iterable[float]) -> str:
    """Return what a linear analysis near standstill assumes of friction that sticks; empty where none does.

    Parameters
    ----------
    description : Description
        The bench.
    speeds : iterable of float
        That are looked at. [rad/s]
    """
    slowest = min(map(abs, speeds), default=math.inf)
    drags = [pair for body in lay_out(description.line).bodies for pair in body.drags]
    slow = [
        (drag.coulomb / drag.smoothing, label)
        for drag, label in drags
        if drag.breakaway is not None and slowest < _SLIDES * drag.smoothing
    ]
    if not slow:
        return ""
    listed = ", ".join(f"{damping:.3g} N m s/rad of {label}" for damping, label in slow)
    return (
        "near standstill friction that sticks in a run counts as smooth here: as viscous drag of up to "
        f"{listed}; a line that stands while it sticks does not move at all, which simulate shows"
    )


def setpoint_ranges(bench: Bench) -> dict[str, tuple[float, float]]:
    """Return the lowest and the highest set-point of every loop in the sequence, 0 included."""
    ranges = {name: (0.0, 0.0) for name, loop in bench.loops.items() if loop.setpoint_slot >= 0}
    for step in _moves(bench):
        levels = (*ranges[step.loop], *_levels(step))
        ranges[step.loop] = (min(levels), max(levels))
    return ranges


def _highest(bench: Bench, torque_loop: str | None) -> dict[str, float]:
    """Return the set-points in effect when the torque set-point is largest."""
    now = {name: 0.0 for name, loop in bench.loops.items() if loop.setpoint_slot >= 0}
    best = dict(now)
    for step in _moves(bench):
        now[step.loop] = max(_levels(step), key=abs)
        if torque_loop is None or abs(now[torque_loop]) >= abs(best[torque_loop]):
            best = dict(now)
    return best


def _moves(bench: Bench) -> Iterator[stated.Move]:
    """Yield the steps that move a set-point, as long as a machine follows it."""
    for step in bench.description.sequence:
        if isinstance(step, stated.Trip | stated.EmergencyStop | stated.End):
            return
        if isinstance(step, stated.Move):
            yield step


def _levels(step: stated.Move) -> list[float]:
    """Return the set-points between which a step of the sequence moves."""
    if isinstance(step, stated.Step | stated.Ramp):
        return [step.to]
    if isinstance(step, stated.PeriodicStep):
        return [step.low, step.high]
    if isinstance(step, stated.Sine):
        return [step.mean - step.amplitude, step.mean + step.amplitude]
    return [min(step.values), max(step.values)]
