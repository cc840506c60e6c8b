"""Uncertainty of the efficiency over speed and torque, and where losses become the better way."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.efficiency import bench_budget
from shaftloop.analysis.efficiency_points import BenchPoint, MeasuredBench, bench_point
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.uncertainty import Uncertainty

__all__ = ["EfficiencyMap", "efficiency_map"]

Array = NDArray[np.float64]

_LOWEST = 0.08
"""Least speed and torque over the largest: below, the efficiency of any machine goes to nothing."""


@dataclass(frozen=True)
class EfficiencyMap:
    """Efficiency and its expanded uncertainty over the operating range; NaN where there is none."""

    speed: Array
    """Shape (speeds,). [rad/s]"""
    torque: Array
    """Shape (torques,). [N m]"""
    efficiency: Array
    """Shape (torques, speeds). [1]"""
    direct: Array
    """Expanded, by input and output, shape (torques, speeds). [1]"""
    from_losses: Array
    """Expanded, from losses, shape (torques, speeds). [1]"""
    coverage: float
    """Probability. [1]"""


def efficiency_map(
    measured: MeasuredBench,
    points: tuple[BenchPoint, ...],
    plan: Uncertainty,
    count: tuple[int, int] = (12, 10),
) -> EfficiencyMap:
    """Return the map of a bench up to the largest speed of its unit and the rated torque of its sensor.

    Parameters
    ----------
    points : tuple of BenchPoint
        Operating points; the sign of the first torque chooses between motoring and generating.
    count : tuple of int
        Numbers of speeds and torques.
    """
    bench = measured.bench.bench
    fastest = bench.fastest() * bench.line.pace(measured.sensor.name)
    strongest = min([measured.sensor.rated, *_ratings(measured)])
    sign = -1.0 if points and points[0].torque < 0.0 else 1.0
    speed = fastest * np.linspace(_LOWEST, 1.0, count[0])
    torque = strongest * np.linspace(_LOWEST, 1.0, count[1])
    shape = (len(torque), len(speed))
    efficiency, direct, losses = (np.full(shape, np.nan) for _ in range(3))
    for i, level in enumerate(torque):
        for j, pace in enumerate(speed):
            try:
                point = bench_point(measured, float(pace), sign * float(level))
                found = bench_budget(measured, point, plan).propagation
            except (ScenarioError, SimulationError):
                # Outside the envelope of the bench: a blank in the map.
                continue
            for budget in found.budgets:
                if budget.name == "efficiency":
                    efficiency[i, j], direct[i, j] = budget.value, budget.expanded
                elif budget.name == "efficiency_from_losses":
                    losses[i, j] = budget.expanded
    return EfficiencyMap(speed, sign * torque, efficiency, direct, losses, plan.coverage)


def _ratings(measured: MeasuredBench) -> list[float]:
    """Return the largest torques that loops and interlocks let pass."""
    clamps = [loop.clamp for loop in measured.description.loop if loop.limiter_of is None]
    return clamps + [
        limit.above
        for limit in measured.description.limit
        if limit.watches == measured.sensor.name
        and limit.above is not None
        and limit.quantity in ("reading", "true_torque")
    ]
