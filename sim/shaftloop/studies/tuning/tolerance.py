"""Corners of stated tolerances: every combination of the ends, and the bench as it stands."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import read_scenario, stated_value
from shaftloop.scenario.units import NUMBER_PATTERN, UnitError, parse_quantity
from shaftloop.studies.identification.fitfile import read_fit
from shaftloop.studies.vary import read_range

__all__ = ["Corner", "Tolerance", "corner_settings", "corners", "read_tolerances"]

_MOST = 5
_SHARE = re.compile(rf"\s*([^=\s]+)\s*=\s*(?:±|\+-|\+/-)\s*({NUMBER_PATTERN})\s*%\s*")


@dataclass(frozen=True)
class Tolerance:
    """A value of the scenario and the two ends between which it may lie."""

    text: str
    """As stated, ``PATH=±20%`` or ``PATH=LO..HI``."""
    path: str
    """As in a setting."""
    ends: tuple[str, str]
    """As written in a setting."""
    labels: tuple[str, str]
    """In words, e.g. ``line.drive.inertia -20 %``."""


@dataclass(frozen=True)
class Corner:
    """A bench with every toleranced value at one of its ends."""

    label: str
    description: Description


def read_tolerances(texts: Sequence[str], source: str | Path, settings: Sequence[str]) -> list[Tolerance]:
    """Return the tolerances that texts mean.

    Parameters
    ----------
    texts : sequence of str
        ``PATH=±20%`` around what the scenario states, ``PATH=LO..HI``, or a fit.json of ``shaftloop
        identify`` for the 95 % intervals that it tells.
    source : str or Path
        The scenario.
    settings : sequence of str
        ``path=value`` each.

    Raises
    ------
    ScenarioError
        Where a text is no tolerance, a path states no number, or the log of a fit contradicts the bench.
    """
    stated = [
        one for text in texts for one in (_identified(Path(text)) if text.endswith(".json") else [text])
    ]
    return [_read(text, source, settings) for text in stated]


def _read(text: str, source: str | Path, settings: Sequence[str]) -> Tolerance:
    match = _SHARE.fullmatch(text)
    if match is None:
        try:
            wanted = read_range(text)
        except ScenarioError as error:
            reason = error.messages[0].rpartition(": ")[2] if ".." in text else ""
            form = "write PATH=±20% or PATH=LO..HI, e.g. line.c1.stiffness=±20%"
            raise _bad(text, f"{reason}; {form}" if reason else form) from None
        ends = tuple(wanted.setting(value) for value in (wanted.low, wanted.high))
        return Tolerance(text, wanted.path, (ends[0], ends[1]), (ends[0], ends[1]))
    path, share = match[1], float(match[2])
    if not 0.0 < share < 100.0:
        raise _bad(text, f"a tolerance of {share:g} %; choose above 0 and below 100 %")
    number, unit = _stated(text, path, source, settings)
    ends = tuple(f"{path}={number * (1.0 + s * share / 100.0):.12g} {unit}".rstrip() for s in (-1.0, 1.0))
    return Tolerance(text, path, (ends[0], ends[1]), (f"{path} -{share:g} %", f"{path} +{share:g} %"))


def _identified(path: Path) -> list[str]:
    """Return the 95 % intervals of a fit to a log as tolerances, ``PATH=LO..HI`` each."""
    try:
        fit = read_fit(path)
    except ValueError as error:
        raise _bad(str(path), str(error)) from None
    if fit.contradicted:
        raise _bad(str(path), "its log contradicts the bench, so its intervals are no tolerances")
    found = [
        f"{entry.path}=" + "..".join(f"{end:.12g}{_suffix(entry.unit)}" for end in (entry.low, entry.high))
        for entry in fit.told
        if entry.alone
    ]
    if not found:
        raise _bad(str(path), "it tells no value of the bench alone")
    return found


def _suffix(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def corners(
    source: str | Path, settings: Sequence[str], tolerances: Sequence[Tolerance]
) -> tuple[Corner, ...]:
    """Return the bench as it stands, then every combination of ends.

    Parameters
    ----------
    source : str or Path
        The scenario.
    settings : sequence of str
        ``path=value`` each.
    tolerances : sequence of Tolerance
        At most 5, which makes 32 corners.

    Raises
    ------
    ScenarioError
        Where there are too many, or the bench cannot take an end.
    """
    found = []
    for label, ends in corner_settings(tolerances):
        try:
            found.append(Corner(label, read_scenario(source, [*settings, *ends]).description))
        except ScenarioError as error:
            raise ScenarioError([_of_tolerance(message, ends) for message in error.messages]) from None
    return tuple(found)


def corner_settings(tolerances: Sequence[Tolerance]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield label and settings of the bench as it stands, then of every combination of ends.

    Parameters
    ----------
    tolerances : sequence of Tolerance
        At most 5, which makes 32 corners.

    Raises
    ------
    ScenarioError
        Where there are too many.
    """
    if len(tolerances) > _MOST:
        raise ScenarioError(
            [
                f"`tolerances`: {len(tolerances)} of them make {2 ** len(tolerances)} corners; "
                f"give at most {_MOST}"
            ]
        )
    yield "nominal", ()
    for sides in product((0, 1), repeat=len(tolerances)) if tolerances else ():
        both = list(zip(tolerances, sides, strict=True))
        yield ", ".join(t.labels[side] for t, side in both), tuple(t.ends[side] for t, side in both)


