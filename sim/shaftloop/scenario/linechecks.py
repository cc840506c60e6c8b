"""Checks of the line as a whole: enough bodies, no two springs without an inertia between."""

from math import isinf

from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import driving
from shaftloop_models.line import Inertia

__all__ = ["MAX_BODIES", "check_line"]

MAX_BODIES = 40
"""Bodies that a line may have; neighbours without a spring between them count as one."""


def check_line(draft: Draft, problems: Problems) -> None:
    """Add what is wrong with the line."""
    entries = draft.lists["line"]
    if not entries:
        problems.error(
            ("line",), "the line is empty; add [[line]] entries from left to right, a machine among them"
        )
        return
    if not draft.names(*driving()) and all(entry.text("part") for entry in entries):
        problems.error(("line",), 'the line has no machine; add a [[line]] entry with part = "machine"')
    if all(entry.value is not None for entry in entries):
        _check_bodies(entries, problems)
        _check_fixed(entries, problems)
    for entry in entries:
        _check_stands(entry, problems)
        for keys, words in entry.value.warnings() if entry.value is not None else ():
            problems.warn((*entry.path, *keys), words)


def _check_stands(entry: Entry, problems: Problems) -> None:
    """Check that a part stands what it is rated for."""
    if entry.value is None:
        return
    rated, limit, _ = entry.value.stands()
    if rated is not None and limit is not None and limit < rated:
        problems.error(
            entry.at("limit"),
            f"{limit:g} N m is below what the part is rated for, {rated:g} N m; allowed: at least that; "
            "raise limit or lower rated",
        )


def _check_bodies(entries: list[Entry], problems: Problems) -> None:
    """Check that there is an inertia at both ends and between any two springs."""
    bodies, inertia = 1, 0.0
    left: Entry | None = None
    for entry in entries:
        for element in entry.value.elements():
            if isinstance(element, Inertia):
                inertia += element.value
                continue
            if inertia == 0.0:
                _needs_inertia(left, entry, problems)
            bodies, inertia, left = bodies + 1, 0.0, entry
    if inertia == 0.0 and left is not None:
        _needs_inertia(left, None, problems)
    if bodies == 1 and inertia == 0.0:
        problems.error(("line",), "no part of the line has an inertia; give one to the machine")
    if bodies > MAX_BODIES:
        problems.error(
            ("line",),
            f"{bodies} bodies; allowed: at most {MAX_BODIES}; leave out springs that are stiff anyway",
        )


def _check_fixed(entries: list[Entry], problems: Problems) -> None:
    """Check that at most one part holds the line, and at an end."""
    fixed = [
        entry
        for entry in entries
        if any(isinstance(element, Inertia) and isinf(element.value) for element in entry.value.elements())
    ]
    for entry in fixed:
        if entry not in (entries[0], entries[-1]):
            problems.error(entry.path, "is inside the line; a fixed end is its first or last part")
    for entry in fixed[1:]:
        problems.error(entry.path, f"a second fixed end, beside {fixed[0].name}; allowed: one; leave one out")


def _needs_inertia(left: Entry | None, right: Entry | None, problems: Problems) -> None:
    """Add the error about a place without inertia between two springs, or at an end."""
    names = [entry.name for entry in (left, right) if entry]
    side = "between" if left and right else "right of" if left else "left of"
    ways = [
        f"{key} to {entry.name}"
        for entry, key in ((left, "inertia_right"), (right, "inertia_left"))
        if entry and key in vars(entry.value)
    ]
    path = (right or left).path if right or left else ("line",)  # type: ignore[union-attr]
    problems.error(
        path,
        f"needs an inertia {side} {' and '.join(names)}: give {' or '.join([*ways, 'a flywheel there'])}",
    )
