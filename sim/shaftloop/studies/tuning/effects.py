"""What a real bench has and the linear prediction has not, switched off one by one on the same bench."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from shaftloop.bench.parts.part import BEYOND, make_part
from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop_models.part import Part
from shaftloop_models.supply import SUPPLY, Stiff

__all__ = ["EFFECTS", "Effect", "present", "without"]


@dataclass(frozen=True)
class Effect:
    """Something that the prediction leaves out."""

    name: str
    """In the words of the trade."""
    off: Callable[[Description, str], Description]
    """The bench without it; takes bench and tuned loop."""


def present(description: Description, loop: str) -> tuple[Effect, ...]:
    """Return the effects that a bench has.

    Parameters
    ----------
    description : Description
        The bench.
    loop : str
        The loop that is tuned.
    """
    parts = [make_part(part) for part in description.line]
    limits = [
        Effect(f"{limit.cause} of {part.name}", _one_part(part.name, limit.change))
        for part in parts
        for limit in part.limits()
    ]
    names = dict.fromkeys(entry.cause for part in parts for entry in part.imperfections())
    found = (*limits, *EFFECTS, *(Effect(name, _all_parts(name)) for name in names))
    return tuple(effect for effect in found if effect.off(description, loop) != description)


def without(description: Description, loop: str, effects: Iterable[Effect]) -> Description:
    """Return a bench without some effects.

    Parameters
    ----------
    description : Description
        The bench.
    loop : str
        The loop that is tuned.
    effects : iterable of Effect
        What is switched off.
    """
    for effect in effects:
        description = effect.off(description, loop)
    return description


def _one_part(name: str, change: Callable[[Any], Part]) -> Callable[[Description, str], Description]:
    """Return what changes one part."""
    return lambda bench, _: replace(
        bench, line=tuple(change(part) if part.name == name else part for part in bench.line)
    )


def _all_parts(name: str) -> Callable[[Description, str], Description]:
    """Return what takes an imperfection from all parts that have it."""

    def perfect(part: Part) -> Part:
        for entry in make_part(part).imperfections():
            if entry.cause == name:
                return entry.change(part)
        return part

    return lambda bench, _: replace(bench, line=tuple(map(perfect, bench.line)))


def _own(change: Callable[[Loop], Loop]) -> Callable[[Description, str], Description]:
    """Return what changes the loop that is tuned."""
    return lambda bench, name: with_loop(bench, change(loop_named(bench, name)))


def _others(change: Callable[[Loop], Loop]) -> Callable[[Description, str], Description]:
    """Return what changes the other loops, limiters left as they are."""
    return lambda bench, name: replace(
        bench,
        loop=tuple(
            loop if loop.name == name or loop.limiter_of is not None else change(loop) for loop in bench.loop
        ),
    )


def _free(loop: Loop) -> Loop:
    return replace(loop, clamp=BEYOND * loop.clamp)


def _weak_link(bench: Description, _: str) -> Description:
    """Take the voltage limit out of reach; field weakening begins at the voltage at which it did.

    A link that a loop keeps stays: without its supply that loop would be none.
    """
    if any(loop.acts_on == SUPPLY for loop in bench.loop):
        return bench
    kept = {machine.name: make_part(machine).on_stronger_link(BEYOND) for machine in bench.machines()}
    if not any(kept.values()):
        return bench
    supply = Stiff(voltage=BEYOND * bench.supply.nominal())
    return replace(bench, supply=supply, line=tuple(kept.get(part.name) or part for part in bench.line))


EFFECTS = (
    Effect(
        "rate limit of the set-point",
        _own(lambda loop: loop if loop.setpoint_rate is None else replace(loop, setpoint_rate=None)),
    ),
    Effect("clamp of the command", _own(_free)),
    Effect("clamps of the other loops", _others(_free)),
    Effect("voltage limit of the DC link", _weak_link),
)
"""Those that no part of the line has."""
