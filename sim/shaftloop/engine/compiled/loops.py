"""Loops and limiters in all lanes; their rows stand in `engine.rows`."""

from shaftloop.control.filters import biquad
from shaftloop.control.pi import pi_update, upper_limit
from shaftloop.engine import at
from shaftloop.engine.compiled.setpoints import write_setpoints
from shaftloop.engine.compiled.steppers import copy_slots
from shaftloop.engine.rows import LIMITER, LIMITER_NUMBERS, LOOP, LOOP_NUMBERS
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import for_lanes, lane_of

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


@routine
def run_loop(it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int, alike: bool) -> None:
    """Run a loop in stages over all lanes: which of them it has is the same in all."""
    reading = it[at.LOCALS]
    target, direct = reading + 1, reading + 2
    b, memory = it[at.FILTER] + 5 * it[a + LOOP.filter], it[a + LOOP.memory]
    copy_slots(s, it[a + LOOP.reading], w, reading, 1)
    for _ in range(it[a + LOOP.filters]):
        for_lanes(_filter, (ft, s, w, reading, memory, b))
        memory, b = memory + 2, b + 5
    write_setpoints(it, ft, w, it[a + LOOP.profile], tick, target, alike)
    outer = it[a + LOOP.outer]
    if outer >= 0:
        for_lanes(_add, (s, w, target, outer, 1.0))
    if it[a + LOOP.rate_limited] == 1:
        for_lanes(_limit_rate, (it, ft, s, w, a, f))
    for_lanes(_note, (it, s, w, a))
    if it[a + LOOP.setpoint_filtered] == 1:
        for_lanes(_filter, (ft, s, w, target, memory, b))
        memory, b = memory + 2, b + 5
    for_lanes(_feedforward, (it, ft, w, f))
    derivative, damping, disturbance = it[a + LOOP.derivative], it[a + LOOP.damping], it[a + LOOP.disturbance]
    if derivative > 0:
        for_lanes(_derivative, (ft, s, w, (reading, target, direct), memory, b, derivative == 2))
    if damping >= 0:
        for_lanes(_add, (s, w, direct, damping, 1.0))
    if disturbance >= 0:
        for_lanes(_add, (s, w, direct, disturbance, -1.0))
    for_lanes(_control, (it, ft, s, w, a, f, it[a + LOOP.anti_windup], tick))
    if it[a + LOOP.sent] >= 0:
        copy_slots(s, it[a + LOOP.output], s, it[a + LOOP.sent], 1)


@helper
def _filter(lane: int, ft: Floats, s: Floats, w: Floats, place: int, memory: int, b: int) -> None:
    v = lane_of(w, lane)
    v[place] = filtered(lane_of(ft, lane), lane_of(s, lane), v[place], b, memory)


@helper
def _limit_rate(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int) -> None:
    v, target = lane_of(w, lane), it[at.LOCALS] + 1
    before, step = lane_of(s, lane)[it[a + LOOP.setpoint]], lane_of(ft, lane)[f + LOOP_NUMBERS.step]
    v[target] = min(max(v[target], before - step), before + step)


@helper
def _note(lane: int, it: Ints, s: Floats, w: Floats, a: int) -> None:
    """Keep set-point and error for the recorder and for the next tick."""
    u, v, reading = lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    u[it[a + LOOP.setpoint]] = v[reading + 1]
    u[it[a + LOOP.error]] = v[reading + 1] - v[reading]


@helper
def _feedforward(lane: int, it: Ints, ft: Floats, w: Floats, f: int) -> None:
    v, reading = lane_of(w, lane), it[at.LOCALS]
    v[reading + 2] = lane_of(ft, lane)[f + LOOP_NUMBERS.feedforward] * v[reading + 1]


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
    n, clamp, kept = LOOP_NUMBERS, p[f + LOOP_NUMBERS.clamp], it[a + LOOP.integral]
    error, direct = v[reading + 1] - v[reading], v[reading + 2]
    output, integral = pi_update(
        error, u[kept], p[f + n.kp], p[f + n.ki], p[f + n.period], direct, clamp, method
    )
    u[kept] = integral
    u[it[a + LOOP.output]] = output
    # After a trip the integral runs into the clamp, and nobody listens.
    held = abs(output) >= clamp and u[it[at.TRIP_SLOT]] < 0.0
    note_limit(u, it[a + LOOP.watch], abs(output), held, tick)
    u[it[a + LOOP.emit]] = p[f + n.sign] * (p[f + n.share] * output + u[it[a + LOOP.injected]])


@helper
def limit_speed(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Run a limiter."""
    p, u = lane_of(ft, lane), lane_of(s, lane)
    n = LIMITER_NUMBERS
    kp, ki, period, clamp = p[f + n.kp], p[f + n.ki], p[f + n.period], p[f + n.clamp]
    limit, sign, loop_kp = p[f + n.limit], p[f + n.sign], p[f + n.loop_kp]
    speed, request = u[it[a + LIMITER.speed]], u[it[a + LIMITER.request]]
    high, low, sent = it[a + LIMITER.upper], it[a + LIMITER.lower], it[a + LIMITER.sent]
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
    if used != request and loop_kp > 0.0:
        u[it[a + LIMITER.integral]] += period * (p[f + n.loop_ki] / loop_kp) * sign * (used - request)
    if sent >= 0 and used != request:
        u[sent] = sign * used
    u[it[a + LIMITER.emit]] = used
