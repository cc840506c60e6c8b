"""Which structure is recommended: one that holds what the scenario expects of itself, run in full."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.bounds import tighter
from shaftloop.studies.tuning.controller import with_gains
from shaftloop.studies.tuning.pullback import rounded
from shaftloop.studies.tuning.results import Option
from shaftloop.studies.tuning.search import Objective, Search

if TYPE_CHECKING:
    from shaftloop.studies.tuning.choosing import Tuner

__all__ = ["BACK", "SERVES", "chosen_of", "usable", "way_back"]

SERVES = 1.1
"""The simplest structure within this factor of the best cost is recommended."""
_CAREFUL: tuple[tuple[float, Objective | None], ...] = (
    *((share, None) for share in (0.75, 0.62, 0.5, 0.35)),
    *((share, "setpoint") for share in (1.0, 0.4)),
)
"""Shares of the room that Ms and Mt have above 1, and objectives, that are tried one after the other."""
_STEP, _LEAST_STEP, _JUDGED, _WORTH = 0.7, 0.02, 40, 0.995
"""Steps in the logarithms of kp and ki from gains that hold all expectations on to better ones, at first and
at last; benches that are run at most; cost over the best so far from which on a step is none."""
_DIRECTIONS = ((0, 1), (1, 1), (-1, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (0, -1))
BACK = (0.25, 0.5, 0.75, 0.9, 1.0)
"""Shares of the way back to the gains of before that are tried where those do not help."""


def chosen_of(options: Sequence[Option]) -> Option | None:
    """Return the simplest structure that serves, of those that break no expectation if there is one.

    Parameters
    ----------
    options : sequence of Option
        The simplest first.
    """
    with_design = [option for option in options if option.design is not None]
    rest = [option for option in with_design if not option.broken] or with_design
    best = min((option.cost for option in rest), default=0.0)
    return next((option for option in rest if option.cost <= SERVES * best), None)


def usable(tuner: "Tuner", search: Search, loop: Loop, options: list[Option]) -> list[Option]:
    """Return the structures with the expectations that those break which might have been recommended.

    Where all break one, more careful gains of the structure that would have been recommended take its place
    if they hold everything: at tighter bounds, or nearer to those that the scenario has. Else those of the
    simplest structure do.

    Parameters
    ----------
    tuner : Tuner
        What tunes the bench.
    search : Search
        With the bounds.
    loop : Loop
        As it was.
    options : list of Option
        The simplest first.
    """
    first = chosen_of(options)
    while (option := chosen_of(options)) is not None and not option.broken:
        assert option.design is not None, "what is chosen has a design"
        broken = tuner.broken((option.design.loop,))
        if not broken:
            return _or_present(tuner, search, loop, options, option)
        options = [replace(other, broken=broken) if other is option else other for other in options]
    if first is not None:
        held = tuner.keeps(search, loop) and not tuner.broken((loop,))
        enough = search.cost(loop) if held else float("inf")
        # Where a structure of many parameters leaves nothing that holds them, the simplest one may.
        simplest = next(option for option in options if option.design is not None)
        tried = (first,) if simplest.name == first.name else (first, simplest)
        ways = ((_tightened(tuner, search, loop, o.name), _towards(tuner, search, loop, o)) for o in tried)
        for careful in chain.from_iterable(chain.from_iterable(ways)):
            if (
                careful.design is not None
                and careful.cost <= enough
                and not tuner.broken((careful.design.loop,))
            ):
                better = _improved(tuner, search, careful)
                return [better if other.name == careful.name else other for other in options]
    return options


def _or_present(
    tuner: "Tuner", search: Search, loop: Loop, options: list[Option], chosen: Option
) -> list[Option]:
    """Return the structures, and before them the loop as it is where that costs less than what is chosen."""
    cost = search.cost(loop) if search.is_stable(loop) else float("inf")
    if chosen.cost <= cost or not tuner.keeps(search, loop) or tuner.broken((loop,)):
        return options
    title = "as the scenario has it, which costs less than what was asked for"
    return [Option("kept", title, tuner.design(search, loop), cost, ""), *options]


def _tightened(tuner: "Tuner", search: Search, loop: Loop, name: str) -> Iterator[Option]:
    """Yield gains of a structure at tighter bounds."""
    for share, objective in _CAREFUL:
        tight = search.under(tighter(search.bounds, share), objective or search.objective)
        option = tuner.option(tight, name, tuner.trials(tight, loop, (), (name,))[name])
        if option.design is not None:
            caution = f"those of Ms <= {tight.bounds.ms:.4g} and Mt <= {tight.bounds.mt:.4g}"
            caution += "" if objective is None else f" with the objective {objective}"
            yield replace(option, cost=search.cost(option.design.loop), caution=caution)


def _towards(tuner: "Tuner", search: Search, loop: Loop, best: Option) -> Iterator[Option]:
    """Yield gains between those of least cost and those of the loop as it was, and at last the latter."""
    assert best.design is not None, "what might be recommended has a design"
    (kp, ki), (old_kp, old_ki) = ((o.kp.value, o.ki.value) for o in (best.design.loop, loop))
    if with_gains(best.design.loop, old_kp, old_ki) != loop:
        return
    for share in BACK:
        between = with_gains(loop, kp + share * (old_kp - kp), ki + share * (old_ki - ki))
        near = tuner.verified(search, between) if share < 1.0 else loop
        if near is not None and tuner.keeps(search, near):
            yield replace(tuner.kept_option(search, best.name, near), caution=way_back(share))


def way_back(share: float) -> str:
    """Return in words which gains those some share of the way back to those of before are.

    Parameters
    ----------
    share : float
        Up to 1.
    """
    if share < 1.0:
        return f"those {100.0 * share:.0f} % of the way back to those of the scenario"
    return "those that the scenario has, none of less cost was found"


def _improved(tuner: "Tuner", search: Search, careful: Option) -> Option:
    """Return gains of less cost that hold all expectations, too, found by steps of kp and ki that shrink."""
    assert careful.design is not None, "what holds the expectations has a design"
    best, cost, step, judged = careful.design.loop, careful.cost, _STEP, 0
    while step > _LEAST_STEP and judged < min(_JUDGED, tuner.judgements):
        for direction in _DIRECTIONS:
            kp, ki = (x.value * np.exp(step * d) for x, d in zip((best.kp, best.ki), direction, strict=True))
            near = rounded(with_gains(best, float(kp), float(ki)))
            # From what costs least to what costs most to know.
            if not search.admits(near) or search.cost(near) >= _WORTH * cost:
                continue
            if max(tuner.exactly(search, near)) > 1.0:
                continue
            judged += 1
            if not tuner.broken((near,)):
                best, cost = near, search.cost(near)
                break
        else:
            step *= 0.5
    if best == careful.design.loop:
        return careful
    caution = "the best found that hold them, from " + careful.caution
    return replace(tuner.kept_option(search, careful.name, best), caution=caution)
