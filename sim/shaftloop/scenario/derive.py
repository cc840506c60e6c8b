"""Tables of a scenario -> instances of the parameter dataclasses, with every error in plain words.

Nothing about a part is written twice: field names, units and ranges come from the dataclass. A table may
hold no unknown key, every leaf is read by its annotation, and what comes back is an instance of the
dataclass itself, on which the part's own checks have run.
"""

import dataclasses
from collections.abc import Iterable
from functools import cache
from typing import Any, Literal, get_args, get_origin, get_type_hints

from shaftloop.scenario.fields import FieldError, Leaf, leaf, nearest, shown, without_none
from shaftloop.scenario.locate import KeyPath
from shaftloop_models.parameters import Checked, ParameterError
from shaftloop_models.part import Part, kinds

__all__ = ["item_kind", "members", "readable_fields", "unknown_key", "validate"]

_Errors = list[tuple[KeyPath, str]]

_READ: dict[tuple[Any, str], Any] = {}
"""What was read last, by kind and text: scenarios of a study have most entries in common."""
_MOST_READ = 256


@cache
def readable_fields(cls: type) -> dict[str, tuple[Any, bool]]:
    """Return (annotation, required) of every field of a dataclass that a scenario may state."""
    hints = get_type_hints(cls, include_extras=True)
    return {
        f.name: (hints[f.name], f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING)
        for f in sorted(dataclasses.fields(cls), key=lambda f: bool(f.kw_only))
        if not f.metadata.get("filled")
    }


def item_kind(hint: Any) -> Any:
    """Return the type of the elements of a ``tuple[X, ...]``, else nothing."""
    hint = without_none(hint)
    arguments = get_args(hint)
    return arguments[0] if get_origin(hint) is tuple and arguments[1:] == (...,) else None


def members(kind: Any) -> tuple[type, ...]:
    """Return the members of a union of dataclasses; a part is one of those that are known."""
    kind = without_none(kind)
    if kind is Part:
        return kinds()
    return get_args(kind) if get_origin(kind) is not None else (kind,)


def validate(kind: Any, value: Any) -> tuple[Any, _Errors]:
    """Return the instance of a dataclass, or nothing and what is wrong: (path inside value, message).

    Of a union of dataclasses the value names one. The same value gives the same instance: do not change it.
    """
    key = (kind, repr(value))
    if key in _READ:
        return _READ[key], []
    errors: _Errors = []
    instance = _read(kind, value, (), errors)
    if errors:
        return None, errors
    while len(_READ) >= _MOST_READ:
        _READ.pop(next(iter(_READ)), None)
    _READ[key] = instance
    return instance, []


def unknown_key(key: object, known: Iterable[str]) -> str:
    """Return the message about a key that a table does not have."""
    names = list(known)
    return f"unknown key{nearest(key, names)}; known here: {', '.join(names)}"


def _read(kind: Any, value: Any, path: KeyPath, errors: _Errors) -> Any:
    """Return the instance of a table, or of each of a list of them; what is wrong is added to the errors."""
    item = item_kind(kind)
    if item is not None and not isinstance(value, list):
        errors.append((path, f"{shown(value)} where a list is due"))
    elif item is not None:
        return tuple(_read(item, each, (*path, index), errors) for index, each in enumerate(value))
    elif not isinstance(value, dict):
        errors.append((path, f"{shown(value)} where a table is due"))
    else:
        try:
            return _instance(_select(members(kind), value), value, path, errors)
        except ParameterError as error:
            errors.append(((*path, error.key) if error.key else path, error.message))
    return None


def _instance(cls: type, table: dict[str, Any], path: KeyPath, errors: _Errors) -> Any:
    known, before, stated = readable_fields(cls), len(errors), {}
    for name, (hint, required) in known.items():
        if name not in table:
            if required:
                errors.append(((*path, name), _missing(cls, name)))
        elif (found := _leaf(cls, name)) is None:
            stated[name] = _read(hint, table[name], (*path, name), errors)
        else:
            try:
                stated[name] = found.read(table[name])
            except FieldError as error:
                errors.append(((*path, name), str(error)))
    absent = cls.absent if issubclass(cls, Part) else {}
    errors += [
        ((*path, key), absent.get(key) or unknown_key(key, known)) for key in table if key not in known
    ]
    if len(errors) > before:
        return None
    instance = cls(**stated)
    if isinstance(instance, Checked):
        instance.check()
    return instance


@cache
def _leaf(cls: type, name: str) -> Leaf | None:
    return leaf(name, readable_fields(cls)[name][0])


def _missing(cls: type, key: str) -> str:
    found = _leaf(cls, key)
    if found is None:
        return f"missing: a table {{ ... }} or [{key}]"
    return f"missing: {found.doc}; write e.g. {key} = {found.example}"


@cache
def _tag_keys(among: tuple[type, ...]) -> tuple[str, ...]:
    """Return the keys that tell the members of a union apart, e.g. ``part`` and ``model``."""
    return tuple(dict.fromkeys(name for cls in among for name in _constants(cls)))


@cache
def _constants(cls: type) -> dict[str, str]:
    return {
        name: get_args(hint)[0]
        for name, (hint, _) in readable_fields(cls).items()
        if get_origin(hint) is Literal and len(get_args(hint)) == 1
    }


def _select(among: tuple[type, ...], table: dict[str, Any]) -> type:
    """Return the member of a union that a table means."""
    left = among
    for key in _tag_keys(among) if len(among) > 1 else ():
        known = list(dict.fromkeys(_constants(cls)[key] for cls in left if key in _constants(cls)))
        if not known:
            continue
        if key not in table:
            usual = tuple(cls for cls in left if key in _constants(cls) and not readable_fields(cls)[key][1])
            if usual:
                left = usual
                continue
            raise ParameterError(key, f"missing: one of {', '.join(known)}")
        left = tuple(cls for cls in left if _constants(cls).get(key) == table[key])
        if not left:
            raise ParameterError(
                key, f"{shown(table[key])} is not one of: {', '.join(known)}{nearest(table[key], known)}"
            )
    return left[0]
