"""Checks of what interlocks watch and do, and of conditions in general."""

from itertools import combinations, permutations
from typing import Any

from shaftloop.scenario.description import LEVEL_UNITS, Condition, Limit
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import carried
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop_models.line import Spring
from shaftloop_models.part import Part
from shaftloop_models.supply import SUPPLY

__all__ = ["check_condition", "check_limits"]


def check_limits(draft: Draft, problems: Problems) -> None:
    """Add what is wrong with interlocks, alone and among each other."""
    for entry in draft.lists["limit"]:
        if isinstance(entry.value, Limit):
            check_condition(draft, entry.path, entry.raw, entry.value, problems)
            _check_action(draft, entry, entry.value, problems)
    for one, other in combinations(draft.lists["limit"], 2):
        if one.value is not None and other.value is not None:
            _check_pair(one, other, problems)


def check_condition(
    draft: Draft, path: KeyPath, raw: dict[str, Any], condition: Condition, problems: Problems
) -> None:
    """Add what is wrong with a condition, which the raw table at a path states."""
    stated = [key for key in ("above", "below", "jump", "outside") if key in raw]
    if len(stated) != 1:
        what = f"{' and '.join(stated)} contradict each other" if stated else "missing: a level"
        problems.error(
            (*path, stated[-1] if stated else "above"), f"{what}; state one of above, below, jump, outside"
        )
        return
    units = _watchable(draft, path, condition.watches, problems)
    if not units:
        return
    if condition.quantity not in units:
        what = "reading" if condition.quantity == "reading" else condition.quantity.replace("_", " ")
        problems.error((*path, "quantity"), f"{condition.watches} has no {what}; choose {' or '.join(units)}")
        return
    key, unit = stated[0], units[condition.quantity]
    part = draft.find(condition.watches, ["line"])
    if condition.quantity == "age" and key != "above":
        problems.error(
            (*path, key), f"the age of a frame falls with the next one; state above in place of {key}"
        )
        return
    if key == "jump" and (condition.quantity != "reading" or part is None or not part.value.samples):
        problems.error((*path, key), "only a sampled reading jumps; watch a torque sensor or an encoder")
        return
    try:
        for level in raw[key] if key == "outside" else (raw[key],):
            read_quantity(level, (unit,))
    except UnitError as error:
        kinds = {"N m": "torque", "rad/s": "speed", "V": "voltage", "A": "current", "s": "time"}
        kind = kinds.get(unit, "temperature")
        who = "interlock" if path[0] == "limit" else "fault"
        problems.error((*path, key), f"{shown(raw[key])}: the {who} watches a {kind}: {error}")
        return
    if condition.outside is not None and condition.outside[0] >= condition.outside[1]:
        problems.error((*path, key), f"{shown(raw[key])} is no band; state the lower level first")
        return
    if condition.quantity == "age":
        _check_age(draft, path, condition, problems)
    if key == "above" and part is not None and condition.quantity == "reading":
        _check_range(path, part.value, condition, problems)


def _watchable(draft: Draft, path: KeyPath, name: str, problems: Problems) -> dict[str, str]:
    """Return the quantities that can be watched of a name, with their units; nothing where that fails."""
    if name == SUPPLY:
        if "supply" in draft.single and draft.single["supply"].link() is not None:
            return {"voltage": "V"}
        problems.error(
            (*path, "watches"),
            'the voltage of a stiff link never changes; state [supply] kind = "rectifier" or "two_way"',
        )
        return {}
    found = draft.find(name, ["line", "hop"])
    if found is None:
        known = [entry.name for key in ("line", "hop") for entry in draft.lists[key] if entry.name] + [SUPPLY]
        role = draft.role(name)
        what = f"is a {role.replace('_', ' ')}" if role else "is no name in this scenario"
        problems.error(
            (*path, "watches"),
            f"{shown(name)} {what}; it must name a part of the line, a hop or {SUPPLY}"
            f"{nearest(name, known)}: {', '.join(known)}",
        )
        return {}
    if found.value is None:
        return {}
    if found.path[0] == "hop":
        return {"age": "s"}
    units = _of_part(found.value)
    if not units:
        problems.error((*path, "watches"), f"nothing can be watched of {name}, a {draft.role(name)}")
    return units


def _of_part(part: Part) -> dict[str, str]:
    """Return the quantities that can be watched of a part, with their units."""
    names = []
    if part.signal == "torque":
        names.append("true_torque")
    if part.signal == "speed":
        names.append("speed")
    if any(isinstance(element, Spring) for element in part.elements()):
        names.append("speed_difference")
    names += ["current"] if part.wound else []
    names += ["temperature"] if part.heat is not None else []
    units = {name: LEVEL_UNITS[name] for name in names}
    return {"reading": "N m" if part.signal == "torque" else "rad/s", **units} if part.signal else units


