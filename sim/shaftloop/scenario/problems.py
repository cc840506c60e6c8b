"""Everything found wrong in a scenario, each with the place where it was stated."""

import re
from typing import Any

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import NAME_PATTERN
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.source import Source
from shaftloop.text import escaped

__all__ = ["Problems"]

_MAX_SHOWN = 50


class Problems:
    """Collector of errors and warnings about a file.

    The effective document gives the names of list elements in the messages.
    """

    def __init__(self, source: Source, document: dict[str, Any]) -> None:
        self.source = source
        self.document = document
        self.parts: dict[int, Source] = {}
        """Part file of each entry of the line that has one."""
        self.settings: dict[KeyPath, str] = {}
        """What settings changed: path -> the setting as given."""
        self._errors: dict[tuple[str, int, str], None] = {}
        self._warnings: dict[tuple[str, int, str], None] = {}

    def varied(self) -> "Problems":
        """Return the collector of the same files and settings, to which others can be added."""
        other = Problems(self.source, self.document)
        other.parts, other.settings = self.parts, self.settings.copy()
        return other

    def error(self, path: KeyPath, message: str) -> None:
        """Add an error at a key path."""
        self._errors[self._entry(path, message)] = None

    def error_in_file(self, label: str, line: int, message: str) -> None:
        """Add an error at a place of another file."""
        self._errors[label, line, f"{label}:{line}: {message}"] = None

    def unlocated(self, messages: tuple[str, ...]) -> None:
        """Add errors that carry their place already."""
        for message in messages:
            self._errors["", 0, message] = None

    def warn(self, path: KeyPath, message: str) -> None:
        """Add a warning at a key path."""
        self._warnings[self._entry(path, message)] = None

    def warnings(self) -> tuple[str, ...]:
        """Return the warnings in the order of their places."""
        return tuple(escaped(text, "") for _, _, text in sorted(self._warnings))

    def raise_if_any(self) -> None:
        """Raise all errors at once, in the order of their places."""
        texts = [escaped(text, "") for _, _, text in sorted(self._errors)]
        if len(texts) > _MAX_SHOWN:
            texts = [*texts[:_MAX_SHOWN], f"{self.source.label}: and {len(texts) - _MAX_SHOWN} more"]
        if texts:
            raise ScenarioError(texts)

    def display(self, path: KeyPath) -> str:
        """Return a key path as a person writes it, list elements by their names."""
        shown: list[str] = []
        value: Any = self.document
        for key in path:
            try:
                value = value[key]
            except (KeyError, IndexError, TypeError):
                value = {}
            name = value.get("name") if isinstance(value, dict) and isinstance(key, int) else None
            shown.append(name if isinstance(name, str) and re.fullmatch(NAME_PATTERN, name) else str(key))
        return ".".join(shown)

    def origin(self, path: KeyPath) -> tuple[str, int]:
        """Return the file and the line that state a key, or the setting that does and 0."""
        setting = self._setting(path)
        if setting is not None:
            return setting[1], 0
        source, inner = self._owner(path)
        return source.label, source.locator.line(inner)

    def _entry(self, path: KeyPath, message: str) -> tuple[str, int, str]:
        place, line = self.origin(path)
        setting = self._setting(path)
        if setting is not None:
            key = "" if path == setting[0] else f"{self.display(path)}: "
            return "", line, f"`settings` {place}: {key}{message}"
        key = f"{self.display(path)}: " if path else ""
        return place, line, f"{place}:{line}: {key}{message}"

    def _setting(self, path: KeyPath) -> tuple[KeyPath, str] | None:
        """Return the last setting that states a key, or adds to a table that no file holds."""
        for stated, text in reversed(self.settings.items()):
            added = stated[: len(path)] == path and self.source.locator.depth(path) < len(path)
            if path[: len(stated)] == stated or added:
                return stated, text
        return None

    def _owner(self, path: KeyPath) -> tuple[Source, KeyPath]:
        """Return the file that states a key: the part file only where it says more than the scenario."""
        if len(path) > 2 and path[0] == "line" and isinstance(path[1], int) and path[1] in self.parts:
            part = self.parts[path[1]]
            if part.locator.depth(path[2:]) + 2 > self.source.locator.depth(path):
                return part, path[2:]
        return self.source, path
