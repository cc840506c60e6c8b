"""What is wrong with a log: found, counted, and left out of all that follows.

A time that does not rise drops its row. A column that is lively, where hardly a value equals the one before,
is out of order where it stays the same for several samples: it is saturated where that happens at its own
extreme, else its values were held. At zero it may rest, where no jump leads
there. A column that rests by its nature, a set-point say, cannot be judged so.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shaftloop.scenario.logs.reading import Column, Log, LogTable

__all__ = ["ColumnFindings", "Findings", "Inspector", "sound_blocks", "sound_table"]

Array = NDArray[np.float64]

_GAP = 1.5
"""Distance of two stamps, in periods, from which samples are missing between them."""
_HELD = 5
"""Equal values in a row, of a lively column, from which it does not measure."""
_LIVELY = 0.05
"""Most equal neighbours of a lively column."""
_MOST_GAPS = 1000
_SOME = 20_000
"""Values from which a step is looked for."""


@dataclass(frozen=True)
class ColumnFindings:
    """What is wrong with a column."""

    header: str
    missing: int
    """Values that are not there."""
    saturated: int
    """Values that stay at the extreme of the column."""
    held: int
    """Values that stay the same elsewhere."""
    step: float | None
    """Quantum of the values in their unit, nothing where there is none to be seen."""
    lively: bool
    """Whether saturated and held values can be told."""


@dataclass(frozen=True)
class Findings:
    """What is wrong with a log."""

    rows: int
    repeated: int
    """Rows whose time equals the one before, left out."""
    backwards: int
    """Rows whose time lies before an earlier one, left out."""
    period: float
    """Mean distance of the samples, gaps left out. [s]"""
    jitter: float
    """Standard deviation of that distance. [s]"""
    gaps: tuple[tuple[float, float], ...]
    """Start and length of the first thousand gaps. [s]"""
    gap_count: int
    lost: int
    """Samples that the gaps have swallowed."""
    first: float
    last: float
    """Times. [s]"""
    columns: tuple[ColumnFindings, ...]

    def said(self) -> list[str]:
        """Return what is wrong, one sentence each; nothing where the log is sound."""
        found = []
        if self.gap_count:
            longest = max(length for _, length in self.gaps)
            where = next(start for start, length in self.gaps if length == longest)
            found.append(
                f"{_times(self.gap_count, 'gap')}, {self.lost} samples lost; the longest {longest:.3g} s "
                f"at {where:.6g} s"
            )
        if self.repeated:
            found.append(f"{_times(self.repeated, 'repeated time')}, left out")
        if self.backwards:
            found.append(f"{_times(self.backwards, 'row')} back in time, left out")
        if self.jitter > 0.02 * self.period:
            share = 100.0 * self.jitter / self.period
            found.append(f"stamps jitter by {self.jitter:.2g} s rms, {share:.2g} % of a period")
        for column in self.columns:
            for count, what in (
                (column.missing, "missing"),
                (column.saturated, "saturated"),
                (column.held, "held"),
            ):
                if count:
                    found.append(f"{column.header}: {_times(count, 'value')} {what}, left out")
        return found


@dataclass
class _Watched:
    """What is known of a column so far."""

    missing: int = 0
    runs: dict[float, int] = field(default_factory=dict)
    """Values of the runs and how many samples each took."""
    lowest: float = np.inf
    highest: float = -np.inf
    step: float | None = None
    lively: bool = True
    seen: bool = False


class Inspector:
    """Looks at a log block by block and takes out what is no measurement.

    Parameters
    ----------
    headers : sequence of str
        Of the columns.
    """

    def __init__(self, headers: Sequence[str]) -> None:
        self._headers = tuple(headers)
        self._columns = [_Watched() for _ in headers]
        self._rows = self._repeated = self._backwards = self._lost = self._count = self._steps = 0
        self._gaps: list[tuple[float, float]] = []
        self._period = 0.0
        self._first = self._last = np.nan
        self._sum = self._squares = 0.0

    def feed(self, time: Array, values: Array) -> tuple[Array, Array]:
        """Return the rows whose time rises; values that are no measurement are NaN.

        Parameters
        ----------
        time : ndarray, shape (rows,)
            [s]
        values : ndarray, shape (rows, columns)
        """
        self._rows += len(time)
        before = -np.inf if np.isnan(self._last) else self._last
        top = np.maximum.accumulate(np.concatenate(([before], time)))[:-1]
        keep = time > top
        self._repeated += int(np.sum(time == top))
        self._backwards += int(np.sum(time < top))
        time, values = time[keep], values[keep]
        if len(time) == 0:
            return time, values
        self._take_times(time)
        for watched, column in zip(self._columns, values.T, strict=True):
            _take_column(watched, column)
        return time, values

    def _take_times(self, time: Array) -> None:
        steps = np.diff(time, prepend=self._last) if np.isfinite(self._last) else np.diff(time)
        if np.isnan(self._first):
            self._first = float(time[0])
        self._last = float(time[-1])
        if len(steps) == 0:
            return
        if self._period == 0.0:
            self._period = float(np.median(steps))
        gap = steps > _GAP * self._period
        starts = time[len(time) - len(steps) :][gap] - steps[gap]
        self._count += int(gap.sum())
        self._lost += int(np.sum(np.round(steps[gap] / self._period) - 1))
        room = _MOST_GAPS - len(self._gaps)
        lengths = steps[gap] - self._period
        self._gaps += list(zip(starts[:room].tolist(), lengths[:room].tolist(), strict=True))
        even = steps[~gap] - self._period
        self._steps += len(even)
        self._sum += float(even.sum())
        self._squares += float(np.sum(even**2))

    def findings(self) -> Findings:
        """Return what has been found."""
        count = max(self._steps, 1)
        mean = self._sum / count
        return Findings(
            self._rows,
            self._repeated,
            self._backwards,
            self._period + mean,
            float(np.sqrt(max(self._squares / count - mean**2, 0.0))),
            tuple(self._gaps),
            self._count,
            self._lost,
            self._first,
            self._last,
            tuple(map(_found, self._headers, self._columns)),
        )


def sound_blocks(log: Log, columns: Sequence[Column], inspector: Inspector) -> Iterator[tuple[Array, Array]]:
    """Yield the sound part of a log, some rows at a time.

    Parameters
    ----------
    log : Log
        From `read_log`.
    columns : sequence of Column
        Of the log.

    Yields
    ------
    tuple of ndarray
        Times [s], shape (rows,), and values, shape (rows, columns); NaN where there is no measurement.
    """
    for time, values in log.blocks(columns):
        yield inspector.feed(time, values)


def sound_table(table: LogTable) -> tuple[LogTable, Findings]:
    """Return the sound part of a log in memory, and what was found.

    Parameters
    ----------
    table : LogTable
        From `Log.table`.
    """
    inspector = Inspector([column.header for column in table.columns])
    time, values = inspector.feed(table.time, table.values)
    return LogTable(table.log, table.columns, time, values), inspector.findings()


def _take_column(watched: _Watched, column: Array) -> None:
    """Note what is wrong with a stretch of a column, and take it out in place."""
    there = np.isfinite(column)
    watched.missing += int(np.sum(~there))
    if not there.any():
        return
    watched.lowest = min(watched.lowest, float(np.min(column[there])))
    watched.highest = max(watched.highest, float(np.max(column[there])))
    equal = np.concatenate(([False], column[1:] == column[:-1]))
    run = np.cumsum(~equal)
    lengths = np.bincount(run)
    held = lengths[run] >= _HELD
    if not watched.seen:
        watched.seen = True
        watched.lively = bool(np.mean(equal[~held]) < _LIVELY) if (~held).any() else False
        watched.lively &= bool(np.mean(held) < 0.5)
        watched.step = _step(column[there][:_SOME])
    if watched.lively:
        _rest(column, run, held)
    if not watched.lively or not held.any():
        return
    values, counts = np.unique(column[held], return_counts=True)
    for value, count in zip(values.tolist(), counts.tolist(), strict=True):
        watched.runs[value] = watched.runs.get(value, 0) + count
    column[held] = np.nan


def _rest(column: Array, run: NDArray[np.int64], held: NDArray[np.bool_]) -> None:
    """Let values at zero count where the column comes to rest there, without a jump."""
    usual = 5.0 * float(np.nanmedian(np.abs(np.diff(column[~held])))) if np.sum(~held) > 1 else 0.0
    for number in np.unique(run[held & (column == 0.0)]):
        first, last = np.flatnonzero(run == number)[[0, -1]]
        if abs(column[max(first - 1, 0)]) <= usual:
            held[first : last + 1] = False


def _found(header: str, watched: _Watched) -> ColumnFindings:
    saturated = sum(
        count for value, count in watched.runs.items() if value in (watched.lowest, watched.highest)
    )
    held = sum(watched.runs.values()) - saturated
    return ColumnFindings(header, watched.missing, saturated, held, watched.step, watched.lively)


def _step(values: Array) -> float | None:
    """Return the step of a quantised column, nothing where its values take any."""
    levels = np.unique(values)
    if len(levels) < 3 or len(levels) > 0.5 * len(values):
        return None
    steps = np.diff(levels)
    scale = float(levels[-1] - levels[0])
    least = float(np.min(steps[steps > 1e-9 * scale], initial=np.inf))
    whole = steps / least
    return least if np.all(np.abs(whole - np.round(whole)) < 0.05) else None


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
