"""The true torque over the angle of its shaft: what of it repeats turn by turn.

Judged over the stretch with the most turns in which no set-point moves and the shaft turns one way: the later
half of its whole periods, at most 64. A period is the smallest number of turns that all orders of the shaft
share. In every period the torque is read at as many evenly spaced angles as there are records, straight
between two of them, and averaged at each over the periods. With r records a turn an order n is shown smaller
by ``(π·n/r)²/3``, 3 % at a tenth of r.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import pi

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.angle import shared_turns
from shaftloop.bench.handles import Bench
from shaftloop.engine.events import OFF
from shaftloop.figures import Figure

__all__ = ["OverAngle", "angle_channel", "angle_figures", "known_figures", "over_angle"]

Array = NDArray[np.float64]

_MOST_PERIODS = 64
_FEWEST_BINS, _MOST_BINS = 24, 720
"""Angles a turn."""


@dataclass(frozen=True)
class OverAngle:
    """The true torque over an angle."""

    sensor: str
    turns: int
    """Of a period."""
    periods: int
    """That were averaged."""
    speed: float
    """Mean over these periods. [rad/s]"""
    angle: Array
    """At which the torque was read, shape (angles,), from 0 to 2π·turns. [rad]"""
    mean: Array
    """Of the true torque, shape (angles,). [N m]"""
    reading: Array
    """Mean of the reading, shape (angles,). [N m]"""
    lowest: Array
    """Lowest true torque of the periods, shape (angles,). [N m]"""
    highest: Array
    """Highest true torque of the periods, shape (angles,). [N m]"""
    share: float | None
    """Of the variance of the true torque, what repeats period by period; None of a single one. [1]"""

    @property
    def swing(self) -> float:
        """Return the mean torque over the angle, peak to peak [N m]."""
        return float(np.ptp(self.mean))


def angle_channel(bench: Bench) -> str | None:
    """Return the channel of the angle at the main torque sensor, nothing where its shaft has no angle."""
    sensor = bench.main_sensor()
    if sensor is None or not shared_turns(bench.description, bench.line, sensor.name):
        return None
    return f"{sensor.name}_angle"


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the figures of a bench with such an angle, not looked for yet."""
    if angle_channel(bench) is not None:
        yield Figure(
            "torque_over_angle",
            "N m",
            "true torque over the angle of its shaft, peak to peak, averaged over the whole turns of the "
            "longest stretch in which the set-points rest",
            better="lower",
        )
        yield Figure(
            "torque_over_angle_share",
            "1",
            "share of the variance of the true torque that repeats with that angle",
        )


def angle_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield the figures of the torque over the angle."""
    figures = list(known_figures(simulation.bench))
    if not figures:
        return
    found = over_angle(simulation)
    for figure in figures:
        if isinstance(found, str):
            yield figure.absent(found)
        elif figure.unit != "1":
            yield figure.found(found.swing)
        elif found.share is None:
            yield figure.absent("only one period: nothing shows what repeats")
        else:
            yield figure.found(found.share)


def over_angle(simulation: Simulation) -> OverAngle | str:
    """Return the true torque over the angle, or in words why there is none."""
    bench, channel = simulation.bench, angle_channel(simulation.bench)
    sensor = bench.main_sensor()
    if channel is None or sensor is None:
        return "no part of the sensor's shaft depends on its angle"
    turns = shared_turns(bench.description, bench.line, sensor.name)
    period = 2.0 * pi * turns
    angle = np.unwrap(simulation.traces[channel], period=period) / period
    first, end = max(_resting(simulation, angle), key=lambda part: abs(angle[part[1]] - angle[part[0]]))
    there = int(abs(angle[end] - angle[first]))
    if there < 1:
        return f"less than {turns} turn{'s' if turns > 1 else ''} one way while the set-points rest"
    periods = min((there + 1) // 2, _MOST_PERIODS)
    way = 1.0 if angle[end] > angle[first] else -1.0
    turned = way * (angle[first : end + 1] - angle[end])
    count = min(int(np.count_nonzero(turned > -periods)) // periods, _MOST_BINS * turns)
    if count < _FEWEST_BINS * turns:
        return (
            f"{count} records in {turns} turn{'s' if turns > 1 else ''} are too few; needed: "
            f"{_FEWEST_BINS * turns}; raise record.rate"
        )
    bins = (np.arange(count) + 0.5) / count
    # Where the bins lie in every period, from the end of the stretch back.
    at = np.mod(way * (bins - np.mod(angle[end], 1.0)), 1.0) - 1.0 - np.arange(periods)[:, None]
    time = simulation.time[first : end + 1]
    true, reading = (
        np.interp(at, turned, simulation.traces[name][first : end + 1]) for name in ("true_torque", "reading")
    )
    mean = true.mean(axis=0)
    return OverAngle(
        sensor.name,
        turns,
        periods,
        way * periods * period / float(time[-1] - np.interp(-periods, turned, time)),
        period * bins,
        mean,
        reading.mean(axis=0),
        true.min(axis=0),
        true.max(axis=0),
        _repeating(true),
    )


def _repeating(periods: Array) -> float | None:
    """Return the share of the variance that periods have in common, less what chance leaves in their mean."""
    count = len(periods)
    if count < 2:
        return None
    chance = float(periods.var(axis=0, ddof=1).mean())
    common = max(float(periods.mean(axis=0).var()) - chance / count, 0.0)
    return common / (common + chance) if common else 0.0


def _resting(simulation: Simulation, angle: Array) -> Iterator[tuple[int, int]]:
    """Yield first and last record of stretches in which set-points rest and the shaft turns one way."""
    off = min((event.time for event in simulation.events if event.kind in OFF), default=np.inf)
    end = int(np.searchsorted(simulation.time, off))
    way = np.sign(np.diff(angle[:end]))
    for name in simulation.bench.loops:
        setpoint = simulation.traces.get(f"{name}_setpoint")
        if setpoint is not None:
            way[np.diff(setpoint[:end]) != 0.0] = 0.0
    edges = np.flatnonzero(np.diff(way, prepend=0.0, append=0.0))
    yield 0, 0
    for first, last in pairwise(edges.tolist()):
        if way[first]:
            yield first, last
