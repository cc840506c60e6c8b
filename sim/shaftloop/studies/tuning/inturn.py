"""Loops that act on each other through the shaft, tuned in turn until their gains stay."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import most_ki, with_gains
from shaftloop.studies.tuning.outcome import distance
from shaftloop.studies.tuning.plant import loop_named
from shaftloop.studies.tuning.pullback import rounded
from shaftloop.studies.tuning.search import Trial
from shaftloop.studies.tuning.tradeoff import trade_off
from shaftloop.studies.tuning.usable import BACK, SERVES, way_back

if TYPE_CHECKING:
    from shaftloop.studies.tuning.choosing import Tuner

__all__ = ["Settled", "settle"]

SAME = 1e-3
"""Change of the gains at which loops that are tuned in turn have found each other."""
_NEARBY, _FAR = 0.1, 1e3
"""Last move up to which gains are looked for nearby; the largest that is told apart."""
_SWEEPS, _WHOLE = 12, 5
"""Times each loop is tuned at most, and those after which it goes half the way only: else two loops may go to
and fro for ever."""
_SLOWER = (0.9, 0.8, 0.7, 0.6, 0.5, 0.35, 0.2)
"""Shares of kp, and squared of ki, that loops are slowed down to together which have not found each other."""
_ROOMS = (0.998, 0.99, 0.97)
"""Shares of the room above 1 that the loops are given, until the result keeps the bounds: each moves the
others' margins."""


@dataclass(frozen=True)
class Settled:
    """How the loops stand, once tuned in turn."""

    sweeps: int
    caution: str = ""
    """Where their gains come from, when those of least cost break what the scenario expects."""


@dataclass(frozen=True)
class _Stand:
    """The loops as they stood after a sweep."""

    loops: tuple[Loop, ...]
    beyond: float
    """How far the worst bound is exceeded; up to 1 where all are kept."""
    cost: float
    """Sum of the logarithms of what the loops cost."""

    @property
    def worth(self) -> tuple[float, float]:
        """Return what is to be small: bounds first, then cost."""
        return (1.0, self.cost) if self.beyond <= 1.0 else (self.beyond, 0.0)


def settle(tuner: "Tuner") -> Settled:
    """Tune several loops in turn, each with the others as they are, and leave the best that was seen.

    That is no worse than what the scenario has: its gains are the first that are looked at.

    Parameters
    ----------
    tuner : Tuner
        What tunes the bench; its corners take the loops.
    """
    before = seen = _stand(tuner)
    sweep, moves = 0, dict.fromkeys(tuner.demand.loops, np.inf)
    for room in _ROOMS:
        for turn in range(_SWEEPS):
            sweep, served = sweep + 1, True
            for name in moves:
                moves[name], found = _improve(tuner, name, room, moves[name], half=turn >= _WHOLE)
                served = served and found
            if turn >= _WHOLE or max(moves.values()) < SAME:
                seen = min(seen, _stand(tuner), key=lambda stand: stand.worth)
            if max(moves.values()) < SAME:
                break
        # Less room is for loops that have found each other and move each other's margins.
        if max(moves.values()) >= SAME or not served or seen.beyond <= 1.0:
            break
    seen = _slower(tuner, seen)
    for loop in seen.loops:
        tuner.put(loop)
    return _held(tuner, before, seen, sweep)


def _stand(tuner: "Tuner") -> _Stand:
    """Return how the loops stand."""
    loops = tuple(loop_named(tuner.corners[0].description, name) for name in tuner.demand.loops)
    beyond = cost = 0.0
    for loop in loops:
        search = tuner.search(loop.name)
        if not search.is_stable(loop):
            return _Stand(loops, float("inf"), float("inf"))
        beyond = max(beyond, *tuner.exactly(search, loop))
        if not search.admits(loop):
            beyond = max(beyond, 1.0 + SAME)
        cost += float(np.log(search.cost(loop)))
    return _Stand(loops, beyond, cost)


def _slower(tuner: "Tuner", seen: _Stand) -> _Stand:
    """Return the loops slowed down together until they keep their bounds, as they were where that fails."""
    for share in _SLOWER if seen.beyond > 1.0 else ():
        for loop in seen.loops:
            tuner.put(rounded(with_gains(loop, share * loop.kp.value, share**2 * loop.ki.value)))
        stand = _stand(tuner)
        if stand.beyond <= 1.0:
            return stand
    return seen


def _improve(tuner: "Tuner", name: str, room: float, last: float, *, half: bool) -> tuple[float, bool]:
    """Tune one loop with the others as they are; return how much its gains moved, and whether any serve.

    Its structure is chosen the first time, before it has moved.
    """
    old, search = loop_named(tuner.corners[0].description, name), tuner.search(name, room)
    names = () if np.isinf(last) else ("kept",)
    found = tuner.trials(search, old, (), names, nearby=last < _NEARBY)
    kept = [trial for trial in found.values() if isinstance(trial, Trial)]
    least = min((trial.cost for trial in kept), default=0.0)
    trial = next((trial for trial in kept if trial.cost <= SERVES * least), None)
    if trial is None:
        near = trade_off(search, old)
        if near is None:
            return 0.0, False
        new = rounded(near.trial.loop)
    else:
        new = rounded(trial.loop)
        if search.admits(old) and search.cost(old) <= search.cost(new) * (1.0 + SAME):
            return 0.0, True
    if half:
        new = _between(new, old) or new
    tuner.put(new)
    return min(distance(old, new), _FAR), trial is not None


def _between(one: Loop, other: Loop) -> Loop | None:
    """Return a controller half way between two that differ in their gains alone."""
    if with_gains(one, other.kp.value, other.ki.value) != other:
        return None
    kp, ki = (float(np.sqrt(a.value * b.value)) for a, b in ((one.kp, other.kp), (one.ki, other.ki)))
    return rounded(with_gains(one, kp, min(ki, most_ki(one, kp))))


def _held(tuner: "Tuner", before: _Stand, seen: _Stand, sweeps: int) -> Settled:
    """Leave gains nearer to those of before where the ones of least cost break what the scenario expects."""
    if seen.beyond > 1.0 or not tuner.broken(seen.loops):
        return Settled(sweeps)
    for share in BACK:
        near = before.loops if share == 1.0 else _shares(share, seen.loops, before.loops)
        for loop in near:
            tuner.put(loop)
        if near and _stand(tuner).beyond <= 1.0 and not tuner.broken(near):
            return Settled(sweeps, way_back(share))
    for loop in seen.loops:
        tuner.put(loop)
    return Settled(sweeps)


def _shares(share: float, loops: Sequence[Loop], before: Sequence[Loop]) -> tuple[Loop, ...]:
    """Return loops a share of the way back to those of before, none where one has another structure."""
    found = []
    for loop, old in zip(loops, before, strict=True):
        if with_gains(loop, old.kp.value, old.ki.value) != old:
            return ()
        kp, ki = (a.value + share * (b.value - a.value) for a, b in ((loop.kp, old.kp), (loop.ki, old.ki)))
        found.append(rounded(with_gains(loop, kp, ki)))
    return tuple(found)
