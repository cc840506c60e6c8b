"""Key path -> line number in a TOML text.

`tomllib` gives no positions. This reads a text that `tomllib` has accepted already, so it need not
check anything.
"""

import re
from collections.abc import Iterator

__all__ = ["KeyPath", "Locator"]

KeyPath = tuple[str | int, ...]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|\n|[\[\]{}=,.]|[^\s\[\]{}=,.#"\']+',
    re.DOTALL,
)


class Locator:
    """Line numbers of the keys of a valid TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        self._tokens = _tokens(text)
        self._position = 0
        try:
            self._document()
        except IndexError:
            # Only a text that tomllib would refuse ends early; what was found so far stays usable.
            pass

    def depth(self, path: KeyPath) -> int:
        """Return how many leading keys of a path stand in the text."""
        return next((n for n in range(len(path), 0, -1) if path[:n] in self._lines), 0)

    def line(self, path: KeyPath) -> int:
        """Return the line of a path, else of the nearest key that encloses it, counted from 1."""
        return self._lines.get(path[: self.depth(path)], 1)

    def _document(self) -> None:
        table: KeyPath = ()
        while self._position < len(self._tokens):
            token, line = self._take()
            if token == "[":
                many = self._peek() == "["
                self._position += many
                table = self._enter(self._keys("]"), many, line)
                self._position += many
            elif token != "\n":
                self._position -= 1
                self._pair(table)

    def _enter(self, keys: list[str], many: bool, line: int) -> KeyPath:
        """Return the path of a table header; in an array of tables its newest element."""
        path: KeyPath = ()
        for key in keys[:-1]:
            path = self._newest((*path, key), line)
        path = (*path, keys[-1])
        if many:
            self._lines.setdefault(path, line)
            self._counts[path] = self._counts.get(path, -1) + 1
        path = self._newest(path, line)
        self._lines[path] = line
        return path

    def _newest(self, path: KeyPath, line: int) -> KeyPath:
        self._lines.setdefault(path, line)
        return (*path, self._counts[path]) if path in self._counts else path

    def _pair(self, table: KeyPath) -> None:
        line = self._tokens[self._position][1]
        path = table
        for key in self._keys("="):
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        token, _ = self._take()
        if token == "[":
            for index in self._items("]"):
                self._lines[*path, index] = self._tokens[self._position][1]
                self._value((*path, index))
        elif token == "{":
            for _ in self._items("}"):
                self._pair(path)
        else:
            while self._position < len(self._tokens) and self._peek() not in (",", "]", "}", "\n"):
                self._position += 1

    def _items(self, end: str) -> Iterator[int]:
        """Step over separators; yield at the start of each item until the closing bracket is taken."""
        index = 0
        while True:
            while self._peek() in (",", "\n"):
                self._position += 1
            if self._peek() == end:
                self._position += 1
                return
            yield index
            index += 1

    def _keys(self, end: str) -> list[str]:
        keys = []
        while (token := self._take()[0]) != end:
            if token != ".":
                keys.append(_unquoted(token))
        return keys

    def _peek(self) -> str:
        return self._tokens[self._position][0]

    def _take(self) -> tuple[str, int]:
        self._position += 1
        return self._tokens[self._position - 1]


def _tokens(text: str) -> list[tuple[str, int]]:
    """Return (token, line), comments left out."""
    tokens, line = [], 1
    for token in _TOKEN.findall(text.replace("\r\n", "\n")):
        if token[0] != "#":
            tokens.append((token, line))
        line += token.count("\n")
    return tokens


def _unquoted(token: str) -> str:
    if token[0] == "'":
        return token[1:-1]
    if token[0] == '"':
        return token[1:-1].encode("ascii", "backslashreplace").decode("unicode_escape")
    return token
