"""Checks of loops that control a position: what they read, and the speed loop that they go through."""

from shaftloop.control.parameters import Loop
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import driving, loop_kind, showing

__all__ = ["check_position"]

_NOT_OF_POSITION = ("active_damping", "disturbance_observer", "predictor")


def check_position(draft: Draft, entry: Entry, loop: Loop, problems: Problems) -> None:
    """Add what is wrong with the keys of a sound loop that are about a position."""
    if loop.controls is None:
        for key in ("through", "damping"):
            if getattr(loop, key):
                problems.error(
                    entry.at(key), 'only for a position; add controls = "position" or leave it out'
                )
        return
    found = draft.find(loop.reads, ["line"])
    counts = None if found is None or found.value is None else found.value.counts
    if counts is None:
        known = draft.names(*(kind for kind in showing("speed") if kind not in driving()))
        which = f"; known: {', '.join(known)}" if known else "; add one to the line"
        problems.error(
            entry.at("reads"),
            f"{shown(loop.reads)} counts no angle, and a bus hop carries the speed alone: a position loop "
            f"reads an encoder itself{which}",
        )
    elif not counts:
        problems.error(
            entry.at("reads"), f'{loop.reads} times its edges; a position needs method = "counting" there'
        )
    for key in _NOT_OF_POSITION:
        if key in entry.raw:
            problems.error(entry.at(key), "not for a position; give it to the speed loop, or leave it out")
    if loop.through is not None:
        _check_through(draft, entry, loop, problems)


def _check_through(draft: Draft, entry: Entry, loop: Loop, problems: Problems) -> None:
    path = entry.at("through")
    if loop.damping:
        problems.error(entry.at("damping"), f"{loop.through} damps already by its kp; leave it out")
    inner = draft.find(loop.through or "", ["loop"])
    speeds = [
        other.name
        for other in draft.lists["loop"]
        if loop_kind(draft, other) == "speed" and not other.text("limiter_of")
    ]
    if inner is None or inner.name not in speeds:
        known = f"; known: {', '.join(speeds)}" if speeds else "; add one"
        problems.error(path, f"{shown(loop.through)} is no speed loop{nearest(loop.through, speeds)}{known}")
        return
    if inner.text("acts_on") != loop.acts_on:
        problems.error(
            path, f"{inner.name} acts on {inner.text('acts_on')}; both loops of a cascade act on one machine"
        )
    others = [other for other in draft.lists["loop"] if other.text("through") == inner.name]
    if others[0].name != entry.name:
        problems.error(path, f"{others[0].name} commands {inner.name} already; a speed loop has one master")
