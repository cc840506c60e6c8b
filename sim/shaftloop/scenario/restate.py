"""Values that were found back into the text of a scenario file, comments and layout kept."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from shaftloop.errors import ScenarioError
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.reading import Scenario, place_of
from shaftloop.scenario.tomltext import changed_text, put

__all__ = ["Restated", "restated"]


@dataclass(frozen=True)
class Restated:
    """A value to be stated, and what a comment beside it says."""

    path: str
    """As in a setting."""
    value: str | float
    """As a scenario states it: a text with its unit, or a bare number."""
    remark: str
    """Takes the place of an earlier remark on the same value."""


def restated(scenario: Scenario, values: Sequence[Restated]) -> str:
    """Return a scenario's text with other values, each in the scenario file itself, over its part file.

    The scenario was read without settings. Raises ScenarioError where a value lies in a list of a part file,
    which the file cannot state alone.
    """
    import tomlkit

    document = tomlkit.parse(scenario.text)
    for value in values:
        _state(document, place_of(scenario, value.path), value)
    return changed_text(document, scenario.text)


def _state(document: Any, place: KeyPath, value: Restated) -> None:
    import tomlkit
    from tomlkit.items import AoT, Array, InlineTable, Table

    table, key = document, str(place[-1])
    # What carries the comment where the value lies in one line with others.
    line: tuple[Any, str] | None = None
    for above in place[:-1]:
        if isinstance(above, str) and above not in table:
            table[above] = tomlkit.inline_table()
        elif isinstance(above, int) and not (isinstance(table, list) and above < len(table)):
            raise ScenarioError(
                [f"`write`: {value.path} lies in a list of a part file; state the list there first"]
            )
        outer, table = table, table[above]
        if line is None and isinstance(table, InlineTable | Array):
            line = outer, str(above)
    # A new line goes below the others of its table, above the blank one and the tables within it.
    lines = [name for name, item in table.items() if not isinstance(item, Table | AoT)]
    put(table, key, value.value, below=lines[-1] if line is None and lines else "")
    where, name = line or (table, key)
    where[name].comment(_joined(where[name].trivia.comment, key, value.remark))


def _joined(comment: str, key: str, remark: str) -> str:
    """Return a comment with a remark on a key, which replaces an earlier one."""
    kept = re.sub(rf"(?:; )?{re.escape(key)} found [^;]*", "", comment.lstrip("# "))
    clean = "".join(c if c.isprintable() and c != ";" else "?" for c in remark)
    return "; ".join(part for part in (kept.strip("; "), f"{key} found {clean}") if part)
