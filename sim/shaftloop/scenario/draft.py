"""A description on its way: what could be read of each entry, for the checks across entries.

An entry with an error of its own still has a name and a kind, so that other entries that refer to it
draw no error of theirs.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, make_dataclass
from functools import cache, cached_property
from typing import Any, get_type_hints

from shaftloop.scenario.derive import item_kind, readable_fields, unknown_key, validate
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop_models.bodies import Layout, lay_out
from shaftloop_models.parameters import Clock
from shaftloop_models.part import Part
from shaftloop_models.supply import TwoWay

__all__ = ["NAMED", "Draft", "Entry", "read_draft"]

NAMED = ("line", "loop", "hop", "limit", "power_meter", "fault", "brake_resistor")
"""The lists whose entries have names."""


@dataclass(frozen=True)
class Entry:
    """One entry of a list."""

    path: KeyPath
    raw: dict[str, Any]
    """As the effective document states it."""
    value: Any
    """Instance of its dataclass, nothing where it has errors."""

    def at(self, key: str) -> KeyPath:
        """Return the path of a key of the entry."""
        return (*self.path, key)

    def text(self, key: str) -> str:
        """Return a text as it is stated, empty where there is none."""
        value = self.raw.get(key)
        return value if isinstance(value, str) else ""

    @cached_property
    def name(self) -> str:
        """Name as it is stated, empty where there is none."""
        return self.text("name")

    @cached_property
    def clock(self) -> Clock | None:
        """When what it describes runs, nothing where it has errors or runs at no time of its own."""
        return None if self.value is None else self.value.timing()


@dataclass
class Draft:
    """What could be read of a scenario."""

    lists: dict[str, list[Entry]] = field(default_factory=dict)
    """Entries of every list of tables, e.g. ``line``, ``loop`` and ``sequence``."""
    single: dict[str, Any] = field(default_factory=dict)
    """The other keys that were stated and could be read."""

    def values(self, key: str) -> list[Any]:
        """Return the instances of a list that have no errors."""
        return [entry.value for entry in self.lists[key] if entry.value is not None]

    def named(self) -> Iterator[Entry]:
        """Yield every entry that has a name, in the order of the description."""
        for key in NAMED:
            yield from (entry for entry in self.lists[key] if entry.name)

    def role(self, name: str) -> str:
        """Return what a name stands for: a kind of part, ``loop``, ``hop`` or ``limit``; empty if unknown."""
        entry = self.find(name)
        return "" if entry is None else self.role_of(entry)

    def role_of(self, entry: Entry) -> str:
        """Return the kind of part, ``loop``, ``hop`` or ``limit``."""
        return entry.text("part") or "part" if entry.path[0] == "line" else str(entry.path[0])

    def find(self, name: str, among: Sequence[str] = NAMED) -> Entry | None:
        """Return the first entry of a name."""
        return next(
            (entry for key in among for entry in self.lists[key] if name and entry.name == name), None
        )

    def names(self, *roles: str) -> list[str]:
        """Return the names that stand for one of these roles."""
        return [entry.name for entry in self.named() if self.role_of(entry) in roles]

    def supply_is_kept(self) -> bool:
        """Return whether a loop keeps the voltage of the link: that of a two-way supply."""
        return isinstance(self.single.get("supply"), TwoWay)

    @cached_property
    def layout(self) -> Layout | None:
        """Bodies of the line and how they hang together, nothing where that is not known yet."""
        parts: list[Part] = []
        for entry in self.lists["line"]:
            above = [part.name for part in parts]
            if entry.value is None or entry.name in above or entry.value.after not in (None, *above):
                return None
            parts.append(entry.value)
        return lay_out(parts)

    def description(self) -> Description:
        """Return the whole; every entry must have been read without an error."""
        lists: dict[str, Any] = {key: tuple(self.values(key)) for key in self.lists}
        return Description(**self.single, **lists)


def read_draft(problems: Problems, broken: set[int], before: Draft | None = None) -> Draft:
    """Read every entry of the effective document by itself.

    Entries of the line that are broken need not be read, since their part file could not; entries that the
    document shares with that of a draft before, which had no errors, are taken over.
    """
    document, draft = problems.document, Draft()
    there = before.lists if before else {}
    known = readable_fields(Description)
    lists = _lists()
    for key in document:
        if key not in known:
            problems.error((key,), unknown_key(key, known))
    head, errors = validate(_head(), {k: v for k, v in document.items() if k in known and k not in lists})
    for path, message in errors:
        problems.error(path, message)
    if head is not None:
        draft.single = vars(head).copy()
    for key, kind in lists.items():
        items = document.get(key, [])
        if not isinstance(items, list):
            problems.error((key,), f"{shown(items)} where a list is due; write [[{key}]] for each entry")
            items = []
        draft.lists[key] = []
        read = {id(entry.raw): entry for entry in there.get(key, ())}
        for index, raw in enumerate(items):
            if id(raw) in read:
                draft.lists[key].append(read[id(raw)])
                continue
            value = None
            if key != "line" or index not in broken:
                value, errors = validate(kind, raw)
                for path, message in errors:
                    problems.error((key, index, *path), message)
            draft.lists[key].append(Entry((key, index), raw if isinstance(raw, dict) else {}, value))
    return draft


@cache
def _lists() -> dict[str, Any]:
    """Return what the entries are of every list of tables of a description."""
    hints = {name: hint for name, (hint, _) in readable_fields(Description).items()}
    return {name: item for name, hint in hints.items() if (item := item_kind(hint))}


@cache
def _head() -> type:
    """Return a dataclass of the keys of a description that are no lists of tables."""
    hints = get_type_hints(Description, include_extras=True)
    keys: list[Any] = [
        (f.name, hints[f.name], field(default=f.default))
        for f in fields(Description)
        if not item_kind(hints[f.name])
    ]
    return make_dataclass("Head", keys)
