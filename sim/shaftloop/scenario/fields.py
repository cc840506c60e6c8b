"""What a field of a parameter dataclass accepts, derived from its annotation.

A `Leaf` reads one value of a scenario: a quantity, a number, a choice, a text. Everything else
(tables, lists of tables) is put together from leaves in `shaftloop.scenario.derive`.
"""

import difflib
import math
import re
import types
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from shaftloop.scenario.ratios import RatioError, ShaftOrder, read_order, read_ratio
from shaftloop.scenario.units import NUMBER_PATTERN, Stated, UnitError, parse_quantity, read_quantity
from shaftloop_models.parameters import Delay, Gain, Number, Quantity

__all__ = [
    "NAME_PATTERN",
    "WRITTEN",
    "FieldError",
    "Leaf",
    "Plain",
    "allowed",
    "leaf",
    "level_units",
    "nearest",
    "quantity_of",
    "shown",
    "without_none",
]

NAME_PATTERN = r"[A-Za-z0-9_-]+"

Plain = str | bool | int | float
"""What a key of a scenario may hold that is no table and no list."""

WRITTEN = {"rad/s": "rpm", "rad/s^2": "rpm/s", "EUR/J": "EUR/kWh", "F": "mF"}
"""Units in which people write what is stored in SI units."""

_SMALLEST, _LARGEST = 1e-18, 1e18
_MAX_TEXT = 200
_MOST_NUMBERS = 100


class FieldError(ValueError):
    """A value that a field does not accept; the message holds everything but the place."""


@dataclass(frozen=True)
class Leaf:
    """How one field is read."""

    read: Callable[[Any], Any]
    """Text or number of the scenario -> value in SI units; raises `FieldError`."""
    schema: dict[str, Any]
    """JSON Schema of what the scenario may hold."""
    example: str
    """A value as it would be written."""
    doc: str
    """What the field is and what it allows."""


def shown(value: object) -> str:
    """Return a value as it may be printed: on one line, without control characters, not too long."""
    text = f'"{value}"' if isinstance(value, str) else repr(value)
    if not text.isprintable():
        text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def nearest(word: object, known: Iterable[str], intro: str = "; nearest: ") -> str:
    """Return a suggestion for a misspelt word, empty where none is close."""
    names = list(known)
    close = difflib.get_close_matches(str(word)[:100], names, n=1, cutoff=0.55)
    same = [name for name in names if name.lower() == str(word).lower()]
    return f"{intro}{(same or close)[0]}" if same or close else ""


def allowed(meta: Quantity | Number, unit: str = "") -> str:
    """Return the range of an annotation in words, empty where there is none."""
    suffix = "" if unit in ("", "1") else f" {unit}"
    parts = [
        f"{word} {bound:.15g}{suffix if bound else ''}"
        for word, bound in (
            ("above", meta.gt),
            ("at least", meta.ge),
            ("below", meta.lt),
            ("at most", meta.le),
        )
        if bound is not None
    ]
    return " and ".join(parts)


def without_none(hint: Any) -> Any:
    """Return a type without its ``None``: a scenario leaves out what it does not state."""
    if get_origin(hint) in (Union, types.UnionType):
        kinds = [kind for kind in get_args(hint) if kind is not type(None)]
        return kinds[0] if len(kinds) == 1 else Union[tuple(kinds)]  # noqa: UP007
    return hint


def level_units(hint: Any) -> tuple[str, ...]:
    """Return the units of a plain quantity that admits several dimensions, else nothing."""
    if get_origin(hint) is Annotated:
        kind, meta = get_args(hint)[:2]
        if isinstance(meta, Quantity) and meta.also and without_none(kind) is float:
            return (meta.unit, *meta.also)
    return ()


def quantity_of(hint: Any) -> Quantity | None:
    """Return the unit and range that a field is annotated with, nothing where it is no quantity."""
    meta = get_args(hint)[1] if get_origin(hint) is Annotated else None
    return meta if isinstance(meta, Quantity) else None


def leaf(name: str, hint: Any) -> Leaf | None:
    """Return how a field is read, nothing where it is a table or a list of tables."""
    meta: Any = None
    if get_origin(hint) is Annotated:
        hint, meta = get_args(hint)[:2]
    hint = without_none(hint)
    if isinstance(meta, Quantity):
        return _quantity_leaf(hint, meta)
    doc = meta.doc if isinstance(meta, Number) else ""
    if get_origin(hint) is Literal:
        return _choice_leaf(get_args(hint), doc)
    if hint is bool:
        return Leaf(_read_bool, {"type": "boolean", "description": doc}, "true", doc)
    if hint is Stated:
        return _stated_leaf(doc)
    if isinstance(meta, Number) and (numbers := _numbers(hint, meta)):
        return numbers
    if hint is str:
        return _text_leaf(name, doc)
    if hint == tuple[str, ...]:
        schema = {"type": "array", "items": {"type": "string"}, "description": doc}
        return Leaf(_read_texts, schema, '["a", "b"]', doc)
    if hint == tuple[Plain, ...]:
        schema = {"type": "array", "items": {"type": ["number", "string", "boolean"]}, "description": doc}
        return Leaf(_read_plains, schema, '["1 kHz", "2 kHz"]', doc)
    return None


