"""What is changed in the text of a scenario file, comments and layout kept."""

import textwrap
from collections.abc import Sequence
from typing import Any

__all__ = ["changed_text", "put", "with_cautions"]


def changed_text(document: Any, text: str) -> str:
    """Return the text of a changed tomlkit document, with the line ends of the text that it was read from."""
    import tomlkit

    result = tomlkit.dumps(document)
    # A new line gets a plain line end; a file from another system keeps its own.
    return result.replace("\r\n", "\n").replace("\n", "\r\n") if "\r\n" in text else result


def with_cautions(text: str, cautions: Sequence[str]) -> str:
    """Return a text with what is to be minded in comments above it; what stands there already is left out."""
    lay = textwrap.TextWrapper(108, initial_indent="# Caution: ", subsequent_indent="# ")
    end = "\r\n" if "\r\n" in text else "\n"
    lines = [end.join(lay.wrap(each)) + end for each in cautions]
    return "".join(each for each in lines if each not in text) + text


def put(table: Any, key: str, value: Any, below: str) -> None:
    """Set a key of a table; a new one goes below another, above the blank line behind the table.

    Where the table has none of that name, a new one goes to its end.
    """
    import tomlkit

    insert = getattr(table.value, "_insert_after", None)
    if key in table or insert is None or below not in table:
        table[key] = value
    else:
        insert(below, key, tomlkit.item(value))