def _check_range(path: KeyPath, sensor: Part, condition: Condition, problems: Problems) -> None:
    most, above = sensor.range, condition.above
    if most is not None and above is not None and above >= most:
        problems.warn(
            (*path, "above"),
            f"{above:g} N m is never read: the range of {condition.watches} ends at {most:g} N m; "
            'lower it or set quantity = "true_torque"',
        )


def _check_age(draft: Draft, path: KeyPath, condition: Condition, problems: Problems) -> None:
    """Warn of a watchdog that a healthy bus may trip."""
    found = (draft.find(name, ["hop"]) for name in carried(draft, condition.watches))
    hops = [entry.value for entry in found if entry is not None and entry.value is not None]
    oldest = float(sum(max(hop.period, hop.phase) + hop.transport.seconds(hop.period) for hop in hops))
    if condition.above is not None and condition.above < oldest:
        problems.warn(
            (*path, "above"),
            f"{1e3 * condition.above:g} ms may be passed though nothing fails: until the next one arrives, "
            f"frames of {condition.watches} grow up to {1e3 * oldest:g} ms old; raise it to more than that",
        )


def _check_action(draft: Draft, entry: Entry, limit: Limit, problems: Problems) -> None:
    """Check that there is something on which an interlock can act as it should."""
    machines = ("short", "pulses_off")
    lists = {**dict.fromkeys(machines, "line"), "resistor_on": "brake_resistor"}
    if limit.action not in lists:
        if limit.on is not None:
            problems.error(entry.at("on"), f"{limit.action} acts on the whole bench; leave it out")
        if limit.action == "contactor_open" and draft.single.get("supply") is not None:
            if draft.single["supply"].link() is None:
                problems.error(
                    entry.at("action"),
                    'a stiff link does not notice the grid; state [supply] kind = "rectifier" or "two_way"',
                )
        return
    among = [found for found in draft.lists[lists[limit.action]] if found.value is not None]
    if limit.action in machines:
        among = [found for found in among if found.value.drives and found.value.wound]
    names = [found.name for found in among]
    what = "machine with magnets" if limit.action in machines else "brake resistor"
    if limit.on is not None and limit.on not in names:
        known = f"; choose {' or '.join(names)}" if names else ""
        part = draft.find(limit.on, ["line"])
        drives = part is not None and part.value is not None and part.value.drives
        torque = ", a torque-servo machine has no currents" if drives else ""
        problems.error(entry.at("on"), f"{shown(limit.on)} is no {what}{torque}{known}")
    elif not names:
        problems.error(entry.at("action"), f"the bench has no {what}; choose another action")


def _always(band: tuple[float, float], other: Condition) -> bool:
    """Return whether another condition is met in all of a band."""
    low, high = band
    most = max(-low, high)
    if other.outside is not None:
        return high < other.outside[0] or low > other.outside[1]
    return (other.above is not None and (low > other.above or -high > other.above)) or (
        other.below is not None and most < other.below
    )


def _check_pair(one: Entry, other: Entry, problems: Problems) -> None:
    """Check that two interlocks do not contradict each other."""
    a, b = one.value, other.value
    if (a.watches, a.quantity) != (b.watches, b.quantity):
        return
    for (upper, high), (lower, low) in permutations(((a, one.raw), (b, other.raw))):
        if upper.above is not None and lower.below is not None and lower.below >= upper.above:
            problems.error(
                other.path,
                f"{upper.name} and {lower.name} contradict each other: {upper.watches} is always "
                f"above {high['above']} or below {low['below']}; lower "
                f"{lower.name}.below under {upper.name}.above",
            )
    for (band, stated), (level, _) in permutations(((a, one.raw), (b, other.raw))):
        if band.outside is not None and _always(band.outside, level):
            inside = " to ".join(map(str, stated["outside"]))
            problems.error(
                other.path,
                f"{one.name} and {other.name} contradict each other: {band.watches} always trips one, "
                f"also inside the band of {band.name}, {inside}; move this band",
            )
            return
    if a.level != b.level or {a.action, b.action} != {"torque_off", "ramp_down"}:
        return
    ramp, off = (a, b) if a.action == "ramp_down" else (b, a)
    if off.debounce + off.reaction <= ramp.debounce + ramp.reaction:
        problems.error(
            other.path,
            f"{ramp.name} and {off.name} contradict each other: where one ramps the torque down, the other "
            f"takes it off at the same level and no later; raise the level or the debounce of {off.name}",
        )
