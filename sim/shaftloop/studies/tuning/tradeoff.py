"""Where nothing keeps the bounds: the nearest that can be reached, and what would keep them."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.errors import SimulationError
from shaftloop.studies.tuning.bounds import Bounds, Reached, reached, tighter
from shaftloop.studies.tuning.controller import most_ki, with_gains
from shaftloop.studies.tuning.figures import sensitivity_peaks
from shaftloop.studies.tuning.search import Search, Trial
from shaftloop.studies.tuning.structures import STRUCTURES

__all__ = ["TradeOff", "broken", "none_stable", "served", "slowed", "trade_off"]

Array = NDArray[np.float64]

_LOOSEST = 30.0
"""Largest share of the room above 1 that the peaks of a trade-off may take."""
_SHARES = (1.0, 0.5, 0.25, 0.1, 0.03, 0.01)
"""Gains that are tried over those of the largest integral gain, where further bounds are out of reach."""
_HALVINGS = 5
"""Of the way between the bounds and the loosest, on a coarse grid of gains."""
_STEP, _EXACT, _MOST = 0.1, 1e-4, 120
"""First step in the logarithms of the gains from there to the least peak, where it ends, gains at most."""
_AS_GOOD = 1.002
"""Share of the room over the least, up to which the peaks of gains count as good."""
_SLOW = 0.1
"""Share of their gains that other loops are left, to see whether they are in the way."""


@dataclass(frozen=True)
class TradeOff:
    """Gains that come nearest to the bounds."""

    trial: Trial
    alone: bool
    """Whether Ms and Mt alone could be kept, so that a further bound is what cannot be reached."""


def trade_off(search: Search, loop: Loop) -> TradeOff | None:
    """Return the gains that come nearest to the bounds, nothing where nothing is stable.

    Where Ms and Mt can be kept these are gains at which the other bounds are exceeded by a small factor, the
    best on a grid below the largest integral gain; else the gains whose Ms and Mt go beyond 1 by the least
    share of what they may, the other bounds left out.

    Parameters
    ----------
    search : Search
        With the bounds.
    loop : Loop
        The controller, as far as its gains are open.
    """
    plain = search.under(Bounds(search.bounds.ms, search.bounds.mt), "integral_gain")
    alone = None if search.bounds.simple else plain.gains(loop)
    if alone is None:
        best, share = _least_peaks(plain, loop)
        if best is None:
            return None
        # Of gains with about the same peaks those that leave the least lasting error.
        reach = plain.under(tighter(plain.bounds, _AS_GOOD * share if share > 1.0 else 1.0), "integral_gain")
        alone = reach.gains(best.loop, baselines=[best.loop], nearby=True) or best
        if share > 1.0:
            return TradeOff(alone, False)
    best, least = alone, _excess(search, alone.loop)
    for p, i in product(_SHARES, _SHARES) if least > 1.0 else ():
        shaped = with_gains(loop, p * alone.loop.kp.value, p * i * alone.loop.ki.value)
        if plain.admits(shaped) and _excess(search, shaped) < least:
            best, least = Trial(shaped, plain.cost(shaped)), _excess(search, shaped)
    return TradeOff(best, True)


def _least_peaks(plain: Search, loop: Loop) -> tuple[Trial | None, float]:
    """Return the gains that exceed the bounds of Ms and Mt least, and which share of their room these take.

    From the gains of before and from the best on a coarse grid, by the simplex method of Nelder and Mead.
    """
    from scipy.optimize import minimize

    low, high, starts = 1.0, _LOOSEST, [loop]
    for _ in range(_HALVINGS):
        middle = (low * high) ** 0.5
        trial = plain.under(tighter(plain.bounds, middle), "integral_gain").gains(loop, rough=True)
        if trial is None:
            low = middle
        else:
            high, starts = middle, [loop, trial.loop]
    found = [(_share(plain, start), start) for start in starts if start.ki.value > 0.0]
    share, start = min(found, key=lambda entry: entry[0], default=(np.inf, loop))
    if not share < _LOOSEST:
        return None, share

    def moved(steps: Array) -> Loop:
        kp, ki = (gain.value * float(np.exp(s)) for gain, s in zip((start.kp, start.ki), steps, strict=True))
        return with_gains(start, kp, min(ki, most_ki(start, kp)))

    def cost(steps: Array) -> float:
        return max(_share(plain, moved(steps)), 1.0)

    first = np.zeros(2)
    simplex = np.vstack([first, _STEP * np.eye(2)])
    options: Any = {"initial_simplex": simplex, "maxfev": _MOST, "xatol": _EXACT, "fatol": _EXACT}
    with np.errstate(invalid="ignore"):
        best = minimize(cost, first, method="Nelder-Mead", options=options)
    least = moved(best.x)
    return Trial(least, plain.cost(least)), float(best.fun)


def _share(search: Search, loop: Loop) -> float:
    """Return which share of the room above 1 the peaks Ms and Mt take, infinite for an unstable loop."""
    if not search.is_stable(loop):
        return float("inf")
    bounds = search.bounds.ms, search.bounds.mt
    peaks = sensitivity_peaks(search.plants, loop)
    return max((peak.value - 1.0) / (bound - 1.0) for peak, bound in zip(peaks, bounds, strict=True))


def _excess(search: Search, loop: Loop) -> float:
    """Return by which factor the bounds besides Ms and Mt are exceeded at most."""
    return max((1.0 + abs(b.value / b.asked - 1.0) for b in _exceeded(search, loop)), default=1.0)


def _exceeded(search: Search, loop: Loop) -> list[Reached]:
    """Return the bounds besides Ms and Mt that a stable loop breaks."""
    return [bound for bound in reached(search.plants, search.bounds, loop) if not bound.kept]


def broken(search: Search, loop: Loop) -> list[str]:
    """Return the bounds besides Ms and Mt that a stable loop breaks, with what it reaches.

    Parameters
    ----------
    search : Search
        With the bounds.
    loop : Loop
        With its gains.
    """
    return [f"{bound} (reached {bound.value:.4g})" for bound in _exceeded(search, loop)]


def none_stable(loop: Loop, names: Sequence[str], link: str = "") -> SimulationError:
    """Return the error that no gains of a loop were found to make the bench stable.

    Parameters
    ----------
    loop : Loop
        The loop.
    names : sequence of str
        Loops that may be tuned together, itself among them.
    link : str
        That the link is unstable by itself, empty where it is not.
    """
    message = f"no gains of loop {loop.name} were found that make the bench stable"
    if link:
        return SimulationError(message, link)
    if list(names) == [loop.name]:
        return SimulationError(
            message,
            "try another controller: `structures` all, or give the loop less to wait for: shorter latencies, "
            "a higher rate",
        )
    return SimulationError(
        f"{message} with the other loops as they are",
        "tune another loop first, or together: `loops` " + " `loops` ".join(names),
    )


def slowed(loops: Sequence[Loop], name: str) -> dict[str, Loop]:
    """Return the other loops with a small share of their gains.

    Parameters
    ----------
    loops : sequence of Loop
        Of the bench.
    name : str
        The loop that is tuned.
    """
    return {
        loop.name: with_gains(loop, _SLOW * loop.kp.value, _SLOW * loop.ki.value)
        for loop in loops
        if loop.name != name and loop.limiter_of is None
    }


def served(search: Search, loop: Loop, name: str) -> bool:
    """Return whether a structure keeps the bounds, as far as its first guesses tell.

    Parameters
    ----------
    search : Search
        With the bounds.
    loop : Loop
        The loop.
    name : str
        The structure.
    """
    family = STRUCTURES[name].family(loop, search.plants[0], {})
    if isinstance(family, str):
        return False
    # What fails at the first corner need not be tried at all of them.
    first = Search(search.plants[:1], search.bounds, "integral_gain")
    quick = search.under(search.bounds, "integral_gain")
    for start in family.starts:
        shape = family.shape(np.array(start))
        if shape is None or first.gains(shape, rough=True) is None:
            continue
        if quick.gains(shape) is not None:
            return True
    return False
