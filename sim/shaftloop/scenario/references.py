"""What the names in a scenario refer to."""

from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop_models.part import kind_of, kinds
from shaftloop_models.supply import SUPPLY

__all__ = ["carried", "check_reference", "driving", "loop_kind", "showing", "signal_kind"]


def driving() -> list[str]:
    """Return the kinds of parts that a loop can act on."""
    return list(dict.fromkeys(kind_of(cls) for cls in kinds() if cls.drives))


def showing(*signals: str) -> list[str]:
    """Return the kinds of parts that show one of some quantities: ``torque``, ``speed``."""
    machines_first = sorted(kinds(), key=lambda cls: not cls.drives)
    found = [cls for signal in signals for cls in machines_first if cls.signal == signal]
    return list(dict.fromkeys(map(kind_of, found)))


def carried(draft: Draft, name: str) -> list[str]:
    """Return a name and what stands behind it, hop by hop; a circle of hops ends where it closes."""
    chain = [name]
    while draft.role(chain[-1]) == "hop" and chain[-1] not in chain[:-1]:
        hop = draft.find(chain[-1], ["hop"])
        chain.append(hop.text("carries") if hop else "")
    return chain


def signal_kind(draft: Draft, name: str) -> str:
    """Return what a loop controls that reads a name: ``torque``, ``speed``, ``voltage``, empty if unknown."""
    if name == SUPPLY and draft.supply_is_kept():
        return "voltage"
    role = draft.role(carried(draft, name)[-1])
    return next((cls.signal for cls in kinds() if kind_of(cls) == role), "")


def loop_kind(draft: Draft, entry: Entry) -> str:
    """Return what a loop controls: what it says, or what it reads; empty if unknown."""
    if "controls" not in entry.raw:
        return signal_kind(draft, entry.text("reads"))
    return "position" if entry.raw["controls"] == "position" else ""


def check_reference(draft: Draft, problems: Problems, path: KeyPath, name: str, *roles: str) -> bool:
    """Tell whether a name stands for one of some roles, and add an error where it does not.

    Roles are kinds of part, ``loop`` and ``hop``.
    """
    role = draft.role(name)
    if role in (*roles, "part"):
        return True
    known = draft.names(*roles)
    kinds = " or ".join(kind.replace("_", " ") for kind in roles)
    what = f"is a {role.replace('_', ' ')}" if role else "is no name in this scenario"
    options = f"; known: {', '.join(known)}" if known else f"; the scenario has no {kinds}"
    problems.error(path, f"{shown(name)} {what}; it must name a {kinds}{nearest(name, known)}{options}")
    return False