def _quantity_leaf(hint: Any, meta: Quantity) -> Leaf:
    units = (meta.unit, *meta.also)
    bare = "1" in units
    example = "0.5" if bare else f'"1 {WRITTEN.get(meta.unit, meta.unit)}"'
    limits = allowed(meta, meta.unit)
    doc = f"{meta.doc} [{' or '.join(units)}]" + (f", {limits}" if limits else "")

    def read(value: Any) -> Any:
        exact, unit = _read_quantity(value, units, example, doc)
        if hint is Fraction:
            return exact
        if hint is Delay:
            return Delay(exact, unit == "sample")
        if hint is Gain:
            return Gain(float(exact), unit)
        return float(exact)

    def checked(value: Any) -> Any:
        result = read(value)
        plain: Fraction | float = result if isinstance(result, Fraction | float) else result.value
        _check_range(value, plain, meta)
        return result

    schema: dict[str, Any] = {"type": "string", "pattern": rf"^\s*{NUMBER_PATTERN}\s*\S"}
    if bare:
        schema = {"anyOf": [{"type": "number", **_schema_bounds(meta)}, schema]}
    if hint == tuple[float, float]:
        pair = {"type": "array", "items": schema, "minItems": 2, "maxItems": 2, "description": doc}
        return Leaf(
            lambda value: _read_pair(value, checked, example, doc), pair, f"[{example}, {example}]", doc
        )
    return Leaf(checked, {**schema, "description": doc}, example, doc)


def _read_quantity(value: Any, units: tuple[str, ...], example: str, doc: str) -> tuple[Fraction, str]:
    if isinstance(value, str):
        try:
            return read_quantity(value, units)
        except UnitError as error:
            raise FieldError(f"{shown(value)}: {error} ({doc})") from None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise FieldError(f"{_kind(value)} where a quantity is due; write e.g. {example} ({doc})")
    if "1" not in units:
        unit = WRITTEN.get(units[0], units[0])
        raise FieldError(
            f'{shown(value)} has no unit; write it in quotes with one, e.g. "{value!r} {unit}" ({doc})'
        )
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise FieldError(f"{shown(value)} is no finite number of a usual size ({doc})")
    return Fraction(repr(value)), "1"


def _stated_leaf(doc: str) -> Leaf:
    """Return how a number with a unit of any dimension is read, or a bare one."""
    example = '"35 deg"'

    def read(value: Any) -> Stated:
        if not isinstance(value, str):
            bare = _read_quantity(value, ("1",), example, doc)[0]
            _check_range(value, bare, Number(doc))
            return Stated(bare, "")
        try:
            stated = Stated(*parse_quantity(value))
        except UnitError as error:
            raise FieldError(f"{shown(value)}: {error} ({doc})") from None
        _check_range(value, stated.value, Number(doc))
        return stated

    schema = {"anyOf": [{"type": "number"}, {"type": "string", "pattern": rf"^\s*{NUMBER_PATTERN}\s*\S"}]}
    return Leaf(read, {**schema, "description": doc}, example, doc)


def _check_range(value: Any, plain: Fraction | float, meta: Quantity | Number) -> None:
    size = abs(float(plain))
    if size and not _SMALLEST <= size <= _LARGEST:
        raise FieldError(f"{shown(value)} is beyond any size this quantity can have ({meta.doc})")
    if (
        (meta.gt is not None and not plain > meta.gt)
        or (meta.ge is not None and not plain >= meta.ge)
        or (meta.lt is not None and not plain < meta.lt)
        or (meta.le is not None and not plain <= meta.le)
    ):
        unit = meta.unit if isinstance(meta, Quantity) else ""
        raise FieldError(f"{shown(value)} is out of range; allowed: {allowed(meta, unit)} ({meta.doc})")


