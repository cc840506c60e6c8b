"""Why a figure of the simulated bench is not the predicted one: which effects make the difference.

First every effect alone is switched off. One that takes most of the difference away is the cause. Where none
does, effects are switched off on top of each other, the strongest first, until the figure agrees: two
limits often hide each other. What is left with everything off is the size of the step.
"""

from collections.abc import Callable, Sequence

from shaftloop.studies.tuning.effects import Effect

__all__ = ["DIFFERENT", "Figures", "differs", "explained"]

Figures = dict[str, tuple[float | None, str]]
"""Value, nothing where it is not reached, and unit of every figure."""

DIFFERENT = 0.1
"""Difference between predicted and simulated from which on it is explained."""
_FLOORS = {"s": 1.0, "%": 2.0, "N m": 0.0, "rad/s": 0.0, "V": 0.0}
"""Least difference that counts: ticks for times, percentage points of the step for overshoot."""
_MOST = 0.75
"""Share of a difference from which on one effect is its cause."""
_NAMED = 0.1
"""Least share that is named."""
_SIZE = "size of the step: drag, saliency and the sensor's nonlinearity are straight lines in the prediction"
_SMALL = "several smaller effects together"
_REST = "what only the full bench has: meters, the timing of edges, limiters"


def differs(predicted: tuple[float | None, str], simulated: tuple[float | None, str], period: float) -> bool:
    """Return whether a figure differs by more than `DIFFERENT`.

    Parameters
    ----------
    predicted, simulated : tuple
        Value and unit.
    period : float
        Of the loop. [s]
    """
    (a, unit), (b, _) = predicted, simulated
    if a is None or b is None:
        return a is not b
    return abs(b - a) > max(DIFFERENT * abs(a), _FLOORS[unit] * (period if unit == "s" else 1.0))


def explained(
    names: Sequence[str],
    predicted: Figures,
    simulated: Figures,
    effects: Sequence[Effect],
    run: Callable[[Sequence[Effect] | None], Figures],
    period: float,
) -> dict[str, str]:
    """Return why figures differ, in words with the share of each cause.

    Parameters
    ----------
    names : sequence of str
        The figures that differ.
    predicted, simulated : dict
        All figures.
    effects : sequence of Effect
        What the bench has and the prediction has not.
    run : callable
        Returns the figures without some effects; of the smooth bench at full size for None.
    period : float
        Of the loop. [s]
    """
    tried: dict[tuple[str, ...], Figures] = {}

    def figures(off: Sequence[Effect] | None) -> Figures:
        ordered = None if off is None else [effect for effect in effects if effect in off]
        key = ("smooth",) if ordered is None else tuple(effect.name for effect in ordered)
        if key not in tried:
            tried[key] = run(ordered)
        return tried[key]

    def left(name: str, off: Sequence[Effect] | None) -> float:
        """Return the share of a figure's difference that stays."""
        there = figures(off).get(name)
        if there is None:
            return 1.0
        return _left(predicted[name], simulated[name], there, period)

    return {name: _cause(lambda off, name=name: left(name, off), effects) for name in names}  # type: ignore[misc]


def _cause(left: Callable[[Sequence[Effect] | None], float], effects: Sequence[Effect]) -> str:
    """Return the causes of one difference."""
    alone = sorted(((1.0 - left([effect]), effect) for effect in effects), key=lambda item: -item[0])
    found: list[tuple[float, str]] = []
    rest = 1.0
    if alone and alone[0][0] >= _MOST:
        found, rest = [(share, effect.name) for share, effect in alone if share >= _MOST], 0.0
    off: list[Effect] = []
    for share, effect in alone:
        # Without a cause so far one that does nothing alone is none either; behind a cause it may be.
        if rest <= 1.0 - _MOST or (not found and share < _NAMED):
            break
        now = left([*off, effect])
        if rest - now >= _NAMED:
            off.append(effect)
            found.append((rest - now, effect.name))
            rest = now
    if rest > 1.0 - _MOST:
        bare = min(left(effects), rest)
        size = min(left(None), bare)
        others = ((rest - bare, _SMALL), (size, _SIZE), (bare - size, _REST))
        found += [(share, name) for share, name in others if share >= _NAMED]
    return "due to: " + "; ".join(f"{name} ({_percent(share)} of the difference)" for share, name in found)


def _percent(share: float) -> str:
    return f"{100.0 * min(share, 1.0):.0f} %"


def _left(
    predicted: tuple[float | None, str],
    simulated: tuple[float | None, str],
    there: tuple[float | None, str],
    period: float,
) -> float:
    """Return the share of a difference that stays; nothing where a figure agrees that did not exist."""
    a, b, c = predicted[0], simulated[0], there[0]
    if a is not None and b is not None and c is not None:
        return abs(c - a) / abs(b - a)
    if not differs(predicted, there, period):
        return 0.0
    if a is None or c is None:
        return 1.0
    return min(abs(c - a) / abs(a), 1.0) if a else 1.0
