"""A log, read in blocks or as a whole, with what was understood of it."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.logs.binary import MdfFile, NpzFile, ParquetFile
from shaftloop.scenario.logs.csvfile import CsvFile
from shaftloop.scenario.logs.form import LogColumn, LogForm, read_form
from shaftloop.scenario.logs.spelling import known_unit
from shaftloop.scenario.source import label_of
from shaftloop.scenario.units import UnitError, parse_quantity, read_quantity
from shaftloop.text import harmful

__all__ = ["Column", "Log", "LogTable", "factor_to", "read_log"]

Array = NDArray[np.float64]

_ROWS = 65_536
"""Of a block."""
_MOST_ROWS = 10_000_000
"""Of a log that is read as a whole."""


class _File(Protocol):
    columns: list[tuple[str, str | None]]
    texts: frozenset[str]
    """Columns that hold no numbers."""

    def blocks(self, wanted: Sequence[int], rows: int) -> Iterator[Array]:
        """Yield the columns of these numbers, at most so many rows at a time, shape (rows, wanted)."""


_KINDS: dict[str, Callable[[Path, LogForm, str], _File]] = {
    ".npz": NpzFile,
    ".parquet": ParquetFile,
    ".mf4": MdfFile,
    ".mdf": MdfFile,
}


@dataclass(frozen=True)
class Column:
    """A column as it is understood."""

    header: str
    """Without the unit."""
    unit: str | None
    """In the spelling of scenarios; nothing where none is stated."""
    stated: LogColumn

    @property
    def channel(self) -> str:
        """What it shows."""
        return self.stated.channel or self.header


@dataclass(frozen=True)
class Log:
    """A log whose header has been read."""

    path: Path
    label: str
    """How messages call it."""
    form: LogForm
    places: tuple[str, ...]
    """What states how it is read; empty where all is as by default."""
    columns: tuple[Column, ...]
    """Without the time."""
    time_unit: str
    """Empty where the log has no column of time."""
    texts: tuple[str, ...] = ()
    """Columns of words, left out."""

    def column(self, name: str) -> Column:
        """Return the column of a channel or header.

        Parameters
        ----------
        name : str
            Channel or header.

        Raises
        ------
        ScenarioError
            Where there is none, with the nearest.
        """
        found = [c for c in self.columns if name in (c.channel, c.header)]
        if not found:
            names = list(dict.fromkeys(c.channel for c in self.columns))
            raise ScenarioError(
                [f"{self.label}: no column {shown(name)}{nearest(name, names)}; it has: {', '.join(names)}"]
            )
        return found[0]

    def blocks(self, columns: Sequence[Column], rows: int = _ROWS) -> Iterator[tuple[Array, Array]]:
        """Yield times [s] and the values of columns in their units, some rows at a time.

        Parameters
        ----------
        columns : sequence of Column
            Of this log.
        rows : int
            Most rows of a block.

        Yields
        ------
        tuple of ndarray
            Shapes (rows,) and (rows, columns); what is missing is NaN.
        """
        file = _open(self.path, self.form, self.label)
        headers = [name for name, _ in file.columns]
        wanted = [headers.index(column.header) for column in columns]
        gains = np.array([column.stated.sign * column.stated.gain for column in columns], dtype=float)
        if self.form.rate is None:
            scale, wanted = _seconds(self.time_unit), [headers.index(self.form.time), *wanted]
        count = 0
        for block in file.blocks(wanted, rows):
            self._check(block, count, bool(self.form.missing))
            if self.form.rate is None:
                time, values = scale * block[:, 0], block[:, 1:]
            else:
                time, values = (count + np.arange(len(block))) / float(self.form.rate), block
            count += len(block)
            yield time, values * gains

    def _check(self, block: Array, before: int, lenient: bool) -> None:
        """Refuse what is no finite number where nothing says that it stands for no value."""
        timed = block[:, :1] if self.form.rate is None else block[:, :0]
        wrong = ~np.isfinite(timed).all(axis=1) if lenient else ~np.isfinite(block).all(axis=1)
        if wrong.any():
            row = before + int(np.argmax(wrong)) + 1
            raise ScenarioError(
                [
                    f"{self.label}: row {row} of the numbers holds one that is not finite; where NaN stands "
                    'for no value, state missing = ["nan"]'
                    if not lenient
                    else f"{self.label}: row {row} of the numbers has no time"
                ]
            )

    def table(self, columns: Sequence[Column] | None = None) -> "LogTable":
        """Return the log as a whole.

        Parameters
        ----------
        columns : sequence of Column, optional
            All where left out.

        Raises
        ------
        ScenarioError
            Where it has fewer than 2 rows, or too many.
        """
        chosen = self.columns if columns is None else tuple(columns)
        times: list[Array] = []
        values: list[Array] = []
        count = 0
        for time, block in self.blocks(chosen):
            count += len(time)
            if count > _MOST_ROWS:
                raise ScenarioError(
                    [f"{self.label}: more than {_MOST_ROWS} rows; cut the log to what is needed"]
                )
            times.append(time)
            values.append(block)
        if count < 2:
            raise ScenarioError([f"{self.label}: {count} rows of numbers; a measured run needs at least 2"])
        return LogTable(self, chosen, np.concatenate(times), np.concatenate(values))


@dataclass(frozen=True)
class LogTable:
    """A log in memory."""

    log: Log
    columns: tuple[Column, ...]
    time: Array
    """As stamped, shape (rows,). [s]"""
    values: Array
    """In the units of the columns, shape (rows, columns); what is missing is NaN."""


def read_log(path: Path, options: Sequence[str] = ()) -> Log:
    """Read how a log is to be read, and its header.

    Parameters
    ----------
    path : Path
        CSV, NPZ, Parquet or MDF file, or a TOML file whose ``[log]`` names one.
    options : sequence of str
        ``key=value`` each, on top of the ``[log]`` table.

    Raises
    ------
    ScenarioError
        With file and line, where something is not what it should be.
    """
    stating = read_form(path, options)
    label, form = label_of(stating.path), stating.form
    file = _open(stating.path, form, label)
    _check_names(file, form, label)
    stated = {entry.header: entry for entry in form.column}
    kept = {*stated, *(() if form.rate is not None else (form.time,))}
    texts = [name for name, _ in file.columns if name in file.texts and name not in kept]
    columns = []
    time_unit = ""
    for header, unit in file.columns:
        if form.rate is None and header == form.time:
            time_unit = "s" if form.time_format else _time_unit(form, unit, label)
            continue
        if header in texts:
            continue
        entry = stated.get(header, LogColumn(header))
        told = entry.unit if entry.unit is not None else unit
        if entry.sign == 0:
            raise ScenarioError([f"{label}: column.{header}.sign = 0: write 1 or -1"])
        columns.append(Column(header, None if told is None else known_unit(told), entry))
    if not columns:
        raise ScenarioError(
            [f'{label}: the file has no column besides the time; add, e.g., "true_torque [N m]"']
        )
    return Log(
        stating.path, label, form, stating.places, tuple(columns), time_unit, tuple(filter(None, texts))
    )


def factor_to(log: Log, column: Column, wanted: str) -> float:
    """Return the factor from the unit of a column to another one.

    Parameters
    ----------
    wanted : str
        Unit of the channel that it shows.

    Raises
    ------
    ScenarioError
        Where it states no unit, or one that contradicts the channel.
    """
    if column.unit is None:
        raise ScenarioError(
            [
                f'{log.label}: column {shown(column.header)} states no unit; name it like "{column.header} '
                f'[{wanted}]", or state `log` "column.{column.header}.unit={wanted}"'
            ]
        )
    if column.unit == wanted:
        return 1.0
    try:
        admitted = parse_quantity(f"1 {wanted}")[1]
        return float(read_quantity(f"1 {column.unit}", (admitted,))[0])
    except UnitError as error:
        said = shown(f"{column.header} [{column.unit}]")
        raise ScenarioError(
            [f"{log.label}: column {said}: {error}; the channel {column.channel} is in {wanted}"]
        ) from None


def _open(path: Path, form: LogForm, label: str) -> _File:
    if not path.is_file():
        what = "it is no file" if path.exists() else "No such file"
        raise ScenarioError([f"{label}: cannot be read: {what}"])
    return _KINDS.get(path.suffix.lower(), CsvFile)(path, form, label)


def _check_names(file: _File, form: LogForm, label: str) -> None:
    """Refuse names that leave open which column is meant."""
    names = [name for name, _ in file.columns]
    if form.rate is None and form.time not in names:
        found = shown(names[0]) if names and names[0] else "nothing"
        together = len(names) == 1 and any(sign in names[0] for sign in ";\t|,")
        hint = "; the columns are not told apart: state delimiter" if together else nearest(form.time, names)
        if isinstance(file, CsvFile) and not together:
            hint = file.where_names() or hint
        raise ScenarioError(
            [
                f"{label}: no column of time is named {shown(form.time)}, the first one is {found}{hint}; "
                'write "time [s]", or state time, or rate where there is none'
            ]
        )
    for name in names:
        if harmful(name):
            raise ScenarioError([f"{label}: a name with the character {harmful(name)!a}; take it out"])
        if name and names.count(name) > 1:
            raise ScenarioError([f"{label}: two columns are named {shown(name)}; leave one out"])
    for entry in form.column:
        if entry.header not in names:
            raise ScenarioError(
                [f"{label}: log.column: no column {shown(entry.header)}{nearest(entry.header, names)}"]
            )
    channels = [entry.channel for entry in form.column if entry.channel is not None]
    for channel in channels:
        if channels.count(channel) > 1:
            raise ScenarioError([f"{label}: log.column: two columns show {shown(channel)}; leave one out"])


def _time_unit(form: LogForm, unit: str | None, label: str) -> str:
    told = form.time_unit if form.time_unit is not None else unit
    if not told:
        raise ScenarioError(
            [
                f'{label}: the time states no unit; name it "{form.time} [s]", or state time_unit = "s", or '
                "time_format for dates and times of day"
            ]
        )
    known = known_unit(told)
    try:
        _seconds(known)
    except UnitError as error:
        raise ScenarioError([f"{label}: the time is in {shown(told)}: {error}"]) from None
    return known


def _seconds(unit: str) -> float:
    return float(read_quantity(f"1 {unit}", ("s",))[0])
