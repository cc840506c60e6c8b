"""Loops and limiters in all lanes; the meaning of their rows stands in `engine.tasks`."""

from shaftloop.control.filters import biquad
from shaftloop.control.pi import pi_update, upper_limit
from shaftloop.engine import at
from shaftloop.engine.cache import helper
from shaftloop.engine.setpoints import write_setpoints
from shaftloop.engine.steppers import copy_slots
from shaftloop.engine.types import Floats, Ints
from shaftloop.engine.views import for_lanes, lane_of

__all__ = ["filtered", "limit_speed", "note_limit", "run_loop"]


@helper
def filtered(p: Floats, u: Floats, x: float, b: int, memory: int) -> float:
    """Run one tick of a section."""
    y, u[memory], u[memory + 1] = biquad(
        x, u[memory], u[memory + 1], p[b], p[b + 1], p[b + 2], p[b + 3], p[b + 4]
    )
    return y


@helper
def note_limit(u: Floats, m: int, size: float, at_it: bool, tick: int) -> None:
    """Look after a limit: ticks at it, first and last of them, largest size."""
    u[m] += 1.0 if at_it else 0.0
    u[m + 1] = tick if at_it and u[m + 1] < 0.0 else u[m + 1]
    u[m + 2] = tick if at_it else u[m + 2]
    u[m + 3] = max(u[m + 3], size)


@helper
def run_loop(it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int, alike: bool) -> None:
    """Run a loop in stages over all lanes: which of them it has is the same in all."""
    reading = it[at.LOCALS]
    target, direct = reading + 1, reading + 2
    b, memory = it[at.FILTER] + 5 * it[a + 6], it[a + 8]
    copy_slots(s, it[a + 1], w, reading, 1)
    for _ in range(it[a + 7]):
        for_lanes(_filter, (ft, s, w, reading, memory, b))
        memory, b = memory + 2, b + 5
    write_setpoints(it, ft, w, it[a + 2], tick, target, alike)
    if it[a + 10] == 1:
        for_lanes(_limit_rate, (it, ft, s, w, a, f))
    for_lanes(_note, (it, s, w, a))
    if it[a + 14] == 1:
        for_lanes(_filter, (ft, s, w, target, memory, b))
        memory, b = memory + 2, b + 5
    for_lanes(_feedforward, (it, ft, w, f))
    if it[a + 15] > 0:
        for_lanes(_derivative, (ft, s, w, (reading, target, direct), memory, b, it[a + 15] == 2))
    if it[a + 16] >= 0:
        for_lanes(_add, (s, w, direct, it[a + 16], 1.0))
    if it[a + 17] >= 0:
        for_lanes(_add, (s, w, direct, it[a + 17], -1.0))
    for_lanes(_control, (it, ft, s, w, a, f, it[a + 9], tick))
    if it[a + 18] >= 0:
        copy_slots(s, it[a + 12], s, it[a + 18], 1)


@helper
def _filter(lane: int, ft: Floats, s: Floats, w: Floats, place: int, memory: int, b: int) -> None:
    v = lane_of(w, lane)
    v[place] = filtered(lane_of(ft, lane), lane_of(s, lane), v[place], b, memory)


@helper
def _limit_rate(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int) -> None:
    v, target = lane_of(w, lane), it[at.LOCALS] + 1
    before, step = lane_of(s, lane)[it[a + 3]], lane_of(ft, lane)[f + 5]
    v[target] = min(max(v[target], before - step), before + step)


@helper
def _note(lane: int, it: Ints, s: Floats, w: Floats, a: int) -> None:
    """Keep set-point and error for the recorder and for the next tick."""
    u, v, reading = lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    u[it[a + 3]] = v[reading + 1]
    u[it[a + 11]] = v[reading + 1] - v[reading]


@helper
def _feedforward(lane: int, it: Ints, ft: Floats, w: Floats, f: int) -> None:
    v, reading = lane_of(w, lane), it[at.LOCALS]
    v[reading + 2] = lane_of(ft, lane)[f + 4] * v[reading + 1]


@helper
def _derivative(
    lane: int, ft: Floats, s: Floats, w: Floats, places: tuple[int, int, int], m: int, b: int, of_error: bool
) -> None:
    v, (reading, target, direct) = lane_of(w, lane), places
    source = v[target] - v[reading] if of_error else -v[reading]
    v[direct] += filtered(lane_of(ft, lane), lane_of(s, lane), source, b, m)


@helper
def _add(lane: int, s: Floats, w: Floats, place: int, slot: int, sign: float) -> None:
    lane_of(w, lane)[place] += sign * lane_of(s, lane)[slot]


@helper
def _control(
    lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, method: int, tick: int
) -> None:
    p, u, v, reading = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    error, direct = v[reading + 1] - v[reading], v[reading + 2]
    output, integral = pi_update(error, u[it[a + 4]], p[f], p[f + 1], p[f + 2], direct, p[f + 3], method)
    u[it[a + 4]] = integral
    u[it[a + 12]] = output
    note_limit(u, it[a + 19], abs(output), abs(output) >= p[f + 3], tick)
    u[it[a + 5]] = p[f + 6] * (p[f + 7] * output + u[it[a + 13]])


@helper
def limit_speed(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Run a limiter."""
    p, u = lane_of(ft, lane), lane_of(s, lane)
    kp, ki, period, clamp, limit = p[f], p[f + 1], p[f + 2], p[f + 3], p[f + 4]
    speed, request, high, low = u[it[a + 1]], u[it[a + 2]], it[a + 3], it[a + 4]
    upper, u[high], active = upper_limit(
        request, limit - speed, u[high], u[high + 1] > 0.0, kp, ki, period, clamp
    )
    u[high + 1] = 1.0 if active else 0.0
    lower, u[low], active = upper_limit(
        -request, limit + speed, u[low], u[low + 1] > 0.0, kp, ki, period, clamp
    )
    u[low + 1] = 1.0 if active else 0.0
    lowest, highest = min(max(-lower, -clamp), clamp), min(max(upper, -clamp), clamp)
    used = min(max(request, lowest), highest)
    if used != request and p[f + 6] > 0.0:
        u[it[a + 6]] += period * (p[f + 7] / p[f + 6]) * p[f + 5] * (used - request)
    if it[a + 7] >= 0 and used != request:
        u[it[a + 7]] = p[f + 5] * used
    u[it[a + 5]] = used
