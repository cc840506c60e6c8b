"""How well sines and recorded traces are followed: error and lag of what is true against the set-point.

Judged from the start of the sine or trace until its set-point is moved otherwise, or a trip; of a sine only
whole periods, and not the first where there are three, for it holds the way in. The lag is the shift of the
set-point, not negative, that leaves the least mean square of the difference: a parabola through the three
shifts by whole records around it.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import LoopHandle
from shaftloop.engine.compiled.setpoints import SINE, TRACE

__all__ = ["Tracking", "tracking"]

Array = NDArray[np.float64]

_FEWEST = 16
"""Records of a stretch that is judged."""
_MOST_LAG = 0.25
"""Longest lag looked for, of the stretch."""


class Tracking(NamedTuple):
    """The worst of a loop over the sines and traces of a run; nothing is as far away as 0."""

    rms: tuple[float, float]
    """Root of the mean square of set-point minus true quantity, and the start of its stretch [s]."""
    largest: tuple[float, float]
    """Set-point minus true quantity where it is largest, and when [s]."""
    lag: tuple[float, float]
    """How late the true quantity is [s], and the start of its stretch [s]."""


def tracking(simulation: Simulation, loop: LoopHandle, true: Array) -> Tracking | None:
    """Return how a loop follows sines and traces, nothing where there are none.

    Parameters
    ----------
    true : ndarray, shape (records,)
        What it controls, until a trip. [N m] or [rad/s]
    """
    setpoint = simulation.traces[f"{loop.parameters.name}_setpoint"][: len(true)]
    rms, largest, lag = (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)
    found = False
    for part, most in _stretches(simulation, loop, len(true)):
        error, start = setpoint[part] - true[part], float(simulation.time[part.start])
        where = int(np.argmax(np.abs(error)))
        late = _lag(setpoint[part], true[part], most) * float(simulation.bench.record_period)
        rms = max(rms, (float(np.sqrt(np.mean(error**2))), start))
        largest = max(largest, (float(error[where]), float(simulation.time[part.start + where])), key=_size)
        lag, found = max(lag, (late, start)), True
    return Tracking(rms, largest, lag) if found else None


def _size(pair: tuple[float, float]) -> float:
    return abs(pair[0])


def _stretches(simulation: Simulation, loop: LoopHandle, end: int) -> Iterator[tuple[slice, int]]:
    """Yield the records of every sine and trace, with the longest lag that can be told [records]."""
    run, rate = simulation.run, float(1 / simulation.bench.record_period)
    segments, per_second = run.segments(loop.profile), run.clock.ticks_per_second
    starts = [segment.start / per_second for segment in segments]
    for segment, start, until in zip(segments, starts, [*starts[1:], np.inf], strict=True):
        first = int(np.ceil(start * rate - 1e-9))
        if segment.kind == SINE:
            period = rate / segment.values[2]
            whole = int((min(np.ceil(until * rate - 1e-9), end) - first) / period)
            skipped = round(period) if whole >= 3 else 0
            last, most = first + round(whole * period), int(0.5 * period)
            first += skipped
        elif segment.kind == TRACE:
            times = simulation.bench.model.traces[segment.counts[0]][0]
            last = int(min(np.ceil(min(start + times[-1], until) * rate - 1e-9), end))
            most = int(_MOST_LAG * (last - first))
        else:
            continue
        if last - first >= _FEWEST:
            yield slice(first, last), most


def _lag(setpoint: Array, true: Array, most: int) -> float:
    """Return by how many records the true quantity is late."""
    count = len(true)
    size = 1 << (2 * count - 1).bit_length()
    together = np.fft.irfft(np.fft.rfft(true, size) * np.conj(np.fft.rfft(setpoint, size)), size)
    shifts = np.arange(min(most, count // 2) + 1)
    # Sums of squares of what overlaps at each shift.
    squares = [np.concatenate([[0.0], np.cumsum(values**2)]) for values in (true, setpoint)]
    overlap = squares[0][count] - squares[0][shifts] + squares[1][count - shifts]
    left = (overlap - 2.0 * together[shifts]) / (count - shifts)
    best = int(np.argmin(left))
    if not 0 < best < shifts[-1]:
        return float(best)
    before, at, after = left[best - 1 : best + 2]
    bend = before - 2.0 * at + after
    return best + (0.5 * float((before - after) / bend) if bend > 0.0 else 0.0)
