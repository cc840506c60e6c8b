"""Files of numbers that parts name: a CSV file with a header line, each column ``name [unit]``."""

import hashlib
from collections.abc import Iterable, Sequence
from pathlib import Path

from shaftloop.errors import ScenarioError
from shaftloop.scenario.beside import Digest, open_beside
from shaftloop.scenario.csvtext import Rows, read_number, read_rows
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.source import MAX_SCENARIO_BYTES, find_beside, label_of
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop_models.parameters import ParameterError
from shaftloop_models.part import Filed, Part

__all__ = ["read_tables", "with_tables"]


def read_tables(
    draft: Draft, problems: Problems, folders: Sequence[Path], digest: Digest | None = None
) -> None:
    """Fill in what the files hold that parts name, behind the folder of the part file that names them.

    The digest takes the content of the files.
    """
    digest = digest or hashlib.sha256()
    for index, entry in enumerate(draft.lists["line"]):
        if entry.value is None or (filed := entry.value.filed()) is None:
            continue
        part = problems.parts.get(index)
        own = [] if part is None else [part.path.parent]
        filled = _fill(entry, filed, problems, [*own, *folders], digest)
        draft.lists["line"][index] = Entry(entry.path, entry.raw, filled)


def with_tables(part: Part, folders: Sequence[Path]) -> Part | None:
    """Return a part with what the file holds that it names, nothing where that cannot be used."""
    filed = part.filed()
    if filed is None:
        return part
    try:
        path = find_beside(filed.file, folders)
        rows = read_rows(path, label_of(path), MAX_SCENARIO_BYTES)
        filled = part.filled(_table(rows, filed))
        filled.check()
    except (ScenarioError, ValueError):
        return None
    return filled


def _fill(
    entry: Entry, filed: Filed, problems: Problems, folders: Sequence[Path], digest: Digest
) -> Part | None:
    where = (*entry.path, *filed.keys)
    found = open_beside(filed.file, where, problems, folders, MAX_SCENARIO_BYTES, digest)
    if found is None:
        return None
    rows, label = found
    try:
        table = _table(rows, filed)
    except ValueError as error:
        problems.error_in_file(label, rows.line, str(error))
        return None
    try:
        filled: Part = entry.value.filled(table)
        filled.check()
    except ParameterError as error:
        problems.error(where, f"{filed.file}: {error.message}")
        return None
    return filled


def _table(rows: Rows, filed: Filed) -> tuple[tuple[float, ...], ...]:
    """Return the rows of the wanted columns below a header, in SI units."""
    found = tuple(_numbers(rows, _columns(next(rows, []), filed.columns)))
    if not found:
        raise ValueError("no numbers below the header; write a row for each point of the table")
    return found


def _columns(header: list[str], wanted: Sequence[tuple[str, str]]) -> list[tuple[int, float]]:
    """Return index of each column and the factor from its unit to the SI unit."""
    stated = [name.strip() for name in header]
    names = [name.partition("[")[0].strip() for name in stated]
    example = ", ".join(f"{name} [{unit}]" for name, unit in wanted)
    found = []
    for name, unit in wanted:
        if names.count(name) != 1:
            said = f"no column is named {name}{nearest(name, names)}"
            if name in names:
                said = f"{names.count(name)} columns are named {name}"
            raise ValueError(f"{said}; the header must have: {example}")
        whole = stated[names.index(name)]
        _, _, written = whole.partition("[")
        if not written.endswith("]"):
            raise ValueError(f'{shown(whole)} states no unit; write e.g. "{name} [{unit}]"')
        try:
            factor, _ = read_quantity(f"1 {written[:-1]}", (unit,))
        except UnitError as error:
            raise ValueError(f"{shown(whole)}: {error}") from None
        found.append((names.index(name), float(factor)))
    return found


def _numbers(rows: Rows, columns: Iterable[tuple[int, float]]) -> Iterable[tuple[float, ...]]:
    """Yield the numbers of the rows that are not empty, in SI units."""
    chosen = list(columns)
    for row in rows:
        if not row:
            continue
        if len(row) <= max(index for index, _ in chosen):
            raise ValueError(f"{len(row)} columns; the header has more")
        yield tuple(read_number(row[index]) * factor for index, factor in chosen)
