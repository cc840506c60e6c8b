"""The clock of one log against that of another, from a quantity that both show.

The offset is found by correlation, then, window by window, by least squares on a shift of the one signal
against the other; a line through the windows gives offset and drift with their uncertainty.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.scenario.logs.reading import Column, Log, LogTable

__all__ = ["Clock", "compare_clocks", "shared_clock", "shared_column"]

Array = NDArray[np.float64]

_WINDOWS = 20
_LEAST = 50
"""Samples of a window."""
_ROUNDS = 12
_ALIKE = 0.5
"""Least correlation of two signals that show the same."""


@dataclass(frozen=True)
class Clock:
    """Time of the first log = time of the second + offset + drift·(time of the second − middle)."""

    offset: float
    """At the middle. [s]"""
    offset_spread: float
    """Standard deviation. [s]"""
    drift: float
    """[1]"""
    drift_spread: float
    """Standard deviation. [1]"""
    middle: float
    """Of the second log, on its own clock. [s]"""

    def moved(self, time: Array) -> Array:
        """Return times of the second log on the clock of the first [s].

        Parameters
        ----------
        time : ndarray
            [s]
        """
        return time + self.offset + self.drift * (time - self.middle)


def shared_column(first: Log, second: Log) -> tuple[Column, Column] | None:
    """Return the columns of a channel that both logs show, the first of the second log; nothing without.

    Parameters
    ----------
    first, second : Log
        Of one run.
    """
    known = {column.channel: column for column in first.columns}
    return next(((known[c.channel], c) for c in second.columns if c.channel in known), None)


def shared_clock(first: LogTable, second: LogTable) -> Clock | None:
    """Return the clock of a log against that of a first, by a channel of both; nothing where they share none.

    Raises
    ------
    ScenarioError
        Where that channel does not show the same in both.
    """
    shared = shared_column(first.log, second.log)
    if shared is None:
        return None
    one, two = (
        table.values[:, table.columns.index(column)]
        for table, column in zip((first, second), shared, strict=True)
    )
    here, there = np.isfinite(one), np.isfinite(two)
    return compare_clocks(first.time[here], one[here], second.time[there], two[there], shared[1].channel)


def compare_clocks(time: Array, signal: Array, other_time: Array, other: Array, what: str) -> Clock:
    """Return the clock of a second log against that of a first.

    Parameters
    ----------
    time, signal : ndarray, shape (samples,)
        Of the first log, without NaN; any even or uneven times [s].
    other_time, other : ndarray, shape (others,)
        Of the second log.
    what : str
        Quantity that both show, for messages.

    Raises
    ------
    ScenarioError
        Where they do not show the same.
    """
    period = max(float(np.median(np.diff(time))), float(np.median(np.diff(other_time))))
    start = _coarse(time, signal, other_time, other, period, what)
    first = max(other_time[0], time[0] - start)
    last = min(other_time[-1], time[-1] - start)
    count = int(min(_WINDOWS, max((last - first) / (_LEAST * period), 1)))
    edges = np.linspace(first, last, count + 1)
    found = [
        shift
        for low, high in pairwise(edges.tolist())
        if (shift := _shift(time, signal, other_time, other, (low, high), start)) is not None
    ]
    if not found:
        raise ScenarioError([f"the logs show no common motion of {what}: their clocks cannot be compared"])
    middles, shifts, variances = np.array(found).T
    # A floor keeps one still window from outweighing all others.
    weight = 1.0 / np.maximum(variances, 0.01 * float(np.median(variances)) + 1e-24)
    middle = float(np.sum(weight * middles) / np.sum(weight))
    terms = np.column_stack((np.ones(len(shifts)), middles - middle))
    terms = terms[:, : 2 if len(shifts) > 2 else 1]
    scaled = terms * np.sqrt(weight)[:, None]
    solution = np.linalg.lstsq(scaled, shifts * np.sqrt(weight), rcond=None)[0]
    left = (shifts - terms @ solution) * np.sqrt(weight)
    freedom = len(shifts) - terms.shape[1]
    scatter = max(float(left @ left) / freedom, 1.0) if freedom else 1.0
    spread = np.sqrt(np.diag(np.linalg.inv(scaled.T @ scaled)) * scatter)
    drift, drift_spread = (solution[1], spread[1]) if len(solution) > 1 else (0.0, 0.0)
    return Clock(float(solution[0]), float(spread[0]), float(drift), float(drift_spread), middle)


def _coarse(time: Array, signal: Array, other_time: Array, other: Array, period: float, what: str) -> float:
    """Return the offset by correlation, to about a sample [s]."""
    from scipy.signal import correlate

    grid = np.arange(time[0], time[-1], period)
    other_grid = np.arange(other_time[0], other_time[-1], period)
    one = np.diff(np.interp(grid, time, signal))
    two = np.diff(np.interp(other_grid, other_time, other))
    one, two = one - one.mean(), two - two.mean()
    size = float(np.linalg.norm(one) * np.linalg.norm(two))
    # Differences tell where, levels tell whether.
    matched = correlate(one, two, method="fft")
    lag = int(np.argmax(matched)) - (len(two) - 1)
    offset = grid[0] - other_grid[0] + lag * period
    seen = np.interp(other_time + offset, time, signal)
    inside = (other_time + offset >= time[0]) & (other_time + offset <= time[-1])
    if size == 0.0 or inside.sum() < _LEAST or np.std(other[inside]) == 0.0 or np.std(seen[inside]) == 0.0:
        raise ScenarioError([f"the logs show no common motion of {what}: their clocks cannot be compared"])
    alike = float(np.corrcoef(seen[inside], other[inside])[0, 1])
    if alike < _ALIKE:
        raise ScenarioError(
            [
                f"{what} of the two logs agrees only to a correlation of {alike:.2g}: state the sign of "
                "a column, or name another quantity that both show"
            ]
        )
    return float(offset)


def _shift(
    time: Array, signal: Array, other_time: Array, other: Array, window: tuple[float, float], start: float
) -> tuple[float, float, float] | None:
    """Return middle, shift [s] and variance [s²] of a window; nothing where the signals rest there."""
    chosen = (other_time >= window[0]) & (other_time < window[1])
    if chosen.sum() < 10:
        return None
    here, seen, shift = other_time[chosen], other[chosen], start
    width = max(float(np.median(np.diff(time))), float(np.median(np.diff(other_time))))
    for _ in range(_ROUNDS):
        at = np.interp(here + shift, time, signal)
        slope = (
            np.interp(here + shift + width, time, signal) - np.interp(here + shift - width, time, signal)
        ) / (2.0 * width)
        terms = np.column_stack((slope, at, np.ones(len(here))))
        # seen = gain·(at + slope·step) + level
        solution, _, rank, _ = np.linalg.lstsq(terms, seen, rcond=1e-10)
        if rank < 3 or solution[1] <= 0.0:
            return None
        step = float(np.clip(solution[0] / solution[1], -2.0 * width, 2.0 * width))
        shift += step
        if abs(step) < 1e-6 * width:
            break
    left = seen - terms @ solution
    noise = float(left @ left) / max(len(here) - 3, 1)
    # Noise of neighbouring samples may belong together: its correlation widens the spread.
    total = float(left @ left)
    together = 1.0 + 2.0 * sum(
        max(float(left[k:] @ left[:-k]) / total, 0.0) if total else 0.0 for k in range(1, min(20, len(left)))
    )
    variance = noise * together * float(np.linalg.inv(terms.T @ terms)[0, 0]) / solution[1] ** 2
    return float(np.mean(here)), shift, variance
