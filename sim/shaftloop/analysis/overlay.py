"""A measured run laid over a simulated one: nobody trusts a model that was never laid beside a measurement.

Columns that show a recorded channel, by their name or by the ``[log]`` table of their file, are compared; the
others are left out, and so is what is no measurement.
"""

import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.soundness import Findings, sound_table
from shaftloop.analysis.simulation import Simulation
from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest
from shaftloop.scenario.logs.reading import LogTable, factor_to, read_log

__all__ = ["Difference", "MeasuredRun", "Overlay", "lay_over", "read_measurement", "read_measurements"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MeasuredRun:
    """A measured run."""

    table: LogTable
    """Its sound part."""
    findings: Findings
    """What was wrong with it."""


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

    measurement: MeasuredRun
    offset: float
    """Added to the measured time. [s]"""
    channels: dict[str, Difference]
    left_out: tuple[str, ...]
    """Columns that are no recorded channel."""

    @property
    def file(self) -> str:
        """Return how messages call the log."""
        return self.measurement.table.log.label


def read_measurement(path: Path, options: Sequence[str] = ()) -> MeasuredRun:
    """Read a measured run.

    Parameters
    ----------
    path : Path
        A log, as in `shaftloop.scenario.logs.reading.read_log`.
    options : sequence of str
        ``key=value`` each, on top of the ``[log]`` table.

    Raises
    ------
    ScenarioError
        With file and line, where the file is not what it should be.
    """
    return MeasuredRun(*sound_table(read_log(path, options).table()))


def read_measurements(
    paths: Sequence[Path], options: Sequence[str], channels: Collection[str]
) -> list[MeasuredRun]:
    """Read logs of one run: columns that play, show a wanted channel, or one that another log shows too.

    Parameters
    ----------
    paths, options : sequence
        As of `read_measurement`.
    channels : collection of str
        That are wanted. A log that shows none of them is read in full.

    Raises
    ------
    ScenarioError
        With file and line, where a file is not what it should be.
    """
    logs = [read_log(path, options) for path in paths]
    counts = Counter(column.channel for log in logs for column in log.columns)
    wanted = {*channels, *(channel for channel, count in counts.items() if count > 1)}
    chosen = [[c for c in log.columns if c.stated.plays or c.channel in wanted] for log in logs]
    return [
        MeasuredRun(*sound_table(log.table(columns or None)))
        for log, columns in zip(logs, chosen, strict=True)
    ]


def lay_over(simulation: Simulation, measurement: MeasuredRun, offset: float = 0.0) -> Overlay:
    """Compare a measured run with a simulated one, at the measured instants that the run covers.

    Parameters
    ----------
    measurement : Measurement
        From `read_measurement`.
    offset : float
        Added to the measured time. [s]

    Raises
    ------
    ScenarioError
        Where no column is a recorded channel, a unit does not fit or the times do not overlap.
    """
    table = measurement.table
    label, time = table.log.label, table.time + offset
    last = float(simulation.time[-1]) if len(simulation.time) else -math.inf
    inside = (time >= 0.0) & (time <= last)
    if not inside.any():
        raise ScenarioError(
            [
                f"{label}: the measured time, {time[0]:.6g} s to {time[-1]:.6g} s, does not overlap the run, "
                f"0 s to {max(last, 0.0):.6g} s; shift it with `offset`"
            ]
        )
    channels = {}
    left_out = []
    for column, values in zip(table.columns, table.values.T, strict=True):
        name, there = column.channel, inside & np.isfinite(values)
        if name not in simulation.traces or not there.any():
            left_out.append(name)
            continue
        wanted = simulation.units[name]
        measured = values[there] * factor_to(table.log, column, wanted)
        simulated = np.interp(time[there], simulation.time, simulation.traces[name])
        channels[name] = Difference(wanted, time[there], measured, simulated - measured)
    if not channels:
        known = ", ".join(simulation.traces)
        hint = nearest(left_out[0], simulation.traces)
        raise ScenarioError([f"{label}: no column is a recorded channel{hint}; recorded are: {known}"])
    return Overlay(measurement, offset, channels, tuple(left_out))
