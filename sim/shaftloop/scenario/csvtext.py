"""CSV files: their rows, and the numbers in their cells."""

import csv
import io
import math
import re
from collections.abc import Iterator
from pathlib import Path

from shaftloop.scenario.fields import shown
from shaftloop.scenario.source import read_text
from shaftloop.scenario.units import NUMBER_PATTERN
from shaftloop.text import harmful

__all__ = ["Rows", "read_number", "read_rows"]

_NUMBER = re.compile(NUMBER_PATTERN)
_LARGEST = 1e18


class Rows(Iterator[list[str]]):
    """The rows of a CSV file, each with cells of plain text."""

    def __init__(self, text: str) -> None:
        self._reader = csv.reader(io.StringIO(text, newline=""))

    @property
    def line(self) -> int:
        """Line that was read last, counted from 1."""
        return max(self._reader.line_num, 1)

    def __next__(self) -> list[str]:
        """Return the next row.

        Raises
        ------
        ValueError
            Where it is no CSV, or holds characters that are not for reading.
        """
        try:
            row = next(self._reader)
        except csv.Error as error:
            raise ValueError(f"not a CSV file: {error}") from None
        if found := harmful("".join(row).replace("\t", " ")):
            raise ValueError(f"the character {found!a} in a cell; take it out")
        return row


def read_rows(path: Path, label: str, limit: int) -> Rows:
    """Return the rows of a CSV file of at most `limit` bytes, which messages call by its label."""
    return Rows(read_text(path, label, limit))


def read_number(text: str) -> float:
    """Return the number in a cell; a ValueError says what is wrong with it."""
    word = text.strip(" \t")
    if not _NUMBER.fullmatch(word):
        raise ValueError(f"{shown(word)} is no number; write a decimal point and no unit")
    value = float(word)
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise ValueError(f"{shown(word)} is no finite number of a usual size")
    return value
