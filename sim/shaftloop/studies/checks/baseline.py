"""A baseline: figures of a bench at one time, in a file that people review like code.

Beside the figures it holds the gains they were found with, and a short hash of every entry of the bench
without its gains. So a change of gains is told apart from another version of the bench, and either is named.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from decimal import Decimal
from fractions import Fraction
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from shaftloop.control.parameters import Loop
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario
from shaftloop.scenario.source import Source, label_of, load_toml
from shaftloop.scenario.units import Stated, UnitError, parse_quantity
from shaftloop.studies.checks.gains import WIRING, gains_of

__all__ = [
    "SUFFIX",
    "Baseline",
    "Recorded",
    "baseline_text",
    "bench_parts",
    "changed",
    "read_baseline",
    "take",
]

SUFFIX = ".baseline.toml"

_DIGITS = 5
_APART = ("title", "expect")
"""Keys of a scenario that change no figure."""
_WORDS: dict[str, Literal["", "above", "below"]] = {
    "above every bound": "above",
    "below every bound": "below",
    "no value": "",
}
_ANEW = "write it anew with `update_baseline`"


@dataclass(frozen=True)
class Recorded:
    """A figure of a baseline."""

    number: Stated | None
    """Nothing where the figure had no value."""
    beyond: Literal["", "above", "below"] = ""
    """Without a value: side of every bound on which it lay."""


@dataclass(frozen=True)
class Baseline:
    """Figures of a bench at one time."""

    label: str
    """How messages call the file."""
    scenario_hash: str
    tool_version: str
    bench: dict[str, str]
    """Hash of every entry of the bench without its gains."""
    gains: dict[str, str]
    """By path, as they could be written in a scenario."""
    values: dict[str, Recorded]
    """By name of the figure."""


def bench_parts(description: Description) -> dict[str, str]:
    """Return a short hash of every entry of a bench, gains left out.

    What equals its default counts as not stated, so a parameter that a later version adds changes nothing.
    """
    parts: dict[str, str] = {}
    for entry in fields(description):
        value = getattr(description, entry.name)
        if entry.name in _APART or value == entry.default:
            continue
        if isinstance(value, tuple) and value and all(hasattr(item, "name") for item in value):
            # The order of the line is part of the bench, that of the other lists of the calendar.
            parts[entry.name] = _hash([item.name for item in value])
            parts |= {f"{entry.name}.{item.name}": _hash(_plain(item)) for item in value}
        else:
            parts[entry.name] = _hash(_plain(value))
    return parts


def changed(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Return the entries that differ, are new or are gone, sorted."""
    return tuple(sorted(key for key in {*before, *now} if before.get(key) != now.get(key)))


def take(scenario: Scenario, found: Mapping[str, Figure], version: str, label: str = "") -> Baseline:
    """Return the baseline that figures of a scenario make, rounded as the file holds them.

    With the version of the tool, and how messages call it.
    """
    description = scenario.description
    values = {name: _recorded(response) for name, response in found.items() if not response.failed}
    return Baseline(label, scenario.hash, version, bench_parts(description), gains_of(description), values)


def baseline_text(baseline: Baseline, name: str) -> str:
    """Return a baseline of a scenario as the text of its file."""
    import tomlkit

    document = tomlkit.document()
    document.add(
        tomlkit.comment("What `shaftloop check` compares with. Review a change of this file like code.")
    )
    document["scenario"] = name
    document["scenario_hash"] = baseline.scenario_hash
    document["tool_version"] = baseline.tool_version
    values = {key: _text(recorded) for key, recorded in baseline.values.items()}
    for key, content in (("values", values), ("gains", baseline.gains), ("bench", baseline.bench)):
        table = tomlkit.table()
        for path in sorted(content):
            table[path] = content[path]
        document[key] = table
    return tomlkit.dumps(document)


def read_baseline(path: Path) -> Baseline:
    """Return a baseline from its file.

    Raises
    ------
    ScenarioError
        Naming file, line and key of what cannot be used.
    """
    source = load_toml(path, label_of(path))
    known = ("scenario", "scenario_hash", "tool_version", "values", "gains", "bench")
    for key in source.document:
        if key not in known:
            raise _broken(source, (key,), f"unknown key{nearest(key, known)}")
    values, gains, bench = (_table(source, key) for key in ("values", "gains", "bench"))
    return Baseline(
        source.label,
        str(source.document.get("scenario_hash", "")),
        str(source.document.get("tool_version", "")),
        {name: _text_of(source, ("bench", name), value) for name, value in bench.items()},
        {name: _text_of(source, ("gains", name), value) for name, value in gains.items()},
        {name: _read(source, name, value) for name, value in values.items()},
    )


def _table(source: Source, key: str) -> dict[str, Any]:
    table = source.document.get(key)
    if not isinstance(table, dict):
        raise _broken(source, (key,), "missing, or no table")
    return table


def _text_of(source: Source, path: tuple[str, ...], value: Any) -> str:
    if not isinstance(value, str):
        raise _broken(source, path, f"{shown(value)} where a text is due")
    return value


def _read(source: Source, name: str, value: Any) -> Recorded:
    if isinstance(value, str) and value in _WORDS:
        return Recorded(None, _WORDS[value])
    if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value):
        return Recorded(Stated(Fraction(repr(value)), "1"))
    try:
        return Recorded(Stated(*parse_quantity(_text_of(source, ("values", name), value))))
    except UnitError as error:
        raise _broken(source, ("values", name), f"{shown(value)}: {error}") from None


def _broken(source: Source, path: tuple[str, ...], message: str) -> ScenarioError:
    line = source.locator.line(path)
    return ScenarioError([f"{source.label}:{line}: {'.'.join(path)}: {message}; {_ANEW}"])


def _recorded(response: Figure) -> Recorded:
    if response.value is None:
        return Recorded(None, response.beyond)
    return Recorded(Stated(Fraction(_rounded(response.value)), response.unit))


def _rounded(value: float) -> str:
    text = f"{value:.{_DIGITS}g}"
    return format(Decimal(text), "f") if 1e-5 <= abs(value) < 1e9 else text


def _text(recorded: Recorded) -> str | float:
    if recorded.number is None:
        return next(words for words, side in _WORDS.items() if side == recorded.beyond)
    value = float(recorded.number.value)
    return value if recorded.number.unit == "1" else f"{_rounded(value)} {recorded.number.unit}"


def _plain(value: Any) -> Any:
    """Return a parameter as plain lists and texts, without gains and without what equals its default."""
    if is_dataclass(value) and not isinstance(value, type):
        stated = [
            [entry.name, _plain(getattr(value, entry.name))]
            for entry in fields(value)
            if (entry.name in WIRING or not isinstance(value, Loop))
            and getattr(value, entry.name) != entry.default
        ]
        return [type(value).__name__, stated]
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return repr(value)


def _hash(value: Any) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()[:12]
