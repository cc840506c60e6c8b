"""Write the pages that follow from the program: the keys of a scenario, the glossary, the cautions.

Run from the root of the repository: ``python docs/make_reference.py``; a test compares.
"""

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

from shaftloop.cautions import CAUTIONS
from shaftloop.report.glossary import GLOSSARY

HERE = Path(__file__).parent
MARK = "<!-- from here on written by docs/make_reference.py -->\n"


def reference() -> str:
    """Return every table of a scenario with its keys, from the JSON Schema."""
    schema = json.loads(files("shaftloop.scenario").joinpath("schema.json").read_text(encoding="utf-8"))
    kinds = {name: kind for name, kind in schema["$defs"].items() if not name.endswith("Override")}
    parts = ["## The file\n\n" + _table(schema, kinds)]
    for name, kind in kinds.items():
        about = " ".join(kind.get("description", "").split())
        parts.append(f"## {name}\n\n{about}\n\n{_table(kind, kinds)}")
    return "\n".join(parts)


def _table(kind: dict[str, Any], kinds: dict[str, Any]) -> str:
    required = kind.get("required", [])
    rows = ["| key | what | default |", "|---|---|---|"]
    for key, entry in kind.get("properties", {}).items():
        default = entry.get("default", "**needed**" if key in required else "")
        what = _cell(entry.get("description", "")) or _kinds_of(entry, kinds) or _values(entry)
        rows.append(f"| `{key}` | {what} | {_cell(default)} |")
    return "\n".join(rows) + "\n"


def _kinds_of(entry: Any, kinds: dict[str, Any]) -> str:
    """Return links to the tables that an entry holds."""
    text = json.dumps(entry)
    found = [name for name in kinds if f'"#/$defs/{name}"' in text]
    return ", ".join(f"[{name}](#{name.lower()})" for name in found)


def _values(entry: dict[str, Any]) -> str:
    values = entry.get("enum", [entry["const"]] if "const" in entry else [])
    return ", ".join(f'`"{value}"`' for value in values)


def _cell(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value)
    return " ".join(text.split()).replace("|", "\\|")


def pages() -> dict[str, str]:
    """Return the pages by file name; what stands above the mark of a page stays."""
    generated = {
        "scenario-reference.md": reference(),
        "glossary.md": "".join(f"**{word}**: {meaning}.\n\n" for word, meaning in GLOSSARY.items()),
        "safety.md": "".join(f"- {text}\n" for text in CAUTIONS.values()),
    }
    found = {}
    for name, text in generated.items():
        head = (HERE / name).read_text(encoding="utf-8").partition(MARK)[0]
        found[name] = f"{head}{MARK}\n{text.rstrip()}\n"
    return found


if __name__ == "__main__":
    for name, text in pages().items():
        (HERE / name).write_text(text, encoding="utf-8")
