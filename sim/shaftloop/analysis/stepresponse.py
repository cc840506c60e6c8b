"""A small step of a loop's set-point on the smooth bench: what the controller reads, and what is true."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.bench.handles import LoopHandle

__all__ = ["StepResponse", "small_step", "step_response", "true_quantity"]

Array = NDArray[np.float64]
_N = TypeVar("_N", np.float64, np.complex128)

_SMALL = 1e-3
"""Size of the step, relative to rated torque or largest speed."""
_ORDINARY = 2.0
"""Time that is looked at first. [s]"""
_MOST_SAMPLES = 8000
_MOST_INSTANTS = 5_000_000
_FADED = 8.0
"""Time constants of the slowest motion after which nothing more is to come."""
_BAND = 0.02
_SHOWN = 1.5
"""Shown time over settling time."""
_GROWTH = 1e3
"""What an unstable bench may grow to."""


@dataclass(frozen=True)
class StepResponse:
    """Changes over the size of the step: 1 is where a loop with an integrator ends."""

    loop: str
    quantity: str
    """``torque`` or ``speed``."""
    size: float
    """[N m] or [rad/s]"""
    time: Array
    """Since the step, shape (n,). [s]"""
    reading: Array
    """What the controller has received, shape (n,). [1]"""
    true: Array
    """True torque or speed, shape (n,). [1]"""
    settling_time: float | None
    """Last exit of the true quantity from ±2 % of the step; None where it has not settled. [s]"""
    overshoot: float | None
    """Of the true quantity, in percent of the step; None where it has not settled."""


def step_response(
    bench: HyperMap,
    loop: LoopHandle,
    point: OperatingPoint,
    state: Array,
    radius: float,
    size: float | None = None,
) -> StepResponse:
    """Return the response to a small step of the set-point, by running the smooth bench.

    Parameters
    ----------
    loop : LoopHandle
        A loop of it that is no limiter.
    point : OperatingPoint
        Set-points before the step.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    radius : float
        Largest eigenvalue of the bench; an unstable one is run for a short time only.
    size : float, optional
        A thousandth of rated torque, largest speed or kept voltage where not given. [N m], [rad/s] or [rad]
    """
    name = loop.parameters.name
    step = small_step(bench, loop) if size is None else size
    setpoints = {**point.setpoints, name: point.setpoints[name] + step}
    for stops in _lengths(bench, loop, radius):
        try:
            bench.hold(replace(point, setpoints=setpoints))
            states = np.vstack([state, bench.walk(state, stops)])
        finally:
            bench.hold(point)
        reading, true = states[:, loop.reading_slot], true_quantity(bench, loop, states)
        reading, true = ((values - values[0]) / step for values in (reading, true))
        if _last_outside(true) < len(true) // 2:
            break
    time = np.concatenate([[0.0], stops / bench.run.clock.ticks_per_second])
    return _trimmed(name, loop.quantity, step, time, reading, true)


def small_step(bench: HyperMap, loop: LoopHandle) -> float:
    """Return a small change of the set-point of a loop [N m] or [rad/s]."""
    if loop.quantity == "torque":
        return _SMALL * bench.bench.sensors[loop.source].parameters.rated
    if loop.quantity == "position":
        return _SMALL
    if loop.quantity == "voltage":
        return _SMALL * bench.bench.description.supply.nominal()
    return _SMALL * bench.bench.machines[loop.parameters.acts_on].parameters.max_speed


def _lengths(bench: HyperMap, loop: LoopHandle, radius: float) -> Iterator[NDArray[np.int64]]:
    """Yield ticks of the loop at which to look, each time twice as far, until all has faded [tick]."""
    period = bench.run.clock.ticks(1 / loop.parameters.rate)
    per_second = bench.run.clock.ticks_per_second / period
    fading = math.inf if radius == 1.0 else bench.hyperperiod / abs(math.log(max(radius, 1e-300)))
    ordinary = int(_ORDINARY * per_second)
    if radius > 1.0:
        last = min(ordinary, int(math.log(_GROWTH) * fading * per_second), _MOST_SAMPLES)
    else:
        instants = len(bench.run.tables.calendar.ticks) * (period / bench.ticks)
        last = int(min(_FADED * fading * per_second, _MOST_INSTANTS / instants))
    count = max(min(ordinary, _MOST_SAMPLES), 50)
    while True:
        stride = -(-count // _MOST_SAMPLES)
        yield period * np.arange(stride, count + 1, stride)
        if count >= last:
            return
        count = min(2 * count, last)


def _last_outside(true: Array) -> int:
    """Return the last sample outside the band round the set-point."""
    outside = np.flatnonzero(np.abs(true - 1.0) > _BAND)
    return int(outside[-1]) if len(outside) else 0


def true_quantity(bench: HyperMap, loop: LoopHandle, states: NDArray[_N]) -> NDArray[_N]:
    """Return what a loop controls, as it is and not as it is read, shape (states,), in its unit.

    Parameters
    ----------
    states : ndarray, shape (states, slots)
        From `HyperMap.walk`, or changes of them.
    """
    plant = bench.bench.model.plant
    if loop.quantity == "torque":
        row = plant.c[plant.rows[bench.bench.sensors[loop.source].true_torque]]
        return np.asarray(states[:, : len(row)] @ row)
    if loop.quantity == "voltage":
        return np.asarray(states[:, bench.bench.link.voltage_slot])
    if loop.quantity == "position":
        # What the encoder counts is the angle of its body, late by its latency.
        return np.asarray(states[:, loop.reading_slot])
    if loop.source in bench.bench.machines:
        return np.asarray(states[:, bench.bench.machines[loop.source].node.speed.index])
    line = bench.bench.line
    return np.asarray(states[:, line.nodes[line.places[loop.source].body].speed.index])


def _trimmed(loop: str, quantity: str, size: float, time: Array, reading: Array, true: Array) -> StepResponse:
    """Return the response up to a while after it has settled, if it has."""
    last = _last_outside(true)
    settled = last < 0.98 * (len(time) - 1)
    end = min(len(time), int(_SHOWN * last) + 20) if settled else len(time)
    return StepResponse(
        loop,
        quantity,
        size,
        time[:end],
        reading[:end],
        true[:end],
        float(time[last + 1]) if settled else None,
        100.0 * max(float(np.max(true)) - 1.0, 0.0) if settled else None,
    )
