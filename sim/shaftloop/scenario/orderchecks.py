"""Checks of orders: whose turn is meant, and after how many turns all of a shaft repeats."""

from math import lcm

from shaftloop.scenario.draft import Draft
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop_models.bodies import Layout

__all__ = ["check_orders"]

_MOST_TURNS = 10_000
"""After which what depends on the angle of a shaft repeats: beyond it the angle would lose digits."""


def check_orders(draft: Draft, problems: Problems) -> None:
    """Add what is wrong with the orders of a scenario."""
    layout = draft.layout
    if layout is None:
        return
    _check_turns(draft, layout, problems)
    several = len({body.shaft for body in layout.bodies}) > 1
    for number, order in enumerate(draft.single.get("orders") or ()):
        path, name = ("orders", number), order.of
        if name and name not in layout.places:
            problems.error(
                path,
                f"{shown(name)} is no part of the line, so that the order has no shaft"
                f"{nearest(name, layout.places)}; known: {', '.join(layout.places)}",
            )
        elif several and not name:
            known = ", ".join(layout.bodies[shaft].name for shaft in sorted({b.shaft for b in layout.bodies}))
            problems.error(
                path,
                f"{order} per turn of which shaft? This line has several ({known}); name a part of one, "
                f'e.g. "{order._replace(of=next(iter(layout.places)))}"',
            )


def _check_turns(draft: Draft, layout: Layout, problems: Problems) -> None:
    """Check that the orders of a shaft share a number of turns that is not too large."""
    shared: dict[int, dict[str, int]] = {}
    for entry in draft.lists["line"]:
        shaft = layout.bodies[layout.places[entry.name].body].shaft
        shared.setdefault(shaft, {})[entry.name] = entry.value.repeats()
    for turns in shared.values():
        if lcm(*turns.values()) > _MOST_TURNS:
            parts = ", ".join(f"{name} {count}" for name, count in turns.items() if count > 1)
            repeats = f"repeats after {lcm(*turns.values())} turns ({parts})"
            problems.error(
                ("line",),
                f"what depends on the angle of one shaft {repeats}; "
                f"allowed: up to {_MOST_TURNS}; state orders whose denominators have more in common",
            )
