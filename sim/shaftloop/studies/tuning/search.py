"""The best gains of a controller whose shape is given, and the best shape of a structure.

Nothing is left to chance. For each proportional gain the admissible integral gains are known in closed form
(see `intervals`). Proportional gains are looked at on a grid that closes in on the best one. Where a bound
turns out to be exceeded between two frequencies of the grid, that frequency joins the grid.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import ActiveDamping, Loop
from shaftloop.studies.tuning.bounds import Bounds, reached
from shaftloop.studies.tuning.closedloop import ClosedLoop, closed_loop
from shaftloop.studies.tuning.controller import feedback, most_ki, parts_of, with_gains
from shaftloop.studies.tuning.errorarea import error_area
from shaftloop.studies.tuning.figures import integral_gain, sensitivity_peaks
from shaftloop.studies.tuning.intervals import Gap, LoopParts, free_gaps, half_turns, scale
from shaftloop.studies.tuning.plant import LoopPlant
from shaftloop.studies.tuning.pullback import neighbours

__all__ = ["Objective", "Search", "Trial"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Objective = Literal["disturbance", "setpoint", "integral_gain", "itae"]

_COARSE, _ROUGH = 40, 18
_LEAST, _MOST = 2e-3, 5.0
"""Proportional gains that are looked at, over the one near which loops get unstable."""
_EARLY, _LATE = 0.1, -0.75 * np.pi
"""The least of them at most over the one that crosses over at this phase [rad]."""
_FINE = 13
_ROUNDS, _FEW_ROUNDS, _FEW = 5, 3, 9
"""Times the grid of proportional gains closes in on the best."""
_TOGETHER = 32
"""Intervals whose stability is told at once."""
_EXCHANGES = 8
_HARDLY = 1e-4
"""Share by which a bound may be exceeded for the gains to be pulled back rather than looked for again."""
_AROUND = np.array([0.94, 0.97, 1.0, 1.03, 1.06])
"""Where the best proportional gain is looked for, over the one of before, once the grid has grown."""
_SHARES = (1.0, 0.93, 0.82, 0.65, 0.4, 0.15)
"""Where in an admissible interval integral gains are tried when the largest is not simply the best."""
_SMALL_SHARES = (0.05, 0.015, 0.005, 0.0015)
"""And where further bounds leave none of those."""
_PEAK_ROUNDS = 512
"""Hyperperiods within which the command has its peak."""
_TIGHT = 1e-7
"""Share by which the search stays inside its bounds."""


@dataclass(frozen=True)
class Trial:
    """Gains that keep the bounds, and what they cost."""

    loop: Loop
    cost: float
    """The smaller the better: 1/integral gain, or the integral of the set-point response's error."""


@dataclass(frozen=True)
class _Place:
    """A frequency at which a controller has exceeded a bound: others near it most likely do so as well."""

    frequency: Array
    """Shape (1,). [Hz]"""
    response: Complex
    """Of the plant, shape (1,)."""
    damping: Complex
    """Loop gain of the active damping, shape (1,)."""

    @classmethod
    def of(cls, plant: LoopPlant, frequency: float) -> "_Place":
        at = np.array([frequency])
        return cls(at, plant.at(at), plant.damping_at(at))

    def exceeded(self, loop: Loop, bounds: Bounds) -> bool:
        """Return whether a controller exceeds a bound there."""
        opened = complex((feedback(loop, self.frequency) * self.response + self.damping)[0])
        distance = abs(1.0 + opened)
        return distance * bounds.ms < 1.0 or abs(opened) > bounds.mt * distance


