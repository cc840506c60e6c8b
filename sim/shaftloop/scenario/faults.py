"""Which faults there are of what, and the checks of those that a scenario states."""

from shaftloop.scenario.description import Fault, FaultKind
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.interlocks import check_condition
from shaftloop.scenario.problems import Problems
from shaftloop_models.line import Spring
from shaftloop_models.part import Part
from shaftloop_models.supply import SUPPLY

__all__ = ["OFF_TIME", "SIZED", "check_fault", "fault_kinds", "said"]

OFF_TIME: tuple[FaultKind, ...] = ("late", "jittering")
"""How frames of a hop come at other times."""

_OF_LIST: dict[str, tuple[FaultKind, ...]] = {
    "loop": ("stalled",),
    "hop": ("lost", *OFF_TIME),
    "limit": ("does_not_act",),
    "brake_resistor": ("open",),
}
_WORDS = {
    "broken": "breaks",
    "blocked": "is blocked",
    "torque_off": "loses its torque",
    "command_stuck": "keeps its last command",
    "shorted": "is shorted",
    "pulses_off": "has its pulses blocked",
    "stuck": "keeps its last reading",
    "zero": "reads zero",
    "full_scale": "reads full scale",
    "shifted": "reads too much by {fault.by:g} N m",
    "drifting": "drifts by {fault.rate:g} N m a second",
    "lost": "loses its frames",
    "late": "delivers its frames {late:g} ms late",
    "jittering": "delivers its frames up to {late:g} ms late",
    "stalled": "stalls",
    "open": "does not conduct",
    "grid_lost": "loses the grid",
    "does_not_act": "does not act",
}
SIZED = {
    "shifted": ("by", 'how far the reading is off, e.g. by = "5 N m"'),
    "drifting": ("rate", 'how fast the reading goes off, e.g. rate = "0.5 N m/s"'),
    "late": ("lateness", 'how late frames come, e.g. lateness = "2 ms"'),
    "jittering": ("lateness", 'how late frames come at most, e.g. lateness = "2 ms"'),
}
"""Key that such a fault alone has, and what it says."""
_TAKES = {"by": "a shifted reading", "rate": "a drifting reading", "lateness": "a late or jittering hop"}
_MOST_LATE = 100
"""Periods of its hop that a frame may be late."""
_FOR_GOOD = ("broken", "blocked", "does_not_act", "pulses_off")
"""What is not over before the run is."""


def said(fault: Fault) -> str:
    """Return what happens in words, e.g. ``c1 breaks`` or ``ts reads zero for 20 ms``."""
    lasts = "" if fault.until is None else f" for {1e3 * float(fault.until - fault.at):g} ms"
    return f"{fault.on} {_WORDS[fault.kind].format(fault=fault, late=1e3 * float(fault.lateness))}{lasts}"


def fault_kinds(part: Part) -> tuple[FaultKind, ...]:
    """Return how a part of the line can fail."""
    springs = any(isinstance(element, Spring) for element in part.elements())
    found: list[FaultKind] = ["broken"] if springs else ["blocked"]
    if part.drives:
        found += ["torque_off", "command_stuck"]
        found += ["shorted", "pulses_off"] if part.wound else []
    if part.samples:
        found += ["stuck", "zero"]
        found += ["full_scale"] if part.range is not None else []
        found += ["shifted", "drifting"] if part.signal == "torque" else []
    return tuple(found)


def check_fault(draft: Draft, entry: Entry, problems: Problems) -> None:
    """Add what is wrong with a fault."""
    name, kind = entry.text("on"), entry.text("kind")
    found = draft.find(name, ("line", *_OF_LIST))
    if not name:
        return
    if name == SUPPLY:
        if "supply" not in draft.single or entry.value is None:
            return
        if draft.single["supply"].link() is None:
            problems.error(
                entry.at("on"),
                'a stiff link does not notice the grid; state [supply] kind = "rectifier" or "two_way"',
            )
            return
        kinds: tuple[FaultKind, ...] = ("grid_lost",)
    elif found is None:
        known = [other.name for key in ("line", *_OF_LIST) for other in draft.lists[key] if other.name]
        problems.error(
            entry.at("on"),
            f"{shown(name)} is no name in this scenario{nearest(name, known)}; it must name a part, loop, "
            f"hop, limit or brake resistor, or {SUPPLY}: {', '.join(known)}",
        )
        return
    elif found.value is None or entry.value is None:
        return
    else:
        kinds = _OF_LIST.get(str(found.path[0])) or fault_kinds(found.value)
    if kind not in kinds:
        problems.error(
            entry.at("kind"),
            f"{shown(kind)} is nothing that {name} can suffer; choose one of {', '.join(kinds)}",
        )
        return
    _check_when(draft, entry, problems)
    _check_size(entry, found, problems)
    if kind in _FOR_GOOD:
        same = [
            other for other in draft.lists["fault"] if (other.text("on"), other.text("kind")) == (name, kind)
        ]
        if same[0] is not entry:
            problems.error(
                entry.at("on"), f"{name} {_WORDS[kind]} already by fault {same[0].name}; state one of the two"
            )


def _check_size(entry: Entry, found: Entry | None, problems: Problems) -> None:
    """Check how large a fault is: stated where it must be, and nowhere else."""
    fault = entry.value
    own, what = SIZED.get(fault.kind, ("", ""))
    for key, takes in _TAKES.items():
        if key == own and not getattr(fault, key):
            problems.error(entry.at(key), f"missing: state {what}")
        elif key != own and getattr(fault, key):
            problems.error(entry.at(key), f"only {takes} takes {key}; leave it out")
    if fault.kind in OFF_TIME and found is not None and fault.lateness > _MOST_LATE * found.value.period:
        most = 1e3 * float(_MOST_LATE * found.value.period)
        problems.error(
            entry.at("lateness"),
            f"{shown(entry.raw['lateness'])} is more than {_MOST_LATE} periods of {found.name}, {most:g} ms; "
            'lower it, or state kind = "lost"',
        )


def _check_when(draft: Draft, entry: Entry, problems: Problems) -> None:
    """Check the time or the condition of a fault."""
    if entry.value.when is not None:
        check_condition(draft, entry.at("when"), entry.raw["when"], entry.value.when, problems)
        for key in ("at", "until"):
            if key in entry.raw:
                problems.error(
                    entry.at(key),
                    "a fault with when begins when its condition is met, and stays; leave this out",
                )
    elif "at" not in entry.raw:
        problems.error(entry.at("at"), 'missing: say when, e.g. at = "1 s", or state a condition as when')
    else:
        _check_times(draft, entry, problems)


def _check_times(draft: Draft, entry: Entry, problems: Problems) -> None:
    fault, duration = entry.value, draft.single.get("duration")
    if duration is not None and fault.at >= duration:
        problems.warn(entry.at("at"), f"never happens: the run ends at {float(duration):g} s")
    if fault.until is None:
        return
    if fault.kind in _FOR_GOOD:
        problems.error(entry.at("until"), f"what is {fault.kind} stays so; leave it out")
    elif fault.until <= fault.at:
        problems.error(
            entry.at("until"),
            f"{shown(entry.raw['until'])} is not after the start at {float(fault.at):g} s; raise it",
        )
