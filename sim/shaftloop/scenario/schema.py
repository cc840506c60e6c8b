"""JSON Schema of a scenario, for editors; derived from the same annotations as the reader.

It knows the keys, which of them are needed, the choices and the ranges of bare numbers. Dimension and
range of a quantity, and all that concerns several keys, only the reader checks.
"""

import dataclasses
import json
from typing import Any

from shaftloop.scenario.derive import item_kind, members, readable_fields
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import leaf
from shaftloop.scenario.written import written
from shaftloop_models.part import Part

__all__ = ["json_schema", "schema_text"]

_FROM = {
    "type": "string",
    "description": "part file, beside the scenario or shipped; keys given here come before those of the file",
}


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a scenario file."""
    tables: dict[str, Any] = {}
    overrides: dict[str, Any] = {}
    whole = _table(Description, tables)
    override = _schema(Part, overrides, partial=True)
    for cls in members(Part):
        part = overrides[_name(cls, partial=True)]
        part["properties"]["from"] = _FROM
        part["required"] = ["from"]
    line = whole["properties"]["line"]
    line["items"] = {"anyOf": [line["items"], override]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$defs": dict(sorted(tables.items())) | dict(sorted(overrides.items())),
        **whole,
        "title": "shaftloop scenario",
        "description": "A bench and what it is asked to do. Quantities are texts with a unit.",
    }


def schema_text() -> str:
    """Return the JSON Schema as it is committed."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


def _schema(kind: Any, tables: dict[str, Any], partial: bool) -> dict[str, Any]:
    """Return the schema of a table, a choice of tables or a list of either; new tables are added."""
    item = item_kind(kind)
    if item is not None:
        return {"items": _schema(item, tables, partial), "type": "array"}
    references = []
    for cls in members(kind):
        name = _name(cls, partial)
        if name not in tables:
            tables[name] = {}  # Holds the place: a table may lie in itself.
            tables[name] = _table(cls, tables, partial)
        references.append({"$ref": f"#/$defs/{name}"})
    # Where every key may be missing, a table can be any of several.
    return references[0] if len(references) == 1 else {"anyOf" if partial else "oneOf": references}


def _name(cls: type, partial: bool) -> str:
    return cls.__name__ + ("Override" if partial else "")


def _table(cls: type, tables: dict[str, Any], partial: bool = False) -> dict[str, Any]:
    known = readable_fields(cls)
    needed = [name for name, (_, required) in known.items() if required and not partial]
    return {
        "additionalProperties": False,
        "description": (cls.__doc__ or "").partition("\n")[0],
        "properties": {name: _field(cls, name, tables, partial) for name in known},
        **({"required": needed} if needed else {}),
        "type": "object",
    }


def _field(cls: type, name: str, tables: dict[str, Any], partial: bool) -> dict[str, Any]:
    hint, _ = readable_fields(cls)[name]
    found = leaf(name, hint)
    if found is None:
        return _schema(hint, tables, partial)
    default = next(f.default for f in dataclasses.fields(cls) if f.name == name)
    text = None if partial or default is dataclasses.MISSING else written(hint, default)
    schema = found.schema if text in (None, []) else {**found.schema, "default": text}
    # Sorted at every depth, so that the committed file changes where an annotation does and nowhere else.
    ordered: dict[str, Any] = json.loads(json.dumps(schema, sort_keys=True))
    return {key: value for key, value in ordered.items() if value != ""}
