"""Where nothing keeps the bounds: the nearest that can be reached, and what would keep them."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.errors import SimulationError
from shaftloop.studies.tuning.bounds import Bounds, Reached, reached
from shaftloop.studies.tuning.controller import most_ki, with_gains
from shaftloop.studies.tuning.figures import sensitivity_peaks
from shaftloop.studies.tuning.search import Search, Trial
from shaftloop.studies.tuning.structures import STRUCTURES

__all__ = ["TradeOff", "broken", "none_stable", "served", "slowed", "trade_off"]

Array = NDArray[np.float64]

_LOOSEST = 20.0
"""Largest Ms that a trade-off is looked for."""
_SHARES = (1.0, 0.5, 0.25, 0.1, 0.03, 0.01)
"""Gains that are tried over those of the largest integral gain, where further bounds are out of reach."""
_HALVINGS = 5
"""Of the way between the bounds and the loosest, on a coarse grid of gains."""
_STEP, _EXACT, _TRIED = 0.1, 1e-4, 120
"""First step in the logarithms of the gains from there to the least peak, where it ends, gains at most."""
_AS_GOOD = 1.0005
"""Peaks over the least, up to which gains count as good."""
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
    best on a grid below the largest integral gain; else the gains of least Ms, Mt being bounded alike and the
    other bounds left out.

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
        least_peak, peak = _least_peak(plain, loop)
        if least_peak is None:
            return None
        if not plain.admits(least_peak):
            # Of gains with about the same peaks those that leave the least lasting error.
            reach = plain.under(Bounds(_AS_GOOD * peak, _AS_GOOD * peak), "integral_gain")
            best = reach.gains(least_peak, baselines=[least_peak], nearby=True)
            return TradeOff(best or Trial(least_peak, plain.cost(least_peak)), False)
        alone = plain.gains(least_peak, baselines=[least_peak], nearby=True)
        assert alone is not None, "what is admitted is found"
    best, least = alone, _excess(search, alone.loop)
    for p, i in product(_SHARES, _SHARES) if least > 1.0 else ():
        shaped = with_gains(loop, p * alone.loop.kp.value, p * i * alone.loop.ki.value)
        if plain.admits(shaped) and _excess(search, shaped) < least:
            best, least = Trial(shaped, plain.cost(shaped)), _excess(search, shaped)
    return TradeOff(best, True)


def _least_peak(plain: Search, loop: Loop) -> tuple[Loop | None, float]:
    """Return the gains of least Ms, Mt being bounded alike, where any are stable, and the larger of both.

    From the gains of before and from the best on a coarse grid, by the simplex method of Nelder and Mead.
    """
    from scipy.optimize import minimize

    least, high, starts = max(plain.bounds.ms, plain.bounds.mt), _LOOSEST, [loop]
    low = least
    for _ in range(_HALVINGS):
        middle = (low * high) ** 0.5
        trial = plain.under(Bounds(middle, middle), "integral_gain").gains(loop, rough=True)
        if trial is None:
            low = middle
        else:
            high, starts = middle, [loop, trial.loop]
    found = [(_peak(plain, start), start) for start in starts if start.ki.value > 0.0]
    peak, start = min(found, key=lambda entry: entry[0], default=(np.inf, loop))
    if not peak < _LOOSEST:
        return None, peak

    def moved(steps: Array) -> Loop:
        kp, ki = (gain.value * float(np.exp(s)) for gain, s in zip((start.kp, start.ki), steps, strict=True))
        return with_gains(start, kp, min(ki, most_ki(start, kp)))

    def cost(steps: Array) -> float:
        return max(_peak(plain, moved(steps)), least)

    first = np.zeros(2)
    simplex = np.vstack([first, _STEP * np.eye(2)])
    options: Any = {"initial_simplex": simplex, "maxfev": _TRIED, "xatol": _EXACT, "fatol": _EXACT}
    with np.errstate(invalid="ignore"):
        best = minimize(cost, first, method="Nelder-Mead", options=options)
    return moved(best.x), float(best.fun)


def _peak(search: Search, loop: Loop) -> float:
    """Return the larger of Ms and Mt, infinite for an unstable loop."""
    if not search.is_stable(loop):
        return float("inf")
    return max(peak.value for peak in sensitivity_peaks(search.plants, loop))


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
