"""Tuned loops back into the text of a scenario file, comments and layout kept."""

from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_type_hints

from shaftloop.control.parameters import Loop
from shaftloop.errors import ScenarioError
from shaftloop.scenario.tomltext import changed_text, put
from shaftloop_models.parameters import Delay, Gain, Quantity

__all__ = ["replaced", "rewritten", "shown_value"]


def rewritten(text: str, before: Sequence[Loop], after: Sequence[Loop]) -> str:
    """Return a scenario's text with what changed in its loops.

    Parameters
    ----------
    text : str
        The file as it stands.
    before, after : sequence of Loop
        The same loops, as read and as tuned.

    Raises
    ------
    ScenarioError
        Where the file does not hold a loop.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for old, new in zip(before, after, strict=True):
        table = _table(document, new.name)
        for key in [field.name for field in fields(Loop)]:
            value = getattr(new, key)
            if value != getattr(old, key):
                _put(table, key, shown_value(Loop, key, value))
    return changed_text(document, text)


def replaced(before: Sequence[Loop], after: Sequence[Loop]) -> tuple[str, ...]:
    """Return the filters and structure tables that were changed or removed, e.g. ``filters of loop torque``.

    Parameters
    ----------
    before, after : sequence of Loop
        The same loops, as read and as tuned.
    """
    return tuple(
        f"{key} of loop {new.name}"
        for old, new in zip(before, after, strict=True)
        for key in ("filters", "active_damping", "disturbance_observer", "predictor")
        if getattr(old, key) and getattr(new, key) != getattr(old, key)
    )


def shown_value(cls: type, key: str, value: Any) -> Any:
    """Return the value of a field as a scenario states it; None where it is left out.

    Parameters
    ----------
    cls : type
        A dataclass of parameters.
    key : str
        Its field.
    value : Any
        What the field holds.
    """
    if value is None:
        return None
    if isinstance(value, Gain):
        return _number(value.value) if value.unit == "1" else f"{value.value:.12g} {value.unit}"
    if isinstance(value, Delay):
        return f"{float(value.value):.12g} {'samples' if value.in_samples else 's'}"
    if isinstance(value, tuple):
        return [shown_value(cls, key, item) for item in value]
    if is_dataclass(value):
        stated = {f.name: shown_value(type(value), f.name, getattr(value, f.name)) for f in fields(value)}
        return {name: item for name, item in stated.items() if item is not None}
    unit = next(
        (m.unit for m in get_args(get_type_hints(cls, include_extras=True)[key]) if isinstance(m, Quantity)),
        "",
    )
    if isinstance(value, str | bool):
        return value
    return f"{float(value):.12g} {unit}" if unit else _number(float(value))


def _number(value: float) -> float | int:
    return int(value) if value.is_integer() and abs(value) < 1e9 else float(f"{value:.12g}")


def _table(document: Any, name: str) -> Any:
    for table in document.get("loop", []):
        if table.get("name") == name:
            return table
    raise ScenarioError([f"`write`: the file has no [[loop]] named {name} to write to"])


def _put(table: Any, key: str, value: Any) -> None:
    """Set, add or remove a key; a new one goes below the gains."""
    import tomlkit

    if value is None:
        table.pop(key, None)
    else:
        put(table, key, tomlkit.item(_inline(value)), below="ki")


def _inline(value: Any) -> Any:
    """Return tables inside a value as inline ones."""
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for key, entry in value.items():
            table[key] = _inline(entry)
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for entry in value:
            array.append(_inline(entry))
        return array
    return value