class Search:
    """The search for gains on given plants under given bounds.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner, the nominal one first.
    bounds : Bounds
        Hold at all of them.
    objective : str
        ``disturbance``: least integral of the absolute error after a step of torque on the command;
        ``setpoint``: the same after a step of the set-point; ``itae``: the latter with the error weighted by
        time; ``integral_gain``: largest integral gain, which is the first one where nothing overshoots. The
        worst corner counts.
    """

    def __init__(
        self, plants: Sequence[LoopPlant], bounds: Bounds, objective: Objective = "disturbance"
    ) -> None:
        self.plants = list(plants)
        self.bounds = bounds
        self.objective: Objective = objective
        self._extra: list[list[float]] = [[] for _ in self.plants]
        self._stability: dict[Loop, dict[tuple[int, ...], bool]] = {}
        self._places: dict[ActiveDamping | None, list[_Place]] = {}

    def under(self, bounds: Bounds, objective: Objective) -> "Search":
        """Return a search on the same plants, which knows what this one has found about stability.

        Parameters
        ----------
        bounds : Bounds
            Hold at all of them.
        objective : str
            As of a search.
        """
        other = Search(self.plants, bounds, objective)
        other._stability = self._stability
        return other

    def gains(
        self,
        shape: Loop,
        *,
        rough: bool = False,
        baselines: Sequence[Loop] = (),
        limit: float = np.inf,
        nearby: bool = False,
    ) -> Trial | None:
        """Return the best gains of a controller, nothing where none keeps the bounds.

        Parameters
        ----------
        shape : Loop
            The controller; its own kp and ki do not matter.
        rough : bool
            On the coarse grid only, to compare shapes.
        baselines : sequence of Loop
            Other controllers: the best of those that keep the bounds is returned if it is better.
        limit : float
            Gains that cost no less are of no use; nothing is returned for them if rough.
        nearby : bool
            Begin at the proportional gain of the controller; others are looked at where none serves there.
        """
        admitted = [Trial(loop, self.cost(loop)) for loop in baselines if self.admits(loop)]
        found = [
            trial for trial in (self._searched(shape, rough, limit, nearby), *admitted) if trial is not None
        ]
        return min(found, key=lambda trial: trial.cost, default=None)

    def _searched(self, shape: Loop, rough: bool, limit: float, nearby: bool) -> Trial | None:
        best = Trial(shape, np.inf) if nearby else None
        self._extra = [[] for _ in self.plants]
        for _ in range(_EXCHANGES):
            if rough:
                return self._on_grid(shape, rough, limit=limit)
            best = self._on_grid(shape, rough, best)
            if best is None:
                return None
            if self._add_peaks(best.loop) <= _HARDLY:
                settled = self.settled(best)
                if settled is not None:
                    return settled
        return None if best is None else self.settled(best)

    def admits(self, loop: Loop) -> bool:
        """Return whether a loop keeps all bounds at all corners, peaks between grid points included.

        Parameters
        ----------
        loop : Loop
            With its gains.
        """
        places = self._places.setdefault(loop.active_damping, [])
        if any(place.exceeded(loop, self.bounds) for place in places):
            return False
        if not self.is_stable(loop):
            return False
        for peak, bound in zip(
            sensitivity_peaks(self.plants, loop), (self.bounds.ms, self.bounds.mt), strict=True
        ):
            if not peak.value <= bound:
                places.append(_Place.of(self.plants[peak.plant].under(loop), peak.frequency))
                return False
        return self._keeps(loop)

    def is_stable(self, loop: Loop) -> bool:
        """Return whether a loop is stable at all corners.

        Parameters
        ----------
        loop : Loop
            With its gains.
        """
        return all(closed_loop(plant, loop).radius < 1.0 for plant in self.plants)

    def cost(self, loop: Loop, limit: float = np.inf) -> float:
        """Return what the objective makes of a stable loop.

        Parameters
        ----------
        loop : Loop
            With its gains.
        limit : float
            Beyond it nobody asks how much it is: the result is then no less than this.
        """
        if self.objective == "integral_gain":
            gain = integral_gain(loop)
            return 1.0 / gain if gain > 0.0 else float("inf")
        worst = 0.0
        for plant in self.plants:
            worst = max(worst, _error_area(closed_loop(plant, loop), self.objective, limit))
            if worst >= limit:
                break
        return worst

    def overshoot(self, loop: Loop) -> float:
        """Return by which share of a step of the set-point a stable loop overshoots, worst corner.

        Parameters
        ----------
        loop : Loop
            With its gains.
        """
        steps = (closed_loop(plant, loop).step(0, _PEAK_ROUNDS) for plant in self.plants)
        return max(float(np.max(step.reading)) - 1.0 for step in steps)

    def _on_grid(
        self, shape: Loop, rough: bool, near_by: Trial | None = None, limit: float = np.inf
    ) -> Trial | None:
        """Return the best on the grid of frequencies; near the best of before it grew, if that is known."""
        parts, count = self._parts(shape), _ROUGH if rough else _COARSE
        grid = len(self.plants[0].under(shape).frequency)
        edge = scale(parts[0], grid)
        # A plant that lags long before it is unstable, such as one of two slow lags, wants far smaller gains.
        least = min(_LEAST, _EARLY * scale(parts[0], grid, _LATE) / edge)
        each = (_MOST / _LEAST) ** (1.0 / (count - 1))
        count = 1 + max(count - 1, round(np.log(_MOST / least) / np.log(each)))
        kps = np.concatenate([[0.0], edge * np.geomspace(least, _MOST, count)])
        around = kps if near_by is None else near_by.loop.kp.value * _AROUND
        best = self._among(shape, parts, around, 1, limit)
        if best is None:
            return None if near_by is None else self._on_grid(shape, rough)
        cheap = self.objective == "integral_gain"
        rounds, fine = (_ROUNDS, _FINE) if cheap else (_FEW_ROUNDS, _FEW)
        ratio = each
        if near_by is not None:
            rounds, ratio = rounds - 1, ratio ** (2.0 / (fine - 1))
        for _ in range(1 if rough else rounds):
            centre = best.loop.kp.value
            near = (
                centre * np.geomspace(1.0 / ratio, ratio, fine) if centre else np.linspace(0.0, kps[1], fine)
            )
            better = self._among(shape, parts, near, 1 if rough or cheap else len(_SHARES), best.cost)
            if better is not None:
                best = better
            ratio **= 2.0 / (fine - 1)
        return best

    def _parts(self, shape: Loop) -> list[LoopParts]:
        found = []
        for plant, extra in zip([plant.under(shape) for plant in self.plants], self._extra, strict=True):
            parts, more = plant.parts(shape), np.array(extra)
            if extra:
                beyond = LoopParts(plant.at(more), *parts_of(shape, more), plant.damping_at(more))
                parts = parts.and_at(beyond)
            found.append(parts)
        return found

    def _among(
        self, shape: Loop, parts: list[LoopParts], kps: Array, shares: int, limit: float
    ) -> Trial | None:
        """Return the best of the admissible gains at some proportional gains that costs less than a limit."""
        bounds = self.bounds
        gaps = free_gaps(parts, kps, bounds.ms * (1.0 - _TIGHT), bounds.mt * (1.0 - _TIGHT))
        # An integral gain that grows without end drives a pole out of the unit circle, so that no gain of an
        # interval without end is stable.
        gaps = [self._capped(shape, gap) for gap in gaps if np.isfinite(gap.high)]
        gaps = [gap for gap in gaps if gap.high > gap.low]
        gaps.sort(key=lambda gap: -gap.high)
        known = self._stability.setdefault(with_gains(shape, 0.0, 0.0), {})
        best: Trial | None = None
        for first in range(0, len(gaps), _TOGETHER):
            some = [gap for gap in gaps[first : first + _TOGETHER] if not self._cannot_beat(gap.high, limit)]
            for gap, turns in zip(some, self._turns(shape, parts, some), strict=True):
                if self._cannot_beat(gap.high, limit):
                    continue
                # The loop is stable in an interval as where it turns round zero as often.
                if turns not in known:
                    known[turns] = self.is_stable(with_gains(shape, gap.kp, _middle(gap)))
                if not known[turns]:
                    continue
                # What is unstable after all has an area without end.
                with np.errstate(over="ignore", invalid="ignore"):
                    better = self._within(shape, gap, shares, limit)
                if better is not None:
                    best, limit = better, better.cost
        return best

    def _turns(self, shape: Loop, parts: list[LoopParts], gaps: list[Gap]) -> list[tuple[int, ...]]:
        """Return by how many half turns the loop goes round zero in intervals, each at every plant."""
        gains = np.array([(gap.kp, _middle(gap)) for gap in gaps]).reshape(-1, 2)
        found = [
            half_turns(part, len(plant.under(shape).frequency), gains).tolist()
            for part, plant in zip(parts, self.plants, strict=True)
        ]
        return list(zip(*found, strict=True))

    def _cannot_beat(self, ki: float, limit: float) -> bool:
        """Return whether integral gains up to one are too small to cost less than a limit.

        The integral of the error after a step of torque on the command is 1/ki, and that of its absolute
        value no less.
        """
        return self.objective in ("disturbance", "integral_gain") and 1.0 / ki >= limit

    def _within(self, shape: Loop, gap: Gap, shares: int, limit: float) -> Trial | None:
        """Return the best of an interval that costs less than a limit, from a number of those that serve."""
        best, looked = None, 0
        for share in (*_SHARES, *_SMALL_SHARES):
            ki = gap.low + share * (gap.high - gap.low)
            if looked == shares or self._cannot_beat(ki, limit):
                break
            loop = with_gains(shape, gap.kp, ki)
            cost = self.cost(loop, limit)
            if cost >= limit:
                looked += 1
            # A pole that hides between two frequencies escapes the count of turns.
            elif self._keeps(loop) and self.is_stable(loop):
                looked += 1
                best, limit = Trial(loop, cost), cost
        return best

    def _capped(self, shape: Loop, gap: Gap) -> Gap:
        """Return an interval without gains at which the anti-windup would overshoot: T·ki ≤ kp there."""
        return Gap(gap.kp, gap.low, min(gap.high, most_ki(shape, gap.kp)))

    def _keeps(self, loop: Loop) -> bool:
        """Return whether a loop keeps the bounds besides Ms and Mt."""
        return all(bound.kept for bound in reached(self.plants, self.bounds, loop))

    def _add_peaks(self, loop: Loop) -> float:
        """Add frequencies at which a bound is exceeded between grid points; return by which share at most."""
        bounds, most = self.bounds, 0.0
        peaks = sensitivity_peaks(self.plants, loop)
        for peak, bound in zip(peaks, (bounds.ms, bounds.mt), strict=True):
            if peak.value > bound:
                most = max(most, peak.value / bound - 1.0)
                if peak.frequency not in self._extra[peak.plant]:
                    self._extra[peak.plant].append(peak.frequency)
        return most

    def settled(self, trial: Trial) -> Trial | None:
        """Return gains pulled back, if need be, until they keep the bounds between grid points as well.

        Parameters
        ----------
        trial : Trial
            That keeps them, or hardly misses them.
        """
        near = next((near for near in neighbours(trial.loop, _TIGHT) if self.admits(near)), None)
        return None if near is None else Trial(near, self.cost(near))


def _middle(gap: Gap) -> float:
    """Return the integral gain in the middle of an interval."""
    return 0.5 * (gap.low + gap.high)


def _error_area(closed: ClosedLoop, objective: Objective, limit: float) -> float:
    """Return the integral of the absolute error after a step, weighted by time or not."""
    if objective != "itae":
        return error_area(closed, 1 if objective == "disturbance" else 0, limit)
    response = closed.settled_step(0, 1.0)
    return float(np.sum(np.abs(1.0 - response.reading) * response.time) * closed.period)
