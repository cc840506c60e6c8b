"""A measured run laid over a simulated one: nobody trusts a model that was never laid beside a measurement.

The file is a CSV file with a header line; the first column is ``time [s]``, every other ``name [unit]``.
Columns with the name of a recorded channel are compared, the others are left out.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.errors import ScenarioError
from shaftloop.scenario.csvtext import read_number, read_rows
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.source import MAX_TRACE_BYTES, label_of
from shaftloop.scenario.traces import TIME_COLUMN
from shaftloop.scenario.units import UnitError, parse_quantity, read_quantity

__all__ = ["Difference", "Measurement", "Overlay", "lay_over", "read_measurement", "read_offset"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measurement:
    """Columns of a measured run."""

    path: Path
    time: Array
    """Shape (rows,). [s]"""
    columns: dict[str, tuple[str, Array]]
    """Unit as stated and values, by name."""


@dataclass(frozen=True)
class Difference:
    """Simulated minus measured, for one channel, at the measured instants."""

    unit: str
    time: Array
    """Instants of the run, shape (rows,). [s]"""
    measured: Array
    """In `unit`, shape (rows,)."""
    difference: Array
    """In `unit`, shape (rows,)."""

    @property
    def mean(self) -> float:
        """Mean, in `unit`."""
        return float(np.mean(self.difference))

    @property
    def rms(self) -> float:
        """Root of the mean square, in `unit`."""
        return float(np.sqrt(np.mean(self.difference**2)))

    @property
    def worst(self) -> tuple[float, float]:
        """Largest difference of either sign, in `unit`, and its instant [s]."""
        where = int(np.argmax(np.abs(self.difference)))
        return float(self.difference[where]), float(self.time[where])


@dataclass(frozen=True)
class Overlay:
    """A measured run laid over a simulated one."""

    file: str
    offset: float
    """Added to the measured time. [s]"""
    channels: dict[str, Difference]
    left_out: tuple[str, ...]
    """Columns that are no recorded channel."""


def read_offset(text: str) -> float:
    """Return a time offset [s].

    Parameters
    ----------
    text : str
        For example ``"12 ms"``.

    Raises
    ------
    ScenarioError
        Where the text is no time.
    """
    try:
        return float(read_quantity(text, ("s",))[0])
    except UnitError as error:
        raise ScenarioError([f'--overlay-offset: {shown(text)}: {error}, e.g. "12 ms" or "-0.5 s"']) from None


def read_measurement(path: Path) -> Measurement:
    """Read a measured run.

    Parameters
    ----------
    path : Path
        CSV file.

    Raises
    ------
    ScenarioError
        With file and line, where the file is not what it should be.
    """
    label = label_of(path)
    rows = read_rows(path, label, MAX_TRACE_BYTES)
    try:
        names = _header(next(rows, []))
        table = np.array(list(_numbers(rows, len(names) + 1)))
    except ValueError as error:
        raise ScenarioError([f"{label}:{rows.line}: {error}"]) from None
    if len(table) < 2:
        raise ScenarioError([f"{label}: {len(table)} rows of numbers; a measured run needs at least 2"])
    columns = {name: (unit, table[:, i + 1]) for i, (name, unit) in enumerate(names)}
    return Measurement(path, table[:, 0], columns)


def lay_over(simulation: Simulation, measurement: Measurement, offset: float = 0.0) -> Overlay:
    """Compare a measured run with a simulated one, at the measured instants that the run covers.

    Parameters
    ----------
    simulation : Simulation
        Finished run.
    measurement : Measurement
        From `read_measurement`.
    offset : float
        Added to the measured time. [s]

    Raises
    ------
    ScenarioError
        Where no column is a recorded channel, a unit does not fit or the times do not overlap.
    """
    label = label_of(measurement.path)
    time = measurement.time + offset
    last = float(simulation.time[-1]) if len(simulation.time) else -math.inf
    inside = (time >= 0.0) & (time <= last)
    if not inside.any():
        raise ScenarioError(
            [
                f"{label}: the measured time, {time[0]:.6g} s to {time[-1]:.6g} s, does not overlap the run, "
                f"0 s to {max(last, 0.0):.6g} s; shift it with --overlay-offset"
            ]
        )
    channels = {}
    for name, (unit, values) in measurement.columns.items():
        if name in simulation.traces:
            wanted = simulation.units[name]
            measured = values[inside] * _factor(label, name, unit, wanted)
            simulated = np.interp(time[inside], simulation.time, simulation.traces[name])
            channels[name] = Difference(wanted, time[inside], measured, simulated - measured)
    left_out = tuple(name for name in measurement.columns if name not in channels)
    if not channels:
        known = ", ".join(simulation.traces)
        hint = nearest(left_out[0], simulation.traces)
        raise ScenarioError([f"{label}: no column is a recorded channel{hint}; recorded are: {known}"])
    return Overlay(label, offset, channels, left_out)


def _header(header: list[str]) -> list[tuple[str, str]]:
    """Return name and unit of every column after the time."""
    found = shown(header[0].strip()) if header else "nothing"
    if not header or header[0].strip() != TIME_COLUMN:
        hint = "; separate columns with commas" if ";" in found or "\\t" in found else ""
        raise ValueError(f"the file starts with {found}; its first column must be {TIME_COLUMN}{hint}")
    names: list[tuple[str, str]] = []
    for text in header[1:]:
        name, bracket, unit = text.strip().rpartition("[")
        if not bracket or not unit.endswith("]") or not name.strip():
            raise ValueError(f'{shown(text.strip())} states no unit; name it like "reading [N m]"')
        if name.strip() in dict(names):
            raise ValueError(f"two columns are named {shown(name.strip())}; leave one out")
        names.append((name.strip(), unit[:-1]))
    if not names:
        raise ValueError('the file has no column besides the time; add, e.g., "true_torque [N m]"')
    return names


def _numbers(rows: Iterator[list[str]], width: int) -> Iterator[list[float]]:
    """Return the rows that are not empty, with times that rise."""
    before = -math.inf
    for row in rows:
        if not row:
            continue
        if len(row) != width:
            raise ValueError(f"{len(row)} columns where the header has {width}")
        numbers = [read_number(text) for text in row]
        if numbers[0] <= before:
            raise ValueError(f"time {numbers[0]:.9g} s does not rise: the row before has {before:.9g} s")
        before = numbers[0]
        yield numbers


def _factor(label: str, name: str, unit: str, wanted: str) -> float:
    """Return the factor from the unit of a column to that of the channel."""
    if unit.strip() == wanted:
        return 1.0
    try:
        admitted = parse_quantity(f"1 {wanted}")[1]
        return float(read_quantity(f"1 {unit}", (admitted,))[0])
    except UnitError as error:
        message = f"{label}:1: column {shown(f'{name} [{unit}]')}: {error}; the channel is in {wanted}"
        raise ScenarioError([message]) from None
