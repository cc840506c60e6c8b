"""How a log is to be read: stated in a ``[log]`` table beside it or by options, never guessed.

::

    [log]
    delimiter = ";"
    decimal = ","
    names = 3                 # line of the names
    units = 4                 # line of the units
    time = "Zeit"

    [[log.column]]
    header = "M_ist"
    channel = "reading"
    sign = -1
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

from shaftloop.errors import ScenarioError
from shaftloop.scenario.derive import readable_fields, validate
from shaftloop.scenario.fields import shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.source import find_beside, label_of, load_toml
from shaftloop.text import escaped
from shaftloop_models.parameters import Number, Quantity

__all__ = ["LogColumn", "LogForm", "Stating", "read_form"]


@dataclass(frozen=True)
class LogColumn:
    """What a column shows."""

    header: Annotated[str, Number("name of the column, without its unit")]
    channel: Annotated[str | None, Number("channel of the bench; that of the header where left out")] = None
    unit: Annotated[str | None, Number("unit, where the file states none")] = None
    sign: Annotated[int, Number("-1 where the column counts the other way", ge=-1, le=1)] = 1
    gain: Annotated[float, Number("by which its numbers are multiplied, e.g. of an amplifier", gt=0.0)] = 1.0
    size_only: Annotated[bool, Number("true: the column shows the size without the sign")] = False
    plays: Annotated[bool, Number("true: a fit puts the column in place of its set-point or command")] = False
    held: Annotated[bool, Number("true: what plays keeps its value until the next sample")] = False
    rate_over: Annotated[
        Fraction | None,
        Quantity("s", "the column is an angle; its rate over this time shows the channel", gt=0.0),
    ] = None
    mean_over: Annotated[
        Fraction | None, Quantity("s", "its mean over this time around each instant is what counts", gt=0.0)
    ] = None


@dataclass(frozen=True)
class LogForm:
    """How a log is to be read."""

    file: Annotated[str | None, Number("log, where this table stands in a file of another name")] = None
    delimiter: Annotated[
        Literal[",", ";", "tab", "space", "|"], Number("what stands between two cells of a CSV file")
    ] = ","
    decimal: Annotated[Literal[".", ","], Number("decimal sign of a CSV file")] = "."
    encoding: Annotated[Literal["utf-8", "utf-16", "latin-1"], Number("of a CSV file")] = "utf-8"
    names: Annotated[int, Number("line of the names; 0: the columns are called 1, 2, ...", ge=0, le=1000)] = 1
    units: Annotated[int | None, Number("line of the units; else in brackets", ge=1, le=1000)] = None
    first: Annotated[int | None, Number("line of the first numbers", ge=1, le=1000)] = None
    group: Annotated[int, Number("channel group of an MDF file", ge=0, le=10_000)] = 0
    time: Annotated[str, Number("header of the time, without its unit")] = "time"
    time_unit: Annotated[str | None, Number("unit of the time, where the file states none")] = None
    time_format: Annotated[
        str | None, Number('how dates or times of day are written, e.g. "%d.%m.%Y %H:%M:%S,%f"')
    ] = None
    rate: Annotated[Fraction | None, Quantity("Hz", "rate of a log without a column of time", gt=0.0)] = None
    missing: Annotated[tuple[str, ...], Number("cells that hold no value; empty ones are named empty")] = ()
    column: tuple[LogColumn, ...] = ()


@dataclass(frozen=True)
class Stating:
    """A log and how it is to be read."""

    path: Path
    """Of the log."""
    form: LogForm
    places: tuple[str, ...]
    """What states the form: a file, options; empty where all is as it is by default."""


def read_form(path: Path, options: Sequence[str] = ()) -> Stating:
    """Return how a log is to be read.

    Parameters
    ----------
    path : Path
        The log, beside which a TOML file of the same name may hold a ``[log]`` table; or such a TOML file.
    options : sequence of str
        ``key=value`` each, on top of the table; a column is named by its header, ``column.M_ist.unit=N m``.

    Raises
    ------
    ScenarioError
        With everything that is wrong.
    """
    named = path.suffix == ".toml"
    beside = path if named else path.with_suffix(".toml")
    table: Any = {}
    places: list[str] = []
    problems = None
    if named or beside.is_file():
        source = load_toml(beside, label_of(beside))
        if "log" in source.document:
            problems = Problems(source, source.document)
            table = source.document["log"]
            if not isinstance(table, dict) or not isinstance(table.get("column", []), list):
                what = "a table is due, [log]" if not isinstance(table, dict) else "write [[log.column]]"
                raise ScenarioError([f"{source.label}:{source.locator.line(('log',))}: log: {what}"])
            places.append(source.label)
        elif named:
            raise ScenarioError([f"{source.label}: no table [log], which says how a log is to be read"])
    wrong: list[str] = []
    for option in options:
        if message := _set(table, option):
            wrong.append(f"`log` {escaped(option[:80], '')}: {message}")
    if options:
        places.append("`log`")
    form, errors = validate(LogForm, table)
    for where, message in errors:
        if problems is not None and not _by_option(where, table, options):
            problems.error(("log", *where), message)
        else:
            key = ".".join(str(word) for word in where)
            wrong.append(f"{'`log`' if options else label_of(path)}: {key}: {message}")
    if problems is not None:
        problems.unlocated(tuple(wrong))
        problems.raise_if_any()
    if wrong:
        raise ScenarioError(wrong)
    return Stating(_data(path, form, named), form, tuple(places))


def _data(path: Path, form: LogForm, named: bool) -> Path:
    """Return the file of the numbers."""
    if form.file is None:
        if named:
            raise ScenarioError([f'{label_of(path)}: log.file is missing; name the log, file = "run.csv"'])
        return path
    try:
        return find_beside(form.file, [path.parent], "log")
    except ValueError as error:
        raise ScenarioError([f"{label_of(path)}: log.file: {error}"]) from None


def _set(table: dict[str, Any], option: str) -> str:
    """Put an option into the table; return what is wrong with it."""
    key, equals, text = option.partition("=")
    words = key.strip().split(".")
    if not equals or not all(words):
        return "write key=value, e.g. delimiter=; or column.M_ist.unit=N m"
    value = _value(text.strip())
    if words[0] != "column":
        if len(words) > 1:
            return f"{shown(key)} is no key of a log; a column is named column.HEADER.KEY"
        table[words[0]] = value
        return ""
    known = [name for name in readable_fields(LogColumn) if name != "header"]
    # A header may hold points of its own.
    header, last = ".".join(words[1:-1]), words[-1]
    if not header or last not in known:
        return f"name a column and a key of it, column.HEADER.KEY; keys: {', '.join(known)}"
    columns = table.setdefault("column", [])
    entry = next((c for c in columns if isinstance(c, dict) and c.get("header") == header), None)
    if entry is None:
        entry = {"header": header}
        columns.append(entry)
    entry[last] = value
    return ""


def _value(text: str) -> Any:
    """Return a value as TOML would have it, else the text itself: units need no quotes here."""
    if text in (",", ";", "."):
        return text
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return text


def _by_option(where: tuple[str | int, ...], table: dict[str, Any], options: Sequence[str]) -> bool:
    """Return whether an option states a key."""
    words = [str(word) for word in where]
    if len(where) > 1 and isinstance(where[1], int):
        entry = table["column"][where[1]]
        words[1] = str(entry.get("header", where[1])) if isinstance(entry, dict) else words[1]
    return any(option.partition("=")[0].strip().startswith(".".join(words)) for option in options)
