"""Margins at the operating point and over the operating range; free-running clocks at their worst phases."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.carried import Known, named
from shaftloop.analysis.cost import MapWork, loop_rates, shared
from shaftloop.analysis.freerunning import Variant, phase_variants, swept_clocks
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import at_voltage_limit, held_state
from shaftloop.analysis.margins import Margins, margins_of_each
from shaftloop.analysis.operating import OperatingPoint, operating_point, setpoint_ranges
from shaftloop.analysis.stepresponse import StepResponse, step_response
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = [
    "LoopAnalysis",
    "MapPoint",
    "Worst",
    "analyse_loops",
    "far_ends",
    "operating_map",
    "worse_elsewhere",
    "worst_cases",
]

Array = NDArray[np.float64]

_MORE = 1.05
"""Ratio from which on a figure is worse elsewhere."""
_ROUNDS = 3
"""How often each free-running clock is swept around the worst phases of several."""


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
    limited: tuple[str, ...] = ()
    """Machines that run at their voltage limit there."""

    @cached_property
    def known(self) -> Known:
        """The steady state by slot, for benches like this one."""
        return named(self.bench.bench, self.state)

    def small_step(self) -> StepResponse:
        """Return the response to a small step of the set-point, which takes further runs of the bench."""
        margins = self.margins
        loop = self.bench.bench.loops[margins.loop]
        return step_response(self.bench, loop, margins.point, self.state, margins.largest_eigenvalue)


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
    description: Description,
    loops: Sequence[str],
    speed: float | None = None,
    torque: float | None = None,
    start: Known | None = None,
) -> dict[str, LoopAnalysis]:
    """Return the loops at an operating point; free-running clocks at the phases worst for each.

    Parameters
    ----------
    loops : sequence of str
        Names of loops that are no limiters.
    speed, torque : float, optional
        As in `operating_point`. [rad/s], [N m]
    start : mapping, optional
        What is known of the steady state of a similar bench, by slot.

    Raises
    ------
    SimulationError
        Where the bench has no such steady state.
    """
    found: dict[str, LoopAnalysis] = {}
    variants = phase_variants(description)
    work = MapWork(loop_rates(description), 4.0, whole=len(variants) == 1)

    def look(variant: Variant, names: Sequence[str]) -> None:
        phases, shifted = variant
        bench = HyperMap(shifted, work)
        point = operating_point(bench.bench, speed, torque)
        near = next((analysis.known for analysis in found.values()), start)
        state = held_state(bench, point, near)
        limited = tuple(at_voltage_limit(bench, state))
        handles = [bench.bench.loops[name] for name in names]
        for name, margins in zip(names, margins_of_each(bench, handles, point, state), strict=True):
            if name not in found or _badness(margins) > _badness(found[name].margins):
                found[name] = LoopAnalysis(shifted, bench, state, margins, phases, limited)

    with shared(len(variants)):
        for variant in variants:
            look(variant, loops)
    for name in loops:
        for _ in range(_ROUNDS if len(found[name].phases) > 1 else 0):
            worst = found[name]
            for variant in swept_clocks(description, worst.phases):
                look(variant, (name,))
            if found[name] is worst:
                break
    return found


def operating_map(analyses: Mapping[str, LoopAnalysis], count: int = 5) -> tuple[MapPoint, ...]:
    """Return the margins on a grid over the operating range of the sequence.

    Speeds run over the set-points used, from standstill on; torques over both signs of the largest. Each loop
    is looked at with the phases of free-running clocks that are worst for it at its own operating point.

    Parameters
    ----------
    analyses : mapping of str to LoopAnalysis
        By loop, from `analyse_loops`.
    count : int
        Points per axis.
    """
    return _over(analyses, count**2, lambda bench: _range_points(bench, count))


def far_ends(analyses: Mapping[str, LoopAnalysis]) -> tuple[MapPoint, ...]:
    """Return the margins where the operating point does not look: at standstill, and at the opposite torque.

    Two points tell, at little cost, whether a loop is worse off somewhere else.

    Parameters
    ----------
    analyses : mapping of str to LoopAnalysis
        By loop, from `analyse_loops`.
    """
    here = next(iter(analyses.values())).margins.point
    ends = dict.fromkeys([(0.0, here.torque), (here.speed, -here.torque)])
    return _over(analyses, len(ends), lambda _: [end for end in ends if end != (here.speed, here.torque)])


def worse_elsewhere(points: Sequence[MapPoint], here: Margins) -> tuple[Worst, ...]:
    """Return the figures of a loop that are worse by more than 5 % at some of the points than here.

    Where the bench is unstable at a point, that is the only entry, with the figure ``stable``.

    Parameters
    ----------
    points : sequence of MapPoint
        From `operating_map` or `far_ends`.
    here : Margins
        Of the loop at its operating point.
    """
    lost = [p for p in points if here.loop in p.margins and not p.margins[here.loop].stable]
    if not here.stable:
        return ()
    if lost:
        return (Worst("stable", 0.0, lost[0]),)

    def worse(worst: Worst) -> bool:
        value: float | None = getattr(here, worst.figure)
        if worst.value is None or value is None:
            return worst.value is not None
        return worst.value > _MORE * value if worst.figure == "ms" else _MORE * worst.value < value

    return tuple(filter(worse, worst_cases(points, here.loop)))


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


def _over(
    analyses: Mapping[str, LoopAnalysis],
    points: int,
    places: Callable[[HyperMap], Sequence[tuple[float, float]]],
) -> tuple[MapPoint, ...]:
    """Return the margins at up to so many speeds and torques.

    The benches of the analyses stay at their operating point.
    """
    # Loops that free-running clocks treat alike share their bench.
    alike = {id(analysis.bench): analysis for analysis in analyses.values()}
    maps = []
    for one in alike.values():
        loops = [name for name, found in analyses.items() if found.bench is one.bench]
        rates = {name: rate for name, rate in loop_rates(one.description).items() if name in loops}
        with shared(points):
            bench, known = HyperMap(one.description, MapWork(rates, 4.0)), one.known
        turning, main = bench.bench.speed_loop(), bench.bench.torque_loop()
        maps.append(
            [
                _map_point(bench, known, loops, speed if turning else None, torque if main else None)
                for speed, torque in places(bench)
            ]
        )
    return tuple(_joined(points) for points in zip(*maps, strict=True))


def _range_points(bench: HyperMap, count: int) -> list[tuple[float, float]]:
    """Return speeds and torques spread over the operating range of the sequence [rad/s], [N m]."""
    ranges, main = setpoint_ranges(bench.bench), bench.bench.torque_loop()
    turning = bench.bench.speed_loop()
    low, high = ranges[turning.parameters.name] if turning else (0.0, 0.0)
    most = max(map(abs, ranges[main.parameters.name])) if main else 0.0
    speeds = np.unique(np.linspace(min(low, 0.0), max(high, 0.0), count))
    torques = np.unique(np.linspace(-most, most, count))
    return [(float(speed), float(torque)) for speed in speeds for torque in torques]


def _joined(points: Sequence[MapPoint]) -> MapPoint:
    """Return one operating point with the loops of several benches."""
    margins = {name: found for point in points for name, found in point.margins.items()}
    reason = next((point.reason for point in points if point.reason), "")
    return MapPoint(points[0].speed, points[0].torque, margins, reason)


def _map_point(
    bench: HyperMap, known: Known, loops: Sequence[str], speed: float | None, torque: float | None
) -> MapPoint:
    point: OperatingPoint = operating_point(bench.bench, speed, torque)
    try:
        state = held_state(bench, point, known)
    except SimulationError as error:
        return MapPoint(point.speed, point.torque, {}, error.message)
    handles = [bench.bench.loops[name] for name in loops]
    margins = dict(zip(loops, margins_of_each(bench, handles, point, state), strict=True))
    return MapPoint(point.speed, point.torque, margins, "")


def _badness(margins: Margins) -> tuple[bool, float]:
    return (not margins.stable, margins.largest_eigenvalue if not margins.stable else margins.ms)