def _read_pair(value: Any, read: Callable[[Any], float], example: str, doc: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise FieldError(f"expected a list of two, e.g. [{example}, {example}] ({doc})")
    return read(value[0]), read(value[1])


def _number_leaf(hint: type, meta: Number) -> Leaf:
    limits = allowed(meta)
    doc = meta.doc + (f", {limits}" if limits else "")
    word = "whole number" if hint is int else "number"

    def read(value: Any) -> Any:
        if isinstance(value, bool) or not isinstance(value, int if hint is int else int | float):
            raise FieldError(f"{shown(value)} is no {word} ({doc})")
        if not math.isfinite(value) if isinstance(value, float) else abs(value) > _LARGEST:
            raise FieldError(f"{shown(value)} is no finite number of a usual size ({doc})")
        _check_range(value, value, meta)
        return hint(value)

    schema: dict[str, Any] = {"type": "integer" if hint is int else "number", "description": doc}
    schema.update(_schema_bounds(meta))
    return Leaf(read, schema, "1", doc)


def _numbers(hint: Any, meta: Number) -> Leaf | None:
    """Return how a number, an order or a list of them is read, nothing where a field is none of these."""
    if hint in (int, float):
        return _number_leaf(hint, meta)
    if hint is Fraction:
        return _order_leaf(meta, read_ratio, "a ratio of whole numbers")
    if hint == tuple[float, ...]:
        return _numbers_leaf(_number_leaf(float, meta))
    if hint == tuple[ShaftOrder, ...]:
        return _numbers_leaf(_order_leaf(meta, read_order, 'e.g. "3/2 of load"'))
    return None


def _order_leaf(meta: Number, convert: Callable[[Any], Any], form: str) -> Leaf:
    doc = f"{meta.doc}, {form}, {allowed(meta)}"

    def read(value: Any) -> Any:
        try:
            order = convert(value)
        except RatioError as error:
            raise FieldError(f"{shown(value)} {error} ({meta.doc})") from None
        size = order.order if isinstance(order, ShaftOrder) else order
        if not math.isfinite(size):
            raise FieldError(f"{shown(value)} is no finite number of a usual size ({doc})")
        _check_range(value, size, meta)
        return order

    number = {"type": "number", **_schema_bounds(meta)}
    text = {"type": "string", "pattern": r"^\s*[0-9]"}
    return Leaf(read, {"anyOf": [number, text], "description": doc}, '"37/11"', doc)


def _numbers_leaf(one: Leaf) -> Leaf:
    def read(value: Any) -> Any:
        if not isinstance(value, list) or len(value) > _MOST_NUMBERS:
            what = _kind(value) if not isinstance(value, list) else f"{len(value)} numbers"
            raise FieldError(f"{what} where a list of at most {_MOST_NUMBERS} numbers is due ({one.doc})")
        return tuple(one.read(item) for item in value)

    items = {key: bound for key, bound in one.schema.items() if key != "description"}
    schema = {"type": "array", "items": items, "maxItems": _MOST_NUMBERS, "description": one.doc}
    return Leaf(read, schema, "[1, 2]", one.doc)


def _schema_bounds(meta: Quantity | Number) -> dict[str, float]:
    bounds = {
        "exclusiveMinimum": meta.gt,
        "minimum": meta.ge,
        "exclusiveMaximum": meta.lt,
        "maximum": meta.le,
    }
    return {key: bound for key, bound in bounds.items() if bound is not None}


def _choice_leaf(choices: tuple[str, ...], doc: str) -> Leaf:
    known = ", ".join(choices)

    def read(value: Any) -> Any:
        if value not in choices:
            raise FieldError(f"{shown(value)} is not one of: {known}{nearest(value, choices)}")
        return value

    schema: dict[str, Any] = {"const": choices[0]} if len(choices) == 1 else {"enum": list(choices)}
    return Leaf(
        read, {**schema, "description": doc} if doc else schema, f'"{choices[0]}"', doc or f"one of: {known}"
    )


def _text_leaf(name: str, doc: str) -> Leaf:
    if name != "name":
        return Leaf(
            _read_text, {"type": "string", "maxLength": _MAX_TEXT, "description": doc}, '"..."', doc or "text"
        )

    def read(value: Any) -> str:
        if not isinstance(value, str) or not re.fullmatch(NAME_PATTERN, value) or len(value) > 60:
            raise FieldError(f"{shown(value)} is no name; use letters, digits, - and _ only, at most 60")
        return value

    schema = {"type": "string", "pattern": f"^{NAME_PATTERN}$", "maxLength": 60, "description": "unique name"}
    return Leaf(read, schema, '"a-name"', "unique name")


def _read_text(value: Any) -> str:
    if not isinstance(value, str):
        raise FieldError(f"{_kind(value)} where a text is due; write it in quotes")
    if not value.isprintable() or len(value) > _MAX_TEXT:
        raise FieldError(f"{shown(value)} holds control characters or more than {_MAX_TEXT} characters")
    if not value.strip():
        raise FieldError("the text is empty; leave the key out, or write what it asks for")
    return value


def _read_texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise FieldError(f"{_kind(value)} where a list of texts is due")
    return tuple(_read_text(item) for item in value)


def _read_plains(value: Any) -> tuple[Plain, ...]:
    if not isinstance(value, list):
        raise FieldError(f"{_kind(value)} where a list of values is due")
    for item in value:
        if not isinstance(item, Plain):
            raise FieldError(f"{_kind(item)} among the values; only numbers, texts, true and false can vary")
        if isinstance(item, float) and not math.isfinite(item):
            raise FieldError(f"{shown(item)} is no finite number")
    return tuple(_read_text(item) if isinstance(item, str) else item for item in value)


def _read_bool(value: Any) -> bool:
    if not isinstance(value, bool):
        raise FieldError(f"{shown(value)} is neither true nor false")
    return value


def _kind(value: Any) -> str:
    kinds = ((bool, "true or false"), (str, "a text"), (dict, "a table"), (list, "a list"), (int, "a number"))
    return next((name for kind, name in kinds if isinstance(value, kind)), shown(value))
