"""Controllers of one structure, and the search for the best of them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import with_gains
from shaftloop.studies.tuning.polish import polished
from shaftloop.studies.tuning.search import Search, Trial

__all__ = ["OVERSHOOT", "Family", "best_of_family", "improved"]

Array = NDArray[np.float64]

_SWEEPS, _WORTH = 6, 0.005
"""Sweeps over the parameters at most, and the improvement that a sweep must bring."""
_TOPS, _TRIED, _MOVED = 3, 6, 0.98
"""Starts that are improved, the best first; those that are tried; cost over that of before which counts."""
_FAR = 1.5
"""Cost over the best so far up to which a start may come to be the best."""
OVERSHOOT, _EXCESS = 0.1, 100.0
"""Overshoot of a step that the set-point side keeps to where it can, and how hard more of it counts."""


@dataclass(frozen=True)
class Family:
    """Controllers of one structure, by their shape parameters."""

    shape: Callable[[Array], Loop | None]
    """The controller, its gains still open; nothing outside the allowed range."""
    starts: tuple[tuple[float, ...], ...]
    """Parameters that are tried; the best is improved."""
    steps: tuple[float, ...]
    """First step of every parameter."""
    setpoint_only: bool = False
    """Whether the parameters act on the set-point alone, so that they are chosen by its response."""


def best_of_family(
    search: Search, family: Family, baselines: Sequence[Loop] = (), *, nearby: bool = False
) -> Trial | None:
    """Return the best controller of a family, nothing where none keeps the bounds.

    All starts are compared on a coarse grid of gains. From the best ones the parameters and the proportional
    gain are improved together, and the gains of the best result are then found exactly.

    Parameters
    ----------
    search : Search
        Plants, bounds and objective.
    family : Family
        The controllers.
    baselines : sequence of Loop
        Other controllers: the best of those that keep the bounds is returned if it is better.
    nearby : bool
        Look for the gains of a single controller near its own first.
    """
    if family.setpoint_only:
        return _best_setpoint_side(search, family, baselines)
    only = family.shape(np.array(family.starts[0]))
    if only is not None and not family.steps:
        return search.gains(only, baselines=baselines, nearby=nearby)
    found: list[tuple[float, tuple[float, ...], Trial]] = []
    for start in family.starts:
        loop = family.shape(np.array(start))
        # What is far from the best so far need not be known any closer.
        limit = _FAR * min((cost for cost, *_ in found), default=np.inf)
        trial = None if loop is None else search.gains(loop, rough=True, limit=limit)
        if trial is not None:
            found.append((trial.cost, start, trial))
    found.sort(key=lambda entry: entry[:2])
    kept = [Trial(loop, search.cost(loop)) for loop in baselines if search.admits(loop)]
    better = _improved(search, family, [entry[1:] for entry in found[:_TRIED]]) if any(family.steps) else None
    settled = None if better is None else search.settled(better)
    if settled is not None or not found:
        return min([*kept, *([settled] if settled else [])], key=lambda trial: trial.cost, default=None)
    shapes = (family.shape(np.array(point)) for _, point, _ in found[:_TRIED])
    exact = (search.gains(shape, baselines=baselines) for shape in shapes if shape is not None)
    return next((trial for trial in exact if trial is not None), None)


def _improved(
    search: Search, family: Family, starts: Sequence[tuple[tuple[float, ...], Trial]]
) -> Trial | None:
    """Return the best that comes of some starts."""
    better, moved = [], 0
    for point, near in starts:
        found = polished(search, family.shape, point, family.steps, near)
        # A start from which nothing leads on, such as a notch that is in nobody's way, does not count.
        if found is not None:
            better.append(found)
        moved += found is not None and found[0].cost < _MOVED * near.cost
        if moved == _TOPS:
            break
    if not better:
        return None
    best, point = min(better, key=lambda entry: entry[0].cost)
    finest = polished(search, family.shape, point, family.steps, best, fine=True)
    return best if finest is None or finest[0].cost > best.cost else finest[0]


def _best_setpoint_side(search: Search, family: Family, baselines: Sequence[Loop]) -> Trial | None:
    """Return the best gains, with the set-point side that answers its steps best and keeps the bounds."""
    plain = family.shape(np.array(family.starts[0]))
    trial = None if plain is None else search.gains(plain, baselines=baselines)
    if trial is None:
        return None
    kp, ki = trial.loop.kp.value, trial.loop.ki.value
    judge = Search(search.plants, search.bounds, "setpoint")

    def cost(point: tuple[float, ...]) -> float:
        loop = family.shape(np.array(point))
        if loop is None or not judge.admits(with_gains(loop, kp, ki)):
            return float("inf")
        loop = with_gains(loop, kp, ki)
        return judge.cost(loop) * (1.0 + _EXCESS * max(judge.overshoot(loop) - OVERSHOOT, 0.0))

    best = improved(cost, min(family.starts, key=cost), family.steps)
    loop = family.shape(np.array(best))
    if loop is None or not np.isfinite(cost(best)):
        return trial
    return Trial(with_gains(loop, kp, ki), search.cost(with_gains(loop, kp, ki)))


def improved(
    cost: Callable[[tuple[float, ...]], float], start: tuple[float, ...], steps: tuple[float, ...]
) -> tuple[float, ...]:
    """Return parameters improved one by one, each with a step of its own that grows and shrinks.

    Parameters
    ----------
    cost : callable
        What is to be small.
    start : tuple of float
        Parameters to begin with.
    steps : tuple of float
        First step of every parameter.
    """
    best, own = start, list(steps)
    for _ in range(_SWEEPS):
        before = cost(best)
        for i in range(len(steps)):
            moved = False
            for sign in (1.0, -1.0):
                point = tuple(x + sign * own[i] * (j == i) for j, x in enumerate(best))
                if cost(point) < cost(best):
                    best, moved = point, True
                    own[i] *= sign
                    break
            own[i] *= 1.3 if moved else 0.5
        if cost(best) > before * (1.0 - _WORTH) and all(
            abs(new) < 0.3 * first for new, first in zip(own, steps, strict=True) if first
        ):
            break
    return best
