"""Set-point profiles: rows of segments, evaluated at a tick.

A segment holds from its start tick until the next one starts. Integers of a row: start, kind, and by kind

========  ==============================  =====================================
kind      integers 2..4                   floats 0..3
========  ==============================  =====================================
HOLD                                      value
RAMP      duration [tick]                 value at the start, at the end
PERIODIC  period, rise, fall [tick]       low, high
SINE                                      mean, amplitude, frequency [Hz]
TRACE     number of the trace
========  ==============================  =====================================
"""

import math

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, kernel, routine
from shaftloop.kernels.views import for_lanes, lane_of, numbers_alone, one_by_one, words

__all__ = ["HOLD", "PERIODIC", "RAMP", "SINE", "TRACE", "profile_value", "write_setpoints"]

HOLD, RAMP, PERIODIC, SINE, TRACE = 0, 1, 2, 3, 4


@routine
def _setpoint(it: Ints, ft: Floats, profile: int, tick: int) -> float:
    """Return the set-point of a profile at a tick [N m] or [rad/s]."""
    first = profile * it[at.SEGMENT_ROOM]
    row = first + it[it[at.SEGMENT_COUNT] + profile] - 1
    i = it[at.SEGMENT_INT] + row * at.SEGMENT_INTS
    while row > first and it[i] > tick:
        row -= 1
        i -= at.SEGMENT_INTS
    f = it[at.SEGMENT_FLOAT] + row * at.SEGMENT_FLOATS
    elapsed, kind, low, high = tick - it[i], it[i + 1], ft[f], ft[f + 1]
    if kind == HOLD:
        return low
    if kind == RAMP:
        return high if elapsed >= it[i + 2] else low + (high - low) * (elapsed / it[i + 2])
    if kind == PERIODIC:
        phase = elapsed % it[i + 2]
        return high if it[i + 3] <= phase < it[i + 4] else low
    time = elapsed / it[at.TICKS_PER_SECOND]
    if kind == SINE:
        return low + high * math.sin(2.0 * math.pi * ft[f + 2] * time)
    return _trace(it, ft, it[i + 2], time)


@helper
def _trace(it: Ints, ft: Floats, trace: int, time: float) -> float:
    """Return the value of a recorded trace at a time, by straight lines; ends are held."""
    t, v = it[at.TRACE_TIME], it[at.TRACE_VALUE]
    low, high = it[it[at.TRACE_FIRST] + trace], it[it[at.TRACE_FIRST] + trace + 1] - 1
    if time <= ft[t + low]:
        return ft[v + low]
    if time >= ft[t + high]:
        return ft[v + high]
    while high - low > 1:
        middle = (low + high) // 2
        if ft[t + middle] <= time:
            low = middle
        else:
            high = middle
    share = (time - ft[t + low]) / (ft[t + high] - ft[t + low])
    return ft[v + low] + share * (ft[v + high] - ft[v + low])


@helper
def write_setpoints(
    it: Ints, ft: Floats, w: Floats, profile: int, tick: int, place: int, alike: bool
) -> None:
    """Write the set-points of all lanes to a slot of w; calculated once where all have the same."""
    if alike:
        for_lanes(_write, (w, place, _setpoint(it, lane_of(ft, 0), profile, tick)))
    else:
        one_by_one(_write_own, (it, ft, w, profile, tick, place))


@helper
def _write(lane: int, w: Floats, place: int, value: float) -> None:
    lane_of(w, lane)[place] = value


@routine
def _write_own(lane: int, it: Ints, ft: Floats, w: Floats, profile: int, tick: int, place: int) -> None:
    lane_of(w, lane)[place] = _setpoint(it, lane_of(ft, lane), profile, tick)


@kernel
def profile_value(it: Ints, ft: Floats, profile: int, tick: int) -> float:
    """Return the set-point of a profile at a tick, for callers outside the kernels [N m] or [rad/s]."""
    return _setpoint(words(it), lane_of(numbers_alone(ft), 0), profile, tick)
