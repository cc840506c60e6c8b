"""The gains of a bench: listed by path, read from a file of their own, put into a scenario.

A gain here is whatever a controller can be given without touching the bench: all parameters of a loop but
what it reads and acts on, and when it runs. A gains file is data, TOML or CSV; nothing in it is executed.
"""

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin

from shaftloop.control.parameters import Loop
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.csvtext import read_rows
from shaftloop.scenario.derive import readable_fields
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import level_units, nearest, shown
from shaftloop.scenario.loopchecks import LEVEL_UNITS
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.scenario.source import MAX_SCENARIO_BYTES, label_of, load_toml
from shaftloop_models.parameters import Delay, Gain, Quantity

__all__ = ["WIRING", "GainsFile", "gain_figures", "gain_paths", "gains_of", "read_gains", "with_gains"]

WIRING = (
    "name",
    "acts_on",
    "reads",
    "rate",
    "phase",
    "output_latency",
    "free_running",
    "limiter_of",
)
"""Parameters of a loop that belong to the bench: all others are gains."""

_HEADER = ["path", "value"]


@dataclass(frozen=True)
class GainsFile:
    """Gains that were read from a file."""

    label: str
    """How messages call the file."""
    settings: tuple[tuple[str, str, int], ...]
    """(path, value as in a setting, line)."""


def gains_of(description: Description) -> dict[str, str]:
    """Return the gains that differ from their defaults, each as it could be written in a scenario."""
    found: dict[str, str] = {}
    for loop in description.loop:
        for path, value, hint, default in _leaves(f"loop.{loop.name}", loop):
            if value != default:
                found[path] = _written(value, hint, loop)
    return found


def gain_paths(description: Description) -> list[str]:
    """Return the paths that a gains file may name, those of gains that are not stated included."""
    return [path for loop in description.loop for path, *_ in _leaves(f"loop.{loop.name}", loop)]


def gain_figures(description: Description) -> dict[str, Figure]:
    """Return the gains that are numbers as figures, e.g. ``torque.kp``, so that a check can hold them."""
    found = {}
    for loop in description.loop:
        for path, value, hint, _ in _leaves(loop.name, loop):
            if isinstance(value, Gain | Delay):
                in_samples = isinstance(value, Delay) and value.in_samples
                unit = value.unit if isinstance(value, Gain) else "s"
                number = float(value.value) / (float(loop.rate) if in_samples else 1.0)
            elif isinstance(value, int | float | Fraction):
                number, unit = float(value), _unit(hint, loop)
            else:
                continue
            found[path] = Figure(path, unit, "gain as it is stated", number, group=loop.name)
    return found


def read_gains(path: Path) -> GainsFile:
    """Return the gains in a file.

    TOML: ``loop.torque.kp = 0.14`` or the same in tables; or CSV with the columns ``path,value``.

    Raises
    ------
    ScenarioError
        Where it cannot be read or is of neither form.
    """
    label = label_of(path)
    if path.suffix.lower() not in (".toml", ".csv"):
        raise ScenarioError([f"{shown(label)}: neither a .toml nor a .csv file; gains are read from these"])
    settings = tuple(_from_toml(path, label) if path.suffix.lower() == ".toml" else _from_csv(path, label))
    if not settings:
        raise ScenarioError([f"{label}: holds no gain; write e.g. loop.torque.kp = 0.14"])
    first: dict[str, int] = {}
    if twice := [
        f"{label}:{line}: {shown(path)} stands in line {first[path]} already; leave one of them out"
        for path, _, line in settings
        if first.setdefault(path, line) != line
    ]:
        raise ScenarioError(twice)
    return GainsFile(label, settings)


def with_gains(source: str | Path, settings: tuple[str, ...], gains: GainsFile) -> Scenario:
    """Return a scenario with settings ``path=value``, and with gains from a file in place of its own.

    Raises ScenarioError naming file and line of every path that is no gain of the bench, and of every bad
    value.
    """
    known = gain_paths(read_scenario(source, settings).description)
    wrong = [
        f"{gains.label}:{line}: {shown(path)} is no gain of this bench{_hint(path, known)}"
        for path, _, line in gains.settings
        if path not in known
    ]
    if wrong:
        raise ScenarioError(wrong)
    stated = {f"{path}={value}": (path, line) for path, value, line in gains.settings}
    try:
        return read_scenario(source, (*settings, *stated))
    except ScenarioError as error:
        raise ScenarioError([_placed(message, stated, gains.label) for message in error.messages]) from None


