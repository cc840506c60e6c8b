"""Every value of a scenario: what it is, in which unit, and what states it, a default included."""

import dataclasses
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, Literal, get_args, get_origin

from shaftloop.scenario.derive import item_kind, readable_fields
from shaftloop.scenario.fields import leaf, quantity_of
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.units import Stated, read_quantity
from shaftloop.scenario.written import written
from shaftloop_models.parameters import Delay, Gain

__all__ = ["Statement", "statements"]


@dataclass(frozen=True)
class Statement:
    """One value of a scenario."""

    path: str
    """As a setting has it, e.g. ``loop.torque.kp``."""
    text: str | None
    """As it is written, or would be; nothing where it is left out and no value stands for it."""
    value: Any
    """Number in `unit`, list of such, text, true or false; nothing where `text` is."""
    unit: str | None
    """SI unit, nothing where the value is no physical quantity."""
    meaning: str
    origin: Literal["file", "setting", "default"]
    place: str
    """File and line, or the setting as it was given; empty for a default."""


def statements(description: Any, problems: Problems) -> Iterator[Statement]:
    """Yield every value of a sound description, in the order of its keys.

    `problems` has its effective document, and where each key of it stands.
    """
    yield from _table(description, problems.document, (), problems)


def _table(instance: Any, raw: Any, path: KeyPath, problems: Problems) -> Iterator[Statement]:
    kind: type = type(instance)
    for key, (hint, _) in readable_fields(kind).items():
        value, place = getattr(instance, key), (*path, key)
        stated = raw.get(key) if isinstance(raw, Mapping) else None
        if leaf(key, hint) is None and dataclasses.is_dataclass(value):
            yield from _table(value, stated, place, problems)
        elif item_kind(hint) is not None and leaf(key, hint) is None and value:
            for index, item in enumerate(value):
                yield from _table(item, stated[index] if stated else None, (*place, index), problems)
        else:
            yield _value(key, hint, value, stated, place, problems)


def _value(key: str, hint: Any, value: Any, stated: Any, path: KeyPath, problems: Problems) -> Statement:
    number, unit = _number(hint, value, stated)
    plain = written(hint, value) if stated is None else stated
    text = None if plain in (None, []) else _text(plain)
    origin: Literal["file", "setting", "default"] = "default"
    place = ""
    if stated is not None:
        place, line = problems.origin(path)
        origin, place = ("file", f"{place}:{line}") if line else ("setting", place)
    shown = None if text is None else number
    return Statement(problems.display(path), text, shown, unit, _meaning(key, hint), origin, place)


def _meaning(key: str, hint: Any) -> str:
    meta = get_args(hint)[1] if get_origin(hint) is Annotated else None
    found = leaf(key, hint)
    if meta is not None:
        return str(meta.doc)
    return found.doc if found is not None else ""


def _number(hint: Any, value: Any, stated: Any) -> tuple[Any, str | None]:
    """Return a value in SI units, or as it is where it is no quantity, and its unit."""
    if isinstance(value, Delay):
        return float(value.value), "sample" if value.in_samples else "s"
    if isinstance(value, Gain):
        return value.value, value.unit
    if isinstance(value, Stated):
        return float(value.value), value.unit or "1"
    meta = quantity_of(hint)
    if meta is None:
        return written(hint, value), None
    unit = meta.unit
    if meta.also and isinstance(stated, str):
        unit = read_quantity(stated, (meta.unit, *meta.also))[1]
    if isinstance(value, tuple):
        return [float(item) for item in value], unit
    return float(value) if isinstance(value, Fraction | float) else value, unit


def _text(value: Any) -> str:
    """Return a value as TOML has it, without the quotes around a text: what a setting takes."""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
