"""Checks of the loops: what they read and act on, units of their gains, and limiters."""

from functools import cache

from shaftloop.control.parameters import Filter, LeadLag, Loop, Notch
from shaftloop.scenario.derive import readable_fields
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import level_units, shown
from shaftloop.scenario.positionchecks import check_position
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import carried, check_reference, driving, loop_kind, showing
from shaftloop.scenario.structurechecks import check_structure
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop_models.supply import SUPPLY

__all__ = ["LEVEL_UNITS", "check_levels", "check_loops"]

_GAIN_UNITS = {
    "torque": {"kp": "1", "ki": "1/s", "kd": "s"},
    "speed": {"kp": "N m s/rad", "ki": "N m/rad", "kd": "N m s^2/rad"},
    "position": {"kp": "N m/rad", "ki": "N m/(rad s)", "kd": "N m s/rad"},
    "cascade": {"kp": "1/s", "ki": "1/s^2", "kd": "1"},
    "voltage": {"kp": "W/V", "ki": "W/(V s)", "kd": "W s/V"},
}
_NOT_OF_VOLTAGE = (
    "limiter_of", "limit_speed", "feedforward", "setpoint_rate", "setpoint_filter",
    "active_damping", "disturbance_observer", "predictor",
)  # fmt: skip
_JOINT = "joint"
"""What figures call all loops together."""
LEVEL_UNITS = {"torque": ("N m", "N m/s"), "speed": ("rad/s", "rad/s^2"), "position": ("rad", "rad/s")}
"""Units of what a loop controls and of its rate."""


def check_loops(draft: Draft, problems: Problems) -> None:
    """Add what is wrong with the loops, alone and among each other."""
    for entry in draft.lists["loop"]:
        if entry.name == _JOINT:
            problems.error(
                entry.at("name"),
                f'"{_JOINT}" stands for all loops judged as one, as in margins.{_JOINT}.ms; choose another',
            )
        if SUPPLY in (entry.text("acts_on"), entry.text("reads")):
            _check_keeper(draft, entry, problems)
        else:
            _check_ends(draft, entry, problems)
        if isinstance(entry.value, Loop):
            kind = loop_kind(draft, entry)
            _check_loop(entry, entry.value, kind, problems)
            check_structure(draft, entry, kind, problems)
            check_position(draft, entry, entry.value, problems)
    _check_sharing(draft, problems)


def check_levels(entry: Entry, kind: str, problems: Problems) -> None:
    """Check that the levels of a sound loop or step for it are of its kind, ``torque`` or ``speed``."""
    cls: type = type(entry.value)
    for key, wanted in _levels(cls, kind).items():
        if key not in entry.raw:
            continue
        try:
            read_quantity(entry.raw[key], (wanted,))
        except UnitError as error:
            problems.error(entry.at(key), f"{shown(entry.raw[key])}: the loop controls a {kind}: {error}")


@cache
def _levels(cls: type, kind: str) -> dict[str, str]:
    """Return the unit of every level that a dataclass has, where it is for a torque or a speed."""
    hints = ((key, level_units(hint)) for key, (hint, _) in readable_fields(cls).items() if key != "clamp")
    return {key: unit for key, units in hints for unit in units if unit in LEVEL_UNITS[kind]}


def _check_keeper(draft: Draft, entry: Entry, problems: Problems) -> None:
    """Check a loop that keeps the voltage of the link."""
    ends = {key: entry.text(key) for key in ("acts_on", "reads")}
    for key, name in ends.items():
        if name != SUPPLY:
            problems.error(
                entry.at(key), f"{shown(name)}: a loop at the supply reads it and acts on it; write {SUPPLY}"
            )
    if "supply" in draft.single and not draft.supply_is_kept():
        kind = draft.single["supply"].kind
        problems.error(
            entry.at("acts_on"),
            f'a supply of kind "{kind}" keeps no voltage; state [supply] kind = "two_way", or leave the loop '
            "out",
        )
    for key in _NOT_OF_VOLTAGE:
        if entry.raw.get(key):
            problems.error(entry.at(key), "not for a loop that keeps the voltage of the link; leave it out")


def _check_ends(draft: Draft, entry: Entry, problems: Problems) -> None:
    """Check what a loop acts on and reads."""
    if entry.text("acts_on"):
        check_reference(draft, problems, entry.at("acts_on"), entry.text("acts_on"), *driving())
    reads = entry.text("reads")
    if reads and check_reference(
        draft, problems, entry.at("reads"), reads, *showing("torque", "speed"), "hop"
    ):
        behind = carried(draft, reads)[-1]
        if draft.role(behind) == "loop":
            problems.error(
                entry.at("reads"),
                f"{reads} carries the command of {behind}; a loop reads a torque or a speed",
            )


