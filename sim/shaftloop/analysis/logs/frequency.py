"""From a log to the response between two of its columns, its resonances and its dead time."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.clocks import Clock, shared_clock, shared_column
from shaftloop.analysis.logs.deadtime import Covariances, DeadTime
from shaftloop.analysis.logs.evenly import Bridge, mean_around, pieces
from shaftloop.analysis.logs.orderlines import without_orders
from shaftloop.analysis.logs.resonances import Resonances, find_resonances
from shaftloop.analysis.logs.soundness import Findings, Inspector, sound_blocks, sound_table
from shaftloop.analysis.logs.spectra import Averager, Response, local_response
from shaftloop.analysis.logs.unsigned import MOST, signed
from shaftloop.errors import ScenarioError
from shaftloop.scenario.logs.reading import Column, Log, LogTable, factor_to
from shaftloop.scenario.ratios import check_orders

__all__ = ["LogResponse", "Part", "ResponseDemand", "measure_response"]

Array = NDArray[np.float64]

_WHOLE = 16_384
"""Most samples of a record that is taken as a whole."""
_BLOCK = 16_384
"""Samples of a block of a longer one."""
_ENOUGH = 0.5
"""Share of a record in one stretch that tells more as a whole than all of it in short blocks."""
_LEAST = 64
"""Samples from which a response can be told."""
_BLOCKS = 4
"""Least blocks of an average."""


@dataclass(frozen=True)
class ResponseDemand:
    """Which response is asked for."""

    source: str
    """Channel or header of the input."""
    output: str
    reference: str | None = None
    """Known command or injected signal, where a loop is closed around both."""
    speed: str | None = None
    """That the orders belong to."""
    orders: tuple[float, ...] = ()
    """Taken out. [1/turn]"""
    period: float | None = None
    """Of the excitation, where it repeats. [s]"""
    resolution: float | None = None
    """Distance of the lines. [Hz]"""

    def __post_init__(self) -> None:
        """Check what is said of orders."""
        check_orders(self.orders)
        if self.orders and self.speed is None:
            raise ScenarioError(["orders are taken out by angle: name the column of the speed, `speed`"])
        if self.speed is not None and not self.orders:
            raise ScenarioError(["`speed` is of use to orders alone: name one, `orders`, or leave it out"])


@dataclass(frozen=True)
class Part:
    """What was read of a log."""

    log: Log
    columns: tuple[Column, ...]
    findings: Findings
    clock: Clock | None = None
    """Against the first log; nothing for that one."""


@dataclass(frozen=True)
class LogResponse:
    """A response that was found in logs."""

    demand: ResponseDemand
    parts: tuple[Part, ...]
    period: float
    """Of the samples. [s]"""
    used: int
    """Samples that entered."""
    bridged: int
    """Samples that were missing and bridged by a straight line."""
    response: Response
    resonances: Resonances | None
    dead_time: DeadTime | None
    unit: str
    """Of the response."""


def measure_response(logs: Sequence[Log], demand: ResponseDemand) -> LogResponse:
    """Return the response between two columns.

    Parameters
    ----------
    logs : sequence of Log
        Of one run; several are brought onto the clock of the first by a channel that they share with it.

    Raises
    ------
    ScenarioError
        Where a column is missing, the log is too short, nothing moves or nothing is coherent.
    """
    names = [demand.reference or demand.source, demand.source, demand.output]
    if demand.speed is not None:
        names.append(demand.speed)
    signals = _Signals(logs, names)
    covariances = Covariances()
    gathered, averager = _gather(signals, demand, covariances)
    _check_moves(signals, names)
    period = signals.bridge.period
    if averager is None:
        response = local_response(gathered, period)
        used = len(gathered)
    else:
        if averager.blocks < 2:
            raise ScenarioError(
                [
                    f"{logs[0].label}: no two stretches of {averager.samples} samples "
                    f"({averager.samples * period:.3g} s) without a gap; ask for coarser lines by "
                    "`resolution`, or for a shorter `period`"
                ]
            )
        response = averager.response(period)
        used = averager.used
    response = response.without_means(*signals.mean_over[1:3])
    resonances = find_resonances(response, period)
    units = [column.unit or "?" for column in signals.columns]
    unit = "unit not stated" if "?" in units[1:3] else f"{units[2]} per {units[1]}"
    unit = "1" if units[1] == units[2] != "?" else unit
    dead = covariances.dead_time()
    return LogResponse(
        demand, signals.parts(), period, used, signals.bridge.samples, response, resonances, dead, unit
    )


class _Signals:
    """The columns that are asked for, as even pieces, from one log or from several."""

    def __init__(self, logs: Sequence[Log], names: Sequence[str]) -> None:
        self.bridge = Bridge()
        self._logs = logs
        self._where = [_find(logs, name) for name in names]
        self.columns = [column for _, column in self._where]
        if len(names) > 3:
            log, column = self._where[3]
            self._speed_factor = factor_to(log, column, "rad/s")
        self.lowest = np.full(len(names), np.inf)
        self.highest = np.full(len(names), -np.inf)
        self.mean_over = np.zeros(len(names))
        """Time over which a faster log was averaged. [s]"""
        self._parts: list[Part] = []

    @property
    def label(self) -> str:
        """How messages call the log of the output."""
        return self._where[2][0].label

    def parts(self) -> tuple[Part, ...]:
        """Return what was read."""
        return tuple(self._parts)

    def pieces(self) -> Iterator[tuple[Array, bool]]:
        """Yield rows of the columns, the speed in rad/s, and whether a new stretch begins."""
        blocks = self._one() if len({id(log) for log, _ in self._where}) == 1 else self._several()
        for piece, fresh in pieces(blocks, self.bridge):
            if piece.shape[1] > 3:
                piece[:, 3] *= self._speed_factor
            self.lowest = np.minimum(self.lowest, piece.min(axis=0))
            self.highest = np.maximum(self.highest, piece.max(axis=0))
            yield piece, fresh

    def _one(self) -> Iterator[tuple[Array, Array]]:
        log = self._where[0][0]
        columns = list({column.header: column for column in self.columns}.values())
        inspector = Inspector([column.header for column in columns])
        order = [[c.header for c in columns].index(column.header) for column in self.columns]
        for time, values in sound_blocks(log, columns, inspector):
            yield time, values[:, order]
        self._parts = [Part(log, tuple(columns), inspector.findings())]

    def _several(self) -> Iterator[tuple[Array, Array]]:
        """Yield the whole of several logs on the clock of the first one, in memory."""
        tables: dict[int, tuple[LogTable, Clock | None]] = {}
        for log in self._logs:
            pairs = [shared_column(self._logs[0], other) for other in self._logs[1:]]
            needed = [column for of, column in self._where if of is log]
            needed += [column for pair in pairs if pair for column in pair]
            table, findings = sound_table(log.table([c for c in log.columns if c in needed]))
            clock = None
            if tables:
                clock = _clock(next(iter(tables.values()))[0], table)
            tables[id(log)] = table, clock
            self._parts.append(Part(log, table.columns, findings, clock))
        periods = {id(log): float(np.median(np.diff(tables[id(log)][0].time))) for log, _ in self._where}
        # A straight line between the samples of the slowest log would show what it cannot have seen.
        slowest = max(periods, key=lambda key: periods[key])
        base, base_clock = tables[slowest]
        grid = base.time if base_clock is None else base_clock.moved(base.time)
        found = []
        for i, (log, column) in enumerate(self._where):
            table, clock = tables[id(log)]
            values = table.values[:, table.columns.index(column)]
            there = np.isfinite(values)
            time = table.time[there] if clock is None else clock.moved(table.time[there])
            if periods[id(log)] < 0.7 * periods[slowest]:
                self.mean_over[i] = periods[slowest]
                seen = mean_around(grid, time, values[there], periods[slowest])
            else:
                seen = np.interp(grid, time, values[there], left=np.nan, right=np.nan)
            # Across a gap nothing was measured, whatever a straight line says.
            after = np.clip(np.searchsorted(time, grid), 1, len(time) - 1)
            step = 3.5 * periods[id(log)]
            seen[time[after] - time[after - 1] > step] = np.nan
            found.append(seen)
        yield grid, np.column_stack(found)


def _find(logs: Sequence[Log], name: str) -> tuple[Log, Column]:
    for log in logs:
        if any(name in (column.channel, column.header) for column in log.columns):
            return log, log.column(name)
    return logs[0], logs[0].column(name)  # which says that there is none


def _clock(first: LogTable, second: LogTable) -> Clock:
    """Return the clock of a log against that of the first, by the channel that both show."""
    clock = shared_clock(first, second)
    if clock is None:
        raise ScenarioError(
            [
                f"{second.log.label}: no column shows the same channel as one of {first.log.label}, so their "
                "clocks cannot be compared; name such a pair alike by log.column.channel"
            ]
        )
    return clock


def _gather(
    signals: _Signals, demand: ResponseDemand, covariances: Covariances
) -> tuple[Array, "_Blocks | None"]:
    """Return the record where it is short and whole, else the blocks, with all that was added up."""
    waiting: list[tuple[Array, bool]] = []
    blocks: _Blocks | None = None
    count = 0
    for piece, fresh in signals.pieces():
        if blocks is not None:
            blocks.feed(piece, fresh)
            continue
        waiting.append((piece, fresh))
        count += len(piece)
        stated = demand.period or demand.resolution
        if stated or count > 8 * _BLOCK:
            blocks = _begun(
                waiting, _samples(demand, signals.bridge.period, _BLOCK), signals, demand, covariances
            )
    if count < _LEAST:
        raise ScenarioError([f"{signals.label}: {count} even samples; a response needs at least {_LEAST}"])
    if blocks is None:
        longest = max(_stretches(waiting), key=len)
        if len(longest) > _ENOUGH * count and len(longest) <= _WHOLE:
            record = _prepared(longest, signals, demand)
            covariances.feed(record[:, 1:], True)
            return record, None
        samples = 1 << int(np.log2(max(min(len(longest), count / 2) / _BLOCKS, _LEAST)))
        blocks = _begun(waiting, samples, signals, demand, covariances)
    blocks.close()
    return np.empty((0, 3)), blocks


def _begun(
    waiting: Sequence[tuple[Array, bool]],
    samples: int,
    signals: _Signals,
    demand: ResponseDemand,
    covariances: Covariances,
) -> "_Blocks":
    blocks = _Blocks(samples, signals, demand, covariances)
    for piece, fresh in waiting:
        blocks.feed(piece, fresh)
    return blocks


def _samples(demand: ResponseDemand, period: float, usual: int) -> int:
    """Return the samples of a block."""
    if demand.period is not None:
        samples = round(demand.period / period)
        if abs(samples * period - demand.period) > 0.01 * period or samples < 8:
            raise ScenarioError(
                [
                    f"`period` {demand.period:.9g} s is no whole number of samples of {period:.9g} s, at "
                    "least 8; leave it out: a response needs no period"
                ]
            )
        return samples
    if demand.resolution is not None:
        samples = round(1.0 / (demand.resolution * period))
        if samples < _LEAST:
            raise ScenarioError(
                [
                    f"`resolution` {demand.resolution:.6g} Hz: at most "
                    f"{1.0 / (_LEAST * period):.3g} Hz are possible at this rate"
                ]
            )
        return samples
    return usual


class _Blocks:
    """Feeds stretches of some length at a time to all that adds up."""

    def __init__(
        self, samples: int, signals: _Signals, demand: ResponseDemand, covariances: Covariances
    ) -> None:
        self.samples, self.used = samples, 0
        self._signals, self._demand, self._covariances = signals, demand, covariances
        self._averager = Averager(samples, demand.period is not None)
        self._rest: list[Array] = []
        self._fresh = True

    @property
    def blocks(self) -> int:
        """Blocks that were averaged."""
        return self._averager.blocks

    def response(self, period: float) -> Response:
        """Return the response."""
        return self._averager.response(period)

    def feed(self, piece: Array, fresh: bool) -> None:
        """Take a piece; orders are taken out of several blocks at once."""
        if fresh:
            self.close()
            self._fresh = True
        self._rest.append(piece)
        if sum(map(len, self._rest)) >= 2 * self.samples:
            self.close()

    def close(self) -> None:
        """Pass on what is there."""
        if not self._rest:
            return
        record = _prepared(np.concatenate(self._rest), self._signals, self._demand)
        self._rest = []
        self.used += len(record)
        self._averager.feed(record, self._fresh)
        self._covariances.feed(record[:, 1:], self._fresh)
        self._fresh = False


def _prepared(record: Array, signals: _Signals, demand: ResponseDemand) -> Array:
    """Return reference, input and output of a stretch, orders taken out and signs given back."""
    plain = record[:, :3]
    if demand.orders:
        plain = without_orders(plain, record[:, 3], signals.bridge.period, demand.orders)
    if signals.columns[2].stated.size_only:
        if len(plain) > MOST:
            raise ScenarioError(
                [
                    f"{signals.label}: {signals.columns[2].header} shows the size only, and {len(plain)} "
                    f"samples are too many to give it back its sign: cut the log to {MOST}"
                ]
            )
        plain = np.column_stack((plain[:, :2], signed(plain[:, 1], plain[:, 2])))
    return plain


def _stretches(waiting: Sequence[tuple[Array, bool]]) -> list[Array]:
    """Return the stretches of some pieces."""
    found: list[list[Array]] = []
    for piece, fresh in waiting:
        if fresh or not found:
            found.append([])
        found[-1].append(piece)
    return [np.concatenate(parts) for parts in found]


def _check_moves(signals: _Signals, names: Sequence[str]) -> None:
    for name, low, high in zip(names, signals.lowest, signals.highest, strict=True):
        if low == high:
            raise ScenarioError(
                [f"{signals.label}: {name} stays at {low:.6g}: without motion there is no response"]
            )
