"""Checks of the line as a whole: enough bodies, no two springs without an inertia between."""

from math import isinf

from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import driving
from shaftloop_models.bodies import Layout, befores
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
    for number in range(len(entries)):
        _check_after(entries, number, problems)
    if draft.layout is not None:
        followers = _followers(entries)
        _check_followers(draft.layout, entries, followers, problems)
        _check_bodies(draft.layout, entries, problems)
        _check_fixed(entries, followers, problems)
        _check_held(draft.layout, entries, problems)
    for entry in entries:
        _check_stands(entry, problems)
        for keys, words in entry.value.warnings() if entry.value is not None else ():
            problems.warn((*entry.path, *keys), words)


def _check_stands(entry: Entry, problems: Problems) -> None:
    """Check that a part stands what it is rated for."""
    if entry.value is None:
        return
    rated, limit, *_ = entry.value.stands()
    if rated is not None and limit is not None and limit < rated:
        problems.error(
            entry.at("limit"),
            f"{limit:g} N m is below what the part is rated for, {rated:g} N m; allowed: at least that; "
            "raise limit or lower rated",
        )


def _check_after(entries: list[Entry], number: int, problems: Problems) -> None:
    """Check that a part comes after one that stands above it."""
    entry, name = entries[number], entries[number].text("after")
    above, below = ([one.name for one in some] for some in (entries[:number], entries[number:]))
    path = entry.at("after")
    if isinstance(entry.raw.get("after"), list):
        problems.error(
            path, "a part comes after one other: two would close a loop, which no line has; name one"
        )
    if not name or name in above:
        return
    if not above:
        problems.error(path, f"{shown(name)}: the first part comes after nothing; leave after out")
    elif name == entry.name:
        problems.error(path, f"{name} cannot come after itself; known: {', '.join(above)}")
    elif name in below:
        problems.error(
            path,
            f"{name} stands further down; a part comes after one above it: move {entry.name} below {name}, "
            f"or name one of {', '.join(above)}",
        )
    else:
        problems.error(
            path, f"{shown(name)} is no part of the line{nearest(name, above)}; known: {', '.join(above)}"
        )


def _followers(entries: list[Entry]) -> dict[str, list[Entry]]:
    """Return what comes after every part."""
    before = befores([entry.value for entry in entries])
    return {one.name: [e for e in entries if before.get(e.name) == one.name] for one in entries}


def _check_followers(
    layout: Layout, entries: list[Entry], followers: dict[str, list[Entry]], problems: Problems
) -> None:
    """Check that no part has more behind it than it has ends, and a differential as many."""
    for entry in entries:
        names = [other.name for other in followers[entry.name]]
        spring = layout.places[entry.name].spring
        ends = 1 if spring is None else len(layout.tree.joints[spring].rights)
        if ends > 1 and len(names) != ends:
            problems.error(
                entry.path,
                f"{entry.name} has {ends} outputs, and {' and '.join(names) or 'nothing'} "
                f"{'come' if len(names) > 1 else 'comes'} after it; "
                f'allowed: {ends} parts, each with after = "{entry.name}" (the one right below needs none)',
            )
        elif entry.value.signal == "torque" and len(names) > 1:
            problems.error(
                followers[entry.name][1].at("after"),
                f"{' and '.join(names)} come after {entry.name}, a torque sensor, whose flange carries one "
                "shaft; let the line branch at a flywheel or another body beside it",
            )


def _check_bodies(layout: Layout, entries: list[Entry], problems: Problems) -> None:
    """Check that there is an inertia at every end and between any two springs."""
    find = {entry.name: entry for entry in entries}
    bodies, joints = layout.bodies, layout.tree.joints
    for number, body in enumerate(bodies):
        if body.inertia == 0.0 and len(bodies) > 1:
            left = next((find[joint.part] for joint in joints if number in joint.rights), None)
            right = next((find[joint.part] for joint in joints if joint.left == number), None)
            _needs_inertia(left, right, problems)
    if len(bodies) == 1 and bodies[0].inertia == 0.0:
        problems.error(("line",), "no part of the line has an inertia; give one to the machine")
    if len(bodies) > MAX_BODIES:
        problems.error(
            ("line",),
            f"{len(bodies)} bodies; allowed: at most {MAX_BODIES}; leave out springs that are stiff anyway",
        )


def _check_fixed(entries: list[Entry], followers: dict[str, list[Entry]], problems: Problems) -> None:
    """Check that at most one part holds the line, and at an end."""
    fixed = [
        entry
        for entry in entries
        if any(isinstance(element, Inertia) and isinf(element.value) for element in entry.value.elements())
    ]
    for entry in fixed:
        if entry is not entries[0] and followers[entry.name]:
            problems.error(
                entry.path,
                "is inside the line; a fixed end is its first part, or one that nothing comes after",
            )
    for entry in fixed[1:]:
        problems.error(entry.path, f"a second fixed end, beside {fixed[0].name}; allowed: one; leave one out")


def _check_held(layout: Layout, entries: list[Entry], problems: Problems) -> None:
    """Warn of a machine that cannot turn anything, since it sits on the part that holds the line."""
    held = {body.machine for body in layout.bodies if isinf(body.inertia)}
    for entry in entries:
        if entry.name in held:
            problems.warn(
                entry.path,
                "sits on the fixed end, which takes all of its torque, so it moves nothing; put a shaft or a "
                "coupling between the two",
            )


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