def _placed(message: str, stated: dict[str, tuple[str, int]], label: str) -> str:
    """Return a message about a setting as one about the line of the gains file."""
    for setting, (path, line) in stated.items():
        start = f"`settings` {setting[:80]}: "
        if message.startswith(start):
            return f"{label}:{line}: {path}: {message[len(start) :]}"
    return message


def _hint(path: str, known: list[str]) -> str:
    if re.match(r"loop\.\d+\.", path):
        return "; loops go by their names here: write e.g. [loop.torque] in place of [[loop]]"
    return nearest(path, known) or f"; known: {', '.join(known[:12])}{', ...' if len(known) > 12 else ''}"


def _from_toml(path: Path, label: str) -> Iterator[tuple[str, str, int]]:
    source = load_toml(path, label)
    for keys, value in _flat((), source.document):
        line = source.locator.line(keys)
        name = ".".join(str(key) for key in keys)
        if isinstance(value, bool):
            yield name, "true" if value else "false", line
        elif isinstance(value, int | float):
            yield name, repr(value), line
        elif isinstance(value, str):
            yield name, json.dumps(value), line
        else:
            raise ScenarioError([f"{label}:{line}: {name}: neither a number nor a text with a unit"])


def _flat(keys: tuple[str | int, ...], value: Any) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _flat((*keys, key), item)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _flat((*keys, index), item)
    else:
        yield keys, value


def _from_csv(path: Path, label: str) -> Iterator[tuple[str, str, int]]:
    rows = read_rows(path, label, MAX_SCENARIO_BYTES)
    try:
        header = [cell.strip() for cell in next(rows, [])]
        if header != _HEADER:
            raise ScenarioError(
                [f"{label}:1: the first line must be path,value, not {shown(','.join(header))}"]
            )
        for row in rows:
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if len(cells) != 2 or not all(cells):
                raise ScenarioError([f"{label}:{rows.line}: expected path,value, not {shown(','.join(row))}"])
            yield cells[0], cells[1], rows.line
    except ValueError as error:
        raise ScenarioError([f"{label}:{rows.line}: {error}"]) from None


def _leaves(path: str, item: Any) -> Iterator[tuple[str, Any, Any, Any]]:
    """Yield (path, value, annotation, default) of every number, text and flag below a parameter dataclass."""
    cls: type = type(item)
    hints = readable_fields(cls)
    for entry in fields(item):
        if entry.name not in hints or (isinstance(item, Loop) and entry.name in WIRING):
            continue
        value, inner = getattr(item, entry.name), f"{path}.{entry.name}"
        if isinstance(value, tuple) and all(is_dataclass(part) for part in value):
            for index, part in enumerate(value):
                yield from _leaves(f"{inner}.{index}", part)
        elif is_dataclass(value) and not isinstance(value, Gain | Delay):
            yield from _leaves(inner, value)
        else:
            yield inner, value, hints[entry.name][0], entry.default


def _written(value: Any, hint: Any, loop: Loop) -> str:
    """Return a value as text, in the SI unit that its annotation states."""
    if isinstance(value, Gain):
        return _with_unit(value.value, value.unit)
    if isinstance(value, Delay):
        return _with_unit(value.value, "samples" if value.in_samples else "s")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float | Fraction):
        return _with_unit(value, _unit(hint, loop))
    return str(value)


def _unit(hint: Any, loop: Loop) -> str:
    units = level_units(hint)
    if loop.unit in units:
        return loop.unit  # a level of the command
    if units:
        kind = loop.controls or ("torque" if loop.kp.unit == "1" else "speed")
        return [unit for unit in units if unit in LEVEL_UNITS[kind]][-1]  # rates stand behind levels
    meta = get_args(hint)[1] if get_origin(hint) is Annotated else None
    return meta.unit if isinstance(meta, Quantity) else "1"


def _with_unit(value: float | Fraction, unit: str) -> str:
    if unit == "rad/s":
        value, unit = float(value) * 30.0 / math.pi, "rpm"
    return f"{float(value):.10g}" + ("" if unit == "1" else f" {unit}")
