"""Checks across the entries of a scenario."""

from shaftloop.scenario.description import Expect
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.faults import check_fault
from shaftloop.scenario.fields import shown
from shaftloop.scenario.interlocks import check_limits
from shaftloop.scenario.linechecks import check_line
from shaftloop.scenario.loopchecks import check_loops
from shaftloop.scenario.orderchecks import check_orders
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import carried, check_reference, driving, showing
from shaftloop.scenario.supplychecks import check_supply

__all__ = ["check_consistency"]


def check_consistency(draft: Draft, problems: Problems) -> None:
    """Add everything that is wrong between the entries of a draft."""
    _check_names(draft, problems)
    check_line(draft, problems)
    check_orders(draft, problems)
    unit = draft.single.get("unit")
    if unit is not None:
        check_reference(draft, problems, ("unit",), unit, *driving())
    for hop in draft.lists["hop"]:
        _check_hop(draft, hop, problems)
    check_loops(draft, problems)
    check_limits(draft, problems)
    for fault in draft.lists["fault"]:
        check_fault(draft, fault, problems)
    for meter in draft.lists["power_meter"]:
        if meter.text("on"):
            check_reference(draft, problems, meter.at("on"), meter.text("on"), *driving())
    check_supply(draft, problems)
    _check_expectations(draft, problems)


def _check_names(draft: Draft, problems: Problems) -> None:
    seen: dict[str, Entry] = {}
    for entry in draft.named():
        first = seen.setdefault(entry.name, entry)
        if first is not entry:
            place = ".".join(str(key) for key in first.path)
            problems.error(
                entry.at("name"), f"{shown(entry.name)} is the name of {place} already; names are unique"
            )


def _check_hop(draft: Draft, hop: Entry, problems: Problems) -> None:
    path, name = hop.at("carries"), hop.text("carries")
    roles = (*showing("torque", "speed"), "loop", "hop")
    if not name or not check_reference(draft, problems, path, name, *roles):
        return
    chain = carried(draft, hop.name)
    if chain[-1] in chain[:-1]:
        problems.error(path, f"the hops {' -> '.join(chain)} carry each other in a circle")
    same = [other.name for other in draft.lists["hop"] if other.text("carries") == name]
    if draft.role(name) == "loop" and same[0] != hop.name:
        problems.error(
            path, f"{same[0]} carries the command of {name} already; a command has one way to its machine"
        )


def _check_expectations(draft: Draft, problems: Problems) -> None:
    """Check what needs no knowledge of the figures; `shaftloop check` knows their names and units."""
    names: dict[str, Entry] = {}
    metrics: dict[str, Entry] = {}
    for entry in draft.lists["expect"]:
        for key, seen in (("name", names), ("metric", metrics)):
            text = entry.text(key)
            first = seen.setdefault(text, entry) if text else entry
            if first is not entry:
                place = ".".join(str(part) for part in first.path)
                what = "is the name of" if key == "name" else "is expected by"
                problems.error(
                    entry.at(key), f"{shown(text)} {what} {place} already; put both into one entry"
                )
        value = entry.value
        if not isinstance(value, Expect):
            continue
        if value.tolerance is not None and value.relative_tolerance is not None:
            problems.error(
                entry.at("relative_tolerance"), "there is a tolerance already; state one of the two"
            )
        if all(v is None for v in (value.at_most, value.at_least, value.tolerance, value.relative_tolerance)):
            problems.error(
                entry.path,
                'nothing is expected; state at_most or at_least, e.g. at_most = 1.6 or at_least = "35 deg", '
                "or a tolerance against the baseline",
            )
