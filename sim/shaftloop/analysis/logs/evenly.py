"""A log as stretches of even samples, a piece at a time: what is not there splits it.

One or two samples that are missing in a row are bridged by a straight line; more end the stretch.
"""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bridge", "mean_around", "pieces"]

Array = NDArray[np.float64]

_BRIDGED = 2
"""Most missing samples in a row that are bridged."""


class Bridge:
    """Counts what was bridged."""

    samples = 0
    period = 0.0
    """Of the samples, from the first block. [s]"""


def mean_around(at: Array, time: Array, values: Array, over: float) -> Array:
    """Return the mean over a time around instants; NaN where it is not known.

    Parameters
    ----------
    at, time : ndarray, shape (instants,) and (samples,)
        [s]
    values : ndarray, shape (samples,)
        Finite.
    over : float
        [s]
    """
    area = np.concatenate(([0.0], np.cumsum(np.diff(time) * 0.5 * (values[1:] + values[:-1]))))
    ahead = np.interp(at + 0.5 * over, time, area, right=np.nan)
    return np.asarray((ahead - np.interp(at - 0.5 * over, time, area, left=np.nan)) / over)


def pieces(blocks: Iterable[tuple[Array, Array]], bridge: Bridge) -> Iterator[tuple[Array, bool]]:
    """Yield rows that follow each other evenly, and whether they begin a new stretch.

    Parameters
    ----------
    blocks : iterable of tuple of ndarray
        Times [s] and values, shape (rows, columns), NaN where there is none; times rise.

    Yields
    ------
    tuple of ndarray and bool
        Values, shape (rows, columns), and whether a new stretch begins.
    """
    time, values = np.empty(0), np.empty((0, 0))
    fresh = True
    for new_time, new_values in blocks:
        if not bridge.period and len(new_time) > 1:
            bridge.period = float(np.median(np.diff(new_time)))
        there = np.isfinite(new_values).all(axis=1)
        time = np.concatenate((time, new_time[there]))
        values = np.concatenate((values.reshape(-1, new_values.shape[1]), new_values[there]))
        if len(time) < 2:
            continue
        distance = np.maximum(np.round(np.diff(time) / bridge.period), 1.0)
        place = np.concatenate(([0.0], np.cumsum(distance)))
        runs = np.split(np.arange(len(time)), np.flatnonzero(distance > _BRIDGED + 1) + 1)
        for run in runs:
            # The last row waits for the next block: what lies between, that one says.
            end = place[run[-1]] + (1 if run is not runs[-1] else 0)
            grid = np.arange(place[run[0]], end)
            if len(grid):
                yield np.column_stack([np.interp(grid, place[run], c[run]) for c in values.T]), fresh
                bridge.samples += len(grid) - int(np.sum(place[run] < end))
            fresh = run is not runs[-1] or (fresh and not len(grid))
        time, values = time[-1:], values[-1:]
    if len(time):
        yield values, fresh
