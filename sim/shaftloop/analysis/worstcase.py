"""Margins at the operating point and over the operating range; free-running clocks at their worst phases."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.freerunning import phase_variants
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.operating import OperatingPoint, operating_point, setpoint_ranges
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["LoopAnalysis", "MapPoint", "Worst", "analyse_loops", "operating_map", "worst_cases"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LoopAnalysis:
    """A loop at an operating point, with the bench that it was found on."""

    description: Description
    """With the phases of free-running clocks that are worst for this loop."""
    bench: HyperMap
    state: Array
    """Steady state, shape (slots,)."""
    margins: Margins
    phases: dict[str, Fraction]
    """Phases of the free-running clocks; empty where there are none. [s]"""


@dataclass(frozen=True)
class MapPoint:
    """One point of the operating range."""

    speed: float
    """[rad/s]"""
    torque: float
    """[N m]"""
    margins: dict[str, Margins]
    """By loop; empty where the bench cannot hold the point."""
    reason: str
    """Why not; empty where it can."""


@dataclass(frozen=True)
class Worst:
    """The worst of a figure over the operating range."""

    figure: str
    """``ms``, ``gain_margin`` or ``phase_margin``."""
    value: float | None
    """Nothing where no point has one."""
    point: MapPoint | None


def analyse_loops(
    description: Description, loops: Sequence[str], speed: float | None = None, torque: float | None = None
) -> dict[str, LoopAnalysis]:
    """Return the loops at an operating point; free-running clocks at the phases worst for each.

    Parameters
    ----------
    description : Description
        The bench.
    loops : sequence of str
        Names of loops that are no limiters.
    speed, torque : float, optional
        As in `operating_point`. [rad/s], [N m]

    Raises
    ------
    SimulationError
        Where the bench has no such steady state.
    """
    found: dict[str, LoopAnalysis] = {}
    for phases, variant in phase_variants(description):
        bench = HyperMap(variant)
        point = operating_point(bench.bench, speed, torque)
        state = held_state(bench, point)
        for name in loops:
            margins = loop_margins(bench, bench.bench.loops[name], point, state)
            if name not in found or _badness(margins) > _badness(found[name].margins):
                found[name] = LoopAnalysis(variant, bench, state, margins, phases)
    return found


def operating_map(bench: HyperMap, loops: Sequence[str], count: int = 5) -> tuple[MapPoint, ...]:
    """Return the margins on a grid over the operating range of the sequence.

    Speeds run over the set-points used, from standstill on; torques over both signs of the largest.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench.
    loops : sequence of str
        Names of loops that are no limiters.
    count : int
        Points per axis.
    """
    ranges, main = setpoint_ranges(bench.bench), bench.bench.torque_loop()
    turning = bench.bench.speed_loop()
    low, high = ranges[turning.parameters.name] if turning else (0.0, 0.0)
    most = max(map(abs, ranges[main.parameters.name])) if main else 0.0
    speeds = np.unique(np.linspace(min(low, 0.0), max(high, 0.0), count))
    torques = np.unique(np.linspace(-most, most, count))
    return tuple(
        _map_point(bench, loops, float(speed) if turning else None, float(torque) if main else None)
        for speed in speeds
        for torque in torques
    )


def worst_cases(points: Sequence[MapPoint], loop: str) -> tuple[Worst, ...]:
    """Return the worst Ms, gain margin and phase margin of a loop over the map.

    Points at which the bench is unstable are worst of all, whatever their figures.

    Parameters
    ----------
    points : sequence of MapPoint
        From `operating_map`.
    loop : str
        Its name.
    """
    held = [point for point in points if loop in point.margins]
    unstable = [point for point in held if not point.margins[loop].stable]
    keys: dict[str, Callable[[Margins], float | None]] = {
        "ms": lambda m: m.ms,
        "gain_margin": lambda m: m.gain_margin,
        "phase_margin": lambda m: m.phase_margin,
    }
    result = []
    for figure, key in keys.items():
        sign = 1.0 if figure == "ms" else -1.0
        rated = [(sign * value, p) for p in unstable or held if (value := key(p.margins[loop])) is not None]
        value, point = max(rated, key=lambda item: item[0], default=(None, None))
        result.append(Worst(figure, None if value is None else sign * value, point))
    return tuple(result)


def _map_point(bench: HyperMap, loops: Sequence[str], speed: float | None, torque: float | None) -> MapPoint:
    point: OperatingPoint = operating_point(bench.bench, speed, torque)
    try:
        state = held_state(bench, point)
    except SimulationError as error:
        return MapPoint(point.speed, point.torque, {}, error.message)
    margins = {name: loop_margins(bench, bench.bench.loops[name], point, state) for name in loops}
    return MapPoint(point.speed, point.torque, margins, "")


def _badness(margins: Margins) -> tuple[bool, float]:
    return (not margins.stable, margins.largest_eigenvalue if not margins.stable else margins.ms)
