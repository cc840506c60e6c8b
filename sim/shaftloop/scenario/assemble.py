"""The effective document: the scenario file, its part files, and the settings of the command line."""

import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from shaftloop.errors import ScenarioError
from shaftloop.scenario.derive import item_kind, readable_fields
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.source import Source, find_beside, label_of, load_toml, oversize

__all__ = ["apply_settings", "assemble", "names_files", "resolve"]

_FILE = re.compile(r"[^=]*\.from=")


def assemble(
    problems: Problems,
    folders: Sequence[Path],
    settings: Sequence[str],
    load: Callable[[Path, str], Source] = load_toml,
) -> set[int]:
    """Fill in ``from`` and settings in a new document of `problems`.

    Folders may hold part files, which `load` reads: it takes one and how messages call it. Returns the
    entries of the line whose part file cannot be used.
    """
    apply_settings(problems, [setting for setting in settings if _FILE.match(setting)])
    broken = _merge_parts(problems, folders, load)
    apply_settings(problems, [setting for setting in settings if not _FILE.match(setting)])
    return broken


def names_files(settings: Sequence[str]) -> bool:
    """Return whether one of some settings names a part file, which `assemble` must read."""
    return any(_FILE.match(setting) for setting in settings)


def apply_settings(problems: Problems, settings: Sequence[str]) -> None:
    """Set values ``path=value`` in a new document of `problems`, which shares what is not on their way."""
    for setting in settings:
        _apply(problems, setting)


def resolve(document: dict[str, Any], keys: Sequence[str]) -> KeyPath:
    """Return the key path that the words of a dotted path name; keys that a table lacks are kept as they are.

    A LookupError names the nearest where there is no such path.
    """
    path: list[str | int] = []
    value: Any = document
    fields = readable_fields(Description)
    if keys[0] not in fields:
        raise LookupError(f"unknown path{nearest(keys[0], fields)}; known: {', '.join(fields)}")
    if item_kind(fields[keys[0]][0]) and keys[0] not in document:
        raise LookupError(f"the scenario has no {keys[0]} to change; add [[{keys[0]}]] to the file")
    for key in keys:
        said = ".".join(str(k) for k in path)
        if isinstance(value, list):
            index = _element(value, key, said)
            path.append(index)
            value = value[index]
        elif isinstance(value, dict):
            path.append(key)
            value = value.get(key, {})
        else:
            raise LookupError(f"{said} is a value, not a table; leave out .{key}")
    return tuple(path)


def _merge_parts(
    problems: Problems, folders: Sequence[Path], load: Callable[[Path, str], Source]
) -> set[int]:
    line = problems.document.get("line")
    broken: set[int] = set()
    for index, stated in enumerate(line if isinstance(line, list) else []):
        if not isinstance(stated, dict) or "from" not in stated:
            continue
        path: KeyPath = ("line", index, "from")
        name = stated["from"]
        entry = {key: value for key, value in stated.items() if key != "from"}
        try:
            if not isinstance(name, str):
                raise ValueError(f'{shown(name)} is no file name; write e.g. "parts/coupling.toml"')
            file = find_beside(name, folders)
            part = load(file, label_of(file))
            if "from" in part.document:
                raise ValueError("a part file cannot use from itself; copy the keys over")
        except ScenarioError as error:
            problems.unlocated(error.messages)
            broken.add(index)
        except ValueError as error:
            problems.error(path, str(error))
            broken.add(index)
        else:
            problems.parts[index] = part
            entry = _merged(part.document, entry)
        problems.document = _changed(problems.document, path[:-1], entry)
    return broken


def _merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return base with the keys of over on top, tables merged, lists replaced."""
    result = {**base}
    for key, value in over.items():
        old = result.get(key)
        result[key] = _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return result


def _apply(problems: Problems, setting: str) -> None:
    where, equals, text = setting.partition("=")
    keys = where.strip().split(".")
    if not equals or not all(keys):
        problems.unlocated((f"`settings` {shown(setting)}: write path=value, e.g. loop.torque.kp=0.4",))
        return
    try:
        path = resolve(problems.document, keys)
        problems.document = _changed(problems.document, path, _value(text.strip()))
    except LookupError as error:
        problems.unlocated((f"`settings` {setting[:80]}: {error.args[0]}",))
    else:
        problems.settings.pop(path, None)
        problems.settings[path] = setting[:80]


def _changed(value: Any, path: Sequence[str | int], new: Any) -> Any:
    """Return tables and lists with another value at a path; what lies beside it is not copied."""
    if not path:
        return new
    key, *rest = path
    inside = value.get(key, {}) if isinstance(value, dict) else value[key]
    copied: Any = {**value} if isinstance(value, dict) else [*value]
    copied[key] = _changed(inside, rest, new)
    return copied


def _element(items: list[Any], key: str, said: str) -> int:
    names = [item.get("name") if isinstance(item, dict) else None for item in items]
    if key in names:
        return names.index(key)
    if key.isascii() and key.isdecimal() and len(key) < 9 and int(key) < len(items):
        return int(key)
    known = [str(name) for name in names if name is not None] or [f"0 to {len(items) - 1}"]
    raise LookupError(f"no {said} {shown(key)}; known: {', '.join(known)}{nearest(key, known)}")


def _value(text: str) -> Any:
    """Return a setting's value: TOML where it is that, else the text itself."""
    try:
        document = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return document["value"] if len(document) == 1 and not oversize(document) else text