def _check_loop(entry: Entry, loop: Loop, kind: str, problems: Problems) -> None:
    if kind:
        _check_kind(entry, loop, kind, problems)
    if loop.kp.value == 0.0 and loop.anti_windup == "back_calculation":
        problems.error(
            entry.at("kp"), 'back calculation divides by kp; set kp above 0 or anti_windup = "conditional"'
        )
    if loop.limiter_of is None and loop.limit_speed is not None:
        problems.error(entry.at("limit_speed"), "only a limiter keeps it; add limiter_of, or leave it out")
    if loop.limiter_of is not None and loop.limit_speed is None:
        problems.error(entry.at("limiter_of"), 'needs the speed to keep; add e.g. limit_speed = "2000 rpm"')
    for index, item in enumerate(loop.filters):
        _check_filter(entry, index, item, problems)


def _check_clamp(entry: Entry, loop: Loop, problems: Problems) -> None:
    """Check that the clamp is a torque, or a power of a loop at the supply."""
    try:
        read_quantity(entry.raw["clamp"], (loop.unit,))
    except UnitError as error:
        problems.error(entry.at("clamp"), f"{shown(entry.raw['clamp'])}: {error}")


def _check_kind(entry: Entry, loop: Loop, kind: str, problems: Problems) -> None:
    """Check what depends on whether a loop controls a torque or a speed."""
    for key, gain in (("kp", loop.kp), ("ki", loop.ki), ("kd", loop.kd)):
        wanted = _GAIN_UNITS["cascade" if loop.through else kind][key]
        if key in entry.raw and gain.unit != wanted:
            written = "a bare number" if wanted == "1" else f"in {wanted}"
            way = f" through {loop.through}" if loop.through else ""
            problems.error(
                entry.at(key),
                f"{shown(entry.raw[key])}: {key} of a loop that controls a {kind}{way} must be {written}",
            )
    _check_clamp(entry, loop, problems)
    if kind == "voltage":
        return
    check_levels(entry, kind, problems)
    if kind != "torque" and loop.feedforward:
        problems.error(
            entry.at("feedforward"), "only a torque loop feeds its set-point forward; leave it out"
        )
    if kind != "speed" and loop.limiter_of is not None:
        problems.error(entry.at("reads"), "a limiter keeps a speed; let it read a machine or an encoder")


def _check_filter(entry: Entry, index: int, item: Filter, problems: Problems) -> None:
    """Check the frequencies of a filter on the reading against the rate of its loop."""
    half = float(entry.value.rate) / 2.0
    if isinstance(item, Notch):
        frequencies = {"frequency": item.frequency}
    elif isinstance(item, LeadLag):
        frequencies = {"zero": item.zero, "pole": item.pole}
    else:
        frequencies = {"cutoff": item.cutoff}
    for key, frequency in frequencies.items():
        if frequency >= half:
            problems.error(
                (*entry.at("filters"), index, key),
                f"{frequency:g} Hz must be below half the rate of the loop ({half:g} Hz)",
            )


def _check_sharing(draft: Draft, problems: Problems) -> None:
    """Check that a machine has one loop, and one limiter of it at most."""
    masters: dict[str, Entry] = {}
    limiters: dict[str, Entry] = {}
    for entry in draft.lists["loop"]:
        loop = entry.value
        if not isinstance(loop, Loop):
            continue
        if loop.through is not None:
            continue
        if loop.limiter_of is None:
            first = masters.setdefault(loop.acts_on, entry)
            if first is not entry:
                problems.error(
                    entry.at("acts_on"),
                    f"{first.name} acts on {loop.acts_on} already; remove one, or declare one the limiter of "
                    f'the other, e.g. limiter_of = "{first.name}"',
                )
        else:
            _check_limiter(draft, entry, loop, problems)
            first = limiters.setdefault(loop.limiter_of, entry)
            if first is not entry:
                problems.error(
                    entry.at("limiter_of"), f"{loop.limiter_of} has the limiter {first.name} already"
                )


def _check_limiter(draft: Draft, entry: Entry, limiter: Loop, problems: Problems) -> None:
    path = entry.at("limiter_of")
    found = draft.find(limiter.limiter_of or "", ["loop"])
    if found is None:
        check_reference(draft, problems, path, limiter.limiter_of or "", "loop")
        return
    main = found.value
    if not isinstance(main, Loop):
        return
    if main.limiter_of is not None:
        problems.error(path, f"{main.name} is a limiter; name the loop that is to be limited")
        return
    if main.through is not None:
        words = f"commands a speed, which its clamp bounds; name {main.through}, which it goes through"
        problems.error(path, f"{main.name} {words}")
    if main.acts_on != limiter.acts_on:
        problems.error(path, f"{main.name} acts on {main.acts_on}; a limiter acts on the machine of its loop")
    for key, own, other in (("rate", limiter.rate, main.rate), ("phase", limiter.phase, main.phase)):
        if own != other:
            problems.error(entry.at(key), f"must equal the {key} of {main.name}: the two are one task")
