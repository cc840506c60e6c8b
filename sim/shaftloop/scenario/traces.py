"""Recorded traces that a sequence follows.

A CSV file with a header line; the first column is ``time [s]``, every other ``name [unit]``. A trace
from another tool may have gaps and other rates: only its times must rise.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from shaftloop.scenario.beside import Digest, open_beside
from shaftloop.scenario.csvtext import read_number
from shaftloop.scenario.description import Trace
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import loop_kind
from shaftloop.scenario.source import MAX_TRACE_BYTES
from shaftloop.scenario.units import UnitError, read_quantity

__all__ = ["TIME_COLUMN", "read_traces"]

TIME_COLUMN = "time [s]"

_UNITS = {"torque": "N m", "speed": "rad/s", "position": "rad"}


def read_traces(draft: Draft, problems: Problems, folders: Sequence[Path], digest: Digest) -> None:
    """Fill in the points of every step that follows a trace; the digest takes the content of their files."""
    steps = draft.lists["sequence"]
    for index, entry in enumerate(steps):
        if not isinstance(entry.value, Trace):
            continue
        loop = draft.find(entry.value.loop, ["loop"])
        kind = loop_kind(draft, loop) if loop else ""
        filled = _fill(entry, kind, problems, folders, digest)
        steps[index] = Entry(entry.path, entry.raw, filled)


def _fill(
    entry: Entry, kind: str, problems: Problems, folders: Sequence[Path], digest: Digest
) -> Trace | None:
    trace: Trace = entry.value
    found = open_beside(trace.file, entry.at("file"), problems, folders, MAX_TRACE_BYTES, digest)
    if found is None:
        return None
    rows, label = found
    try:
        header = [name.strip() for name in next(rows, [])]
    except ValueError as error:
        problems.error_in_file(label, rows.line, str(error))
        return None
    try:
        column, factor = _column(header, trace.column, kind)
    except ValueError as error:
        problems.error(entry.at("column"), str(error))
        return None
    try:
        times, values = _points(rows, column)
    except ValueError as error:
        problems.error_in_file(label, rows.line, str(error))
        return None
    return replace(trace, times=times, values=tuple(value * factor for value in values))


def _column(header: list[str], wanted: str, kind: str) -> tuple[int, float]:
    """Return the index of a column and the factor from its unit to SI units."""
    if not header or header[0] != TIME_COLUMN:
        found = shown(header[0]) if header else "nothing"
        raise ValueError(f"the file starts with {found}; its first column must be {TIME_COLUMN}")
    if wanted not in header[1:]:
        known = ", ".join(header[1:])[:200]
        raise ValueError(
            f"the file has no column {shown(wanted)}{nearest(wanted, header[1:])}; it has: {known}"
        )
    if header.count(wanted) > 1:
        raise ValueError(f"{header.count(wanted)} columns are named {shown(wanted)}; leave one")
    name, _, unit = wanted.rpartition("[")
    if not name or not unit.endswith("]"):
        raise ValueError(f'{shown(wanted)} states no unit; name it in brackets, e.g. "torque [N m]"')
    units = (_UNITS[kind],) if kind else tuple(_UNITS.values())
    try:
        factor, _ = read_quantity(f"1 {unit[:-1]}", units)
    except UnitError as error:
        raise ValueError(f"{shown(wanted)}: {error}") from None
    return header.index(wanted), float(factor)


def _points(rows: Iterable[list[str]], column: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return times [s] and values of the rows that are not empty."""
    times: list[float] = []
    values: list[float] = []
    for row in rows:
        if not row:
            continue
        if len(row) <= column:
            raise ValueError(f"{len(row)} columns where {column + 1} are needed")
        time, value = read_number(row[0]), read_number(row[column])
        if times and time <= times[-1]:
            raise ValueError(f"time {time!r} s does not rise: the row before has {times[-1]!r} s")
        if time < 0.0:
            raise ValueError(f"time {time!r} s is negative; let the trace start at 0 s")
        times.append(time)
        values.append(value)
    if len(times) < 2:
        raise ValueError("a trace needs at least two rows of numbers")
    return tuple(times), tuple(values)
