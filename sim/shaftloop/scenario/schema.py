"""JSON Schema of a scenario, for editors; derived from the same annotations as the reader.

It knows the keys, which of them are needed, the choices and the ranges of bare numbers. Dimension and
range of a quantity, and all that concerns several keys, only the reader checks.
"""

import json
from typing import Any

from shaftloop.scenario.derive import adapter
from shaftloop.scenario.description import Description
from shaftloop_models.part import Part

__all__ = ["json_schema", "schema_text"]

_FROM = {
    "type": "string",
    "description": "part file, beside the scenario or shipped; keys given here come before those of the file",
}


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a scenario file."""
    schema: dict[str, Any] = adapter(Description).json_schema()
    override: dict[str, Any] = adapter(Part, partial=True).json_schema()
    parts: dict[str, Any] = override.pop("$defs")
    for reference in override["anyOf"]:
        part = parts[reference["$ref"].rpartition("/")[2]]
        part["properties"]["from"] = _FROM
        part["required"] = ["from"]
    schema["$defs"].update(parts)
    line = schema["properties"]["line"]
    line["items"] = {"anyOf": [line["items"], override]}
    plain: dict[str, Any] = _plain(schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **plain,
        "title": "shaftloop scenario",
        "description": "A bench and what it is asked to do. Quantities are texts with a unit.",
    }


def schema_text() -> str:
    """Return the JSON Schema as it is committed."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


def _plain(node: Any) -> Any:
    """Return a schema without generated titles, empty defaults and empty descriptions."""
    if isinstance(node, list):
        return [_plain(item) for item in node]
    if not isinstance(node, dict):
        return node
    # Among properties "title" and "default" may be names of keys; there they hold a schema.
    return {
        key: _plain(value)
        for key, value in node.items()
        if not (key == "title" and isinstance(value, str))
        and not (key == "default" and value is None)
        and not (key == "description" and value == "")
    }