def _of_tolerance(message: str, ends: Sequence[str]) -> str:
    """Return a message about a setting as one about the tolerance that it stands for."""
    for end in ends:
        message = message.replace(f"`settings` {end}", f"`tolerances` {end}")
    return message


def _stated(text: str, path: str, source: str | Path, settings: Sequence[str]) -> tuple[float, str]:
    """Return number and unit that the scenario states at a path."""
    try:
        value = stated_value(source, path, settings)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value), ""
        if not isinstance(value, str):
            raise LookupError(_numberless(path, value, source, settings))
        number, unit = parse_quantity(value)
    except LookupError as error:
        raise _bad(text, str(error.args[0])) from None
    except UnitError as error:
        raise _bad(text, f"the scenario has {shown(value)} there, {error}") from None
    return float(number), unit


def _numberless(path: str, value: object, source: str | Path, settings: Sequence[str]) -> str:
    """Return why a path that states no number is none, with the nearest that does."""
    words, depth = path.split("."), 0
    around: Any = value
    if not isinstance(value, dict):
        depth, around = next(
            (
                (depth, table)
                for depth in range(len(words) - 1, 0, -1)
                if isinstance(table := stated_value(source, ".".join(words[:depth]), settings), dict)
            ),
            (0, None),
        )
    table_path = ".".join(words[: depth or len(words)])
    paths = [f"{table_path}.{key}" for key in _numbers(around)]
    near = ""
    if depth:
        # The misspelt word may be that of a table on the way.
        known = [path.rpartition(".")[2] for path in paths] if depth == len(words) - 1 else list(around)
        near = nearest(words[depth], known, f"; nearest: {table_path}.")
    listed = f"; numbers there: {', '.join(paths)}" if paths else ""
    return f"the scenario states no number there{near}{listed}; or give both ends, PATH=LO..HI"


def _numbers(table: object) -> list[str]:
    """Return the keys of a table that hold a number."""
    found = []
    for key, value in table.items() if isinstance(table, dict) else ():
        try:
            if isinstance(value, str):
                parse_quantity(value)
            elif isinstance(value, bool) or not isinstance(value, int | float):
                continue
        except UnitError:
            continue
        found.append(key)
    return found


def _bad(text: str, reason: str) -> ScenarioError:
    return ScenarioError([f"`tolerances` {shown(text)}: {reason}"])
