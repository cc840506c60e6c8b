"""Logs in CSV files, read in blocks: fast where all is well, cell by cell where it is not, to say which."""

import csv
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.scenario.csvtext import read_number
from shaftloop.scenario.fields import shown
from shaftloop.scenario.logs.form import LogForm
from shaftloop.scenario.logs.spelling import split_header
from shaftloop.scenario.logs.stamps import microseconds, read_stamps
from shaftloop.text import harmful

__all__ = ["CsvFile"]

Array = NDArray[np.float64]

_SEPARATORS = {"tab": "\t", "space": " "}
_LARGEST = 1e18
_LONGEST = 100_000
"""Characters of a line."""
_DATE = re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}|[0-9]{1,2}:[0-9]{2}")
_WORDS = re.compile(rf"(?!(nan|inf|null|none|na)\b)[+-]?[^\W\d_]{{2}}|{_DATE.pattern}", re.IGNORECASE)
"""What begins like no number."""


class CsvFile:
    """A CSV file with a header.

    Parameters
    ----------
    path : Path
        File.
    form : LogForm
        How it is to be read.
    label : str
        How messages call it.
    """

    def __init__(self, path: Path, form: LogForm, label: str) -> None:
        self._path, self._form, self._label = path, form, label
        self._separator = _SEPARATORS.get(form.delimiter, form.delimiter)
        if self._separator == form.decimal:
            raise ScenarioError(
                [f'{label}: log.decimal = "," needs another delimiter; state delimiter = ";"']
            )
        self._first = form.first or max(form.names, form.units or 0) + 1
        head = self._head(max(self._first, form.names, form.units or 0))
        self.columns = self._columns(head)
        row = self._cells(head[self._first - 1], self._first) if len(head) >= self._first else []
        self.texts = frozenset(
            name for (name, _), cell in zip(self.columns, row, strict=False) if not name or _WORDS.match(cell)
        )
        """Columns without a name, or with words in the first row of the numbers."""
        names = [name for name, _ in self.columns]
        self._timed = names.index(form.time) if form.time_format and form.time in names else None
        self._day: datetime | None = None

    def _head(self, lines: int) -> list[str]:
        with self._open() as file:
            return self._guarded(file, lines or 1)

    def _open(self) -> TextIO:
        encoding = "utf-8-sig" if self._form.encoding == "utf-8" else self._form.encoding
        try:
            return self._path.open(encoding=encoding, newline="")
        except OSError as error:
            raise ScenarioError([f"{self._label}: cannot be read: {error.strerror}"]) from None

    def _guarded(self, file: TextIO, count: int) -> list[str]:
        """Return the next lines."""
        lines: list[str] = []
        try:
            while len(lines) < count and (line := file.readline(_LONGEST)):
                if len(line) == _LONGEST:
                    raise ScenarioError([f"{self._label}: a line of more than {_LONGEST} characters"])
                lines.append(line)
        except UnicodeDecodeError as error:
            raise ScenarioError(
                [
                    f"{self._label}: byte 0x{error.object[error.start]:02x} is no "
                    f"{self._form.encoding.upper()} text; save the file as UTF-8, or state encoding = "
                    f'"{self._likely(error.object)}"'
                ]
            ) from None
        except OSError as error:
            raise ScenarioError([f"{self._label}: cannot be read: {error.strerror}"]) from None
        return lines

    def _likely(self, start: bytes) -> str:
        return "utf-16" if start[:2] in (BOM_UTF16_LE, BOM_UTF16_BE) else "latin-1"

    def where_names(self) -> str:
        """Return what to state where the names seem to stand in another line, for a message."""
        rows = [self._cells(line, i + 1) for i, line in enumerate(self._head(100))]
        first = next((i for i, row in enumerate(rows) if sum(map(_like_number, row)) * 2 > len(row)), 0)
        above = [i + 1 for i in range(first) if _filled(rows[i]) >= _filled(rows[first])]
        if len(rows[first] if rows else []) < 2 or not above or above[0] == self._form.names:
            return ""
        units = f", units = {above[0] + 1}" if above[0] + 1 == first else ""
        return f"; the names seem to stand in line {above[0]}: state names = {above[0]}{units}"

    def _columns(self, head: list[str]) -> list[tuple[str, str | None]]:
        """Return name and unit of every column."""
        form = self._form
        for needed, what in ((form.names, "names"), (form.units or 0, "units")):
            if needed > max(len(head), 1):
                raise ScenarioError(
                    [f"{self._label}: {len(head)} lines; line {needed} of the {what} is missing"]
                )
        if form.names == 0:
            width = len(self._cells(head[0], 1)) if head else 0
            return [(str(i + 1), None) for i in range(width)]
        columns = [
            split_header(cell) for cell in self._cells("".join(head[form.names - 1 :][:1]), form.names)
        ]
        if form.units is not None:
            units = self._cells(head[form.units - 1], form.units)
            if len(units) != len(columns):
                raise ScenarioError(
                    [f"{self._label}:{form.units}: {len(units)} units for {len(columns)} names"]
                )
            columns = [(name, unit.strip()) for (name, _), unit in zip(columns, units, strict=True)]
        return columns

    def _cells(self, line: str, number: int) -> list[str]:
        try:
            if self._separator == " ":
                cells = line.split()
            else:
                cells = next(csv.reader([line], delimiter=self._separator), [])
        except csv.Error as error:
            raise ScenarioError([f"{self._label}:{number}: not a CSV file: {error}"]) from None
        if found := harmful("".join(cells).replace("\t", " ").rstrip("\r\n")):
            raise ScenarioError([f"{self._label}:{number}: the character {found!a} in a cell; take it out"])
        return [cell.strip() for cell in cells]

    def blocks(self, wanted: Sequence[int], rows: int) -> Iterator[Array]:
        """Yield the wanted columns, some rows at a time."""
        with self._open() as file:
            number = len(self._guarded(file, self._first - 1)) + 1
            while lines := self._guarded(file, rows):
                block = self._fast(lines, wanted)
                if block is None:
                    block = self._slowly(lines, number, wanted)
                number += len(lines)
                if len(block):
                    yield block

    def _fast(self, lines: list[str], wanted: Sequence[int]) -> Array | None:
        """Return a block of plain numbers, nothing where it is not so plain."""
        text = "".join(lines)
        full = [line for line in lines if not line.isspace()]
        plain = self._separator != " " and '"' not in text and text.isascii()
        if not plain or text.count(self._separator) != len(full) * (len(self.columns) - 1) or not full:
            return None
        stamps = None
        if self._timed is not None and self._timed in wanted:
            stamps = self._stamps(full)
            if stamps is None:
                return None
        if self._form.decimal == ",":
            if any("." in line for line in full):
                return None
            full = [line.replace(",", ".") for line in full]
        try:
            block = np.loadtxt(full, delimiter=self._separator, usecols=wanted, ndmin=2, comments=None)
        except (ValueError, OverflowError):
            return None
        if stamps is not None:
            block[:, list(wanted).index(self._timed or 0)] = stamps
        return block if np.all(np.abs(block) <= _LARGEST) else None

    def _stamps(self, lines: list[str]) -> Array | None:
        """Return the times of plain stamps [s], 0 in their place in the lines; nothing where one is not."""
        column, separator = self._timed or 0, self._separator
        cells = [line.split(separator, column + 1) for line in lines]
        found = read_stamps([row[column].strip() for row in cells], str(self._form.time_format))
        if found is None:
            return None
        if self._day is None:
            first = datetime(1970, 1, 1) + timedelta(microseconds=int(found[0]))
            self._day = first.replace(hour=0, minute=0, second=0, microsecond=0)
        for row in cells:
            row[column] = "0"
        lines[:] = map(separator.join, cells)
        return (found - microseconds(self._day)) / 1e6

    def _slowly(self, lines: list[str], number: int, wanted: Sequence[int]) -> Array:
        """Return a block read cell by cell; raise where a cell is no number, naming its line."""
        missing = {"" if word == "empty" else word for word in self._form.missing}
        block: list[list[float]] = []
        for offset, line in enumerate(lines):
            if line.isspace():
                continue
            cells = self._cells(line, number + offset)
            place = f"{self._label}:{number + offset}"
            if len(cells) != len(self.columns):
                raise ScenarioError(
                    [f"{place}: {len(cells)} columns where the header has {len(self.columns)}"]
                )
            try:
                block.append([np.nan if cells[i] in missing else self._value(i, cells[i]) for i in wanted])
            except ValueError as error:
                raise ScenarioError([f"{place}: {error}"]) from None
        return np.array(block, dtype=float).reshape(-1, len(wanted))

    def _value(self, column: int, cell: str) -> float:
        if column != self._timed:
            return self._number(cell)
        form = str(self._form.time_format)
        try:
            stamp = datetime.strptime(cell, form).replace(tzinfo=None)
        except ValueError:
            raise ValueError(f"{shown(cell)} is not written as time_format has it, {shown(form)}") from None
        self._day = self._day or stamp.replace(hour=0, minute=0, second=0, microsecond=0)
        return (stamp - self._day).total_seconds()

    def _number(self, cell: str) -> float:
        if _DATE.match(cell):
            raise ValueError(
                f"{shown(cell)} is a date or a time of day; state time_format, e.g. "
                '"%Y-%m-%d %H:%M:%S.%f", or a rate in place of the time'
            )
        if self._form.decimal == ",":
            if "." in cell:
                raise ValueError(f"{shown(cell)} is no number; write a decimal comma and no thousands signs")
            return read_number(cell.replace(",", "."))
        if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", cell):
            raise ValueError(f'{shown(cell)} has a decimal comma; state it, decimal = ","')
        if cell.lower().lstrip("+-") in ("nan", "", "null", "none", "na"):
            said = f"missing = [{shown(cell or 'empty')}]"
            raise ValueError(f"{shown(cell)} is no number; where it stands for no value, state it: {said}")
        return read_number(cell)


def _filled(row: Sequence[str]) -> int:
    return sum(map(bool, row))


def _like_number(cell: str) -> bool:
    return bool(re.match(r"[+-]?[.,]?[0-9]", cell))
