"""The sampled tasks in all lanes; rows and meaning as in `engine.tasks`.

Any kind of task runs: without more, the task of the single run is called once per lane, which gives the right
bits slowly. The kinds that benches spend their time in have a form of their own here, in which what is
done per lane is free of loops and calls, so that it becomes vector code.
"""

from shaftloop.control.current_control import current_tick, turn
from shaftloop.control.filters import biquad
from shaftloop.control.pi import pi_update
from shaftloop.control.reading import count_edges, digitise
from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.lanesteps import copy_slots
from shaftloop.engine.laneviews import LANES, for_lanes, lane_of
from shaftloop.engine.setpoints import setpoint
from shaftloop.engine.tasks import allowed, limit_speed, run_task
from shaftloop.engine.types import Floats, Ints
from shaftloop_models.pm_machine import current_reference, unweakened_currents
from shaftloop_models.servo_machine import envelope_torque

__all__ = ["run_task_lanes", "set_points"]


@routine
def run_task_lanes(
    it: Ints, floats: tuple[Floats, Floats], s: Floats, w: Floats, z: int, task: int, tick: int, local: int
) -> None:
    """Run one task that is due at a tick, in all lanes.

    Parameters
    ----------
    it, s, w : ndarray
        As in `lanekernel.advance_lanes`.
    floats : tuple of ndarray
        Floats of all lanes; those of the first bench where set-points are equal in all lanes, else none.
    z : int
        Place of z in w.
    task, tick : int
        Number of the task, instant.
    local : int
        Four slots in w to calculate in.
    """
    fl = floats[0]
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.DELIVER:
        line, depth, wide, receiver = it[a + 1], it[a + 2], it[a + 3], it[a + 4]
        copy_slots(s, line, s, receiver, wide)
        copy_slots(s, line + wide, s, line, (depth - 1) * wide)
    elif kind == at.HOP:
        copy_slots(s, it[a + 1], s, it[a + 2], 1)
    elif kind == at.SAMPLE and not _any_above(fl, f + 7, 0.0):
        for_lanes(_sample, (fl, s, w, f, z + it[a + 1], it[a + 2]))
    elif kind == at.ENCODER:
        for_lanes(_encoder, (fl, s, w, f, it[a + 1], z + it[at.R] + it[a + 1], it[a + 2]))
    elif kind == at.LOOP and _plain(it, a):
        _loop(it, floats, s, w, a, f, tick, local)
    elif kind == at.LIMITER:
        for_lanes(_limiter, (it, fl, s, a, f))
    elif kind == at.PM_CONTROL:
        _pm_control(it, fl, s, w, a, f, tick, local)
    elif kind == at.SERVO:
        for_lanes(_servo, (it, fl, s, f, tick, it[a + 1], it[a + 2], it[a + 3]))
    else:
        _other(it, fl, s, w, z, task, tick)


@routine
def _other(it: Ints, fl: Floats, s: Floats, w: Floats, z: int, task: int, tick: int) -> None:
    for lane in range(LANES):
        _one(it, lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane), z, task, tick)


@routine
def _one(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int) -> None:
    run_task(it, ft, s, w, z, task, tick)


@helper
def _any_above(values: Floats, slot: int, bound: float) -> bool:
    """Return whether a value is above a bound in any lane."""
    above = False
    for i in range(slot * LANES, (slot + 1) * LANES):
        above |= values[i] > bound
    return above


@helper
def set_points(
    it: Ints, floats: tuple[Floats, Floats], w: Floats, profile: int, tick: int, place: int
) -> None:
    """Write the set-points of all lanes to a slot of w; calculated once where they are equal in all."""
    fl, ft = floats
    if len(ft) > 0:
        value = setpoint(it, ft, profile, tick)
        for lane in range(LANES):
            w[place * LANES + lane] = value
    else:
        for lane in range(LANES):
            w[place * LANES + lane] = setpoint(it, lane_of(fl, lane), profile, tick)


@helper
def _sample(lane: int, fl: Floats, s: Floats, w: Floats, f: int, seen: int, emit: int) -> None:
    p, value = lane_of(fl, lane), lane_of(w, lane)[seen]
    lane_of(s, lane)[emit] = digitise(value, p[f], p[f + 1], p[f + 2], p[f + 3], p[f + 4], p[f + 5])


@helper
def _encoder(lane: int, fl: Floats, s: Floats, w: Floats, f: int, angle: int, seen: int, emit: int) -> None:
    p, u = lane_of(fl, lane), lane_of(s, lane)
    u[emit], rest = count_edges(u[angle], p[f], p[f + 1])
    u[angle] = rest
    lane_of(w, lane)[seen] = rest


@helper
def _limiter(lane: int, it: Ints, fl: Floats, s: Floats, a: int, f: int) -> None:
    limit_speed(it, lane_of(fl, lane), lane_of(s, lane), a, f)


@helper
def _servo(
    lane: int, it: Ints, fl: Floats, s: Floats, f: int, tick: int, speed: int, command: int, emit: int
) -> None:
    p, u = lane_of(fl, lane), lane_of(s, lane)
    torque = allowed(it, u, tick, u[command])
    u[emit] = envelope_torque(torque, u[speed], p[f], p[f + 1], p[f + 2])


@helper
def _plain(it: Ints, a: int) -> bool:
    """Return whether a loop has nothing beyond filters, set-point, controller and rate limit."""
    plain = it[a + 14] <= 0 and it[a + 15] <= 0
    for i in range(a + 16, a + 19):
        plain &= it[i] < 0
    for i in range(a + 19, a + at.TASK_WIDTH):
        plain &= it[i] == 0
    return plain


@helper
def _loop(
    it: Ints, floats: tuple[Floats, Floats], s: Floats, w: Floats, a: int, f: int, tick: int, local: int
) -> None:
    fl, reading, target = floats[0], local, local + 1
    b, memory = it[at.FILTER] + 5 * it[a + 6], it[a + 8]
    copy_slots(s, it[a + 1], w, reading, 1)
    for _ in range(it[a + 7]):
        for_lanes(_filter, (fl, s, w, reading, memory, b))
        memory, b = memory + 2, b + 5
    set_points(it, floats, w, it[a + 2], tick, target)
    if it[a + 10] == 1:
        for_lanes(_limit_rate, (fl, s, w, target, it[a + 3], f + 5))
    slots = (it[a + 3], it[a + 4], it[a + 5], it[a + 11], it[a + 12], it[a + 13])
    for_lanes(_control, (fl, s, w, (reading, target), f, slots, it[a + 9]))


@helper
def _filter(lane: int, fl: Floats, s: Floats, w: Floats, place: int, m: int, b: int) -> None:
    p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
    v[place], u[m], u[m + 1] = biquad(v[place], u[m], u[m + 1], p[b], p[b + 1], p[b + 2], p[b + 3], p[b + 4])


@helper
def _limit_rate(lane: int, fl: Floats, s: Floats, w: Floats, target: int, before: int, step: int) -> None:
    p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
    v[target] = min(max(v[target], u[before] - p[step]), u[before] + p[step])


@helper
def _control(
    lane: int,
    fl: Floats,
    s: Floats,
    w: Floats,
    given: tuple[int, int],
    f: int,
    slots: tuple[int, int, int, int, int, int],
    method: int,
) -> None:
    p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
    reading, target = v[given[0]], v[given[1]]
    set_point, memory, emit, error_slot, output_slot, injected = slots
    error = target - reading
    u[set_point] = target
    u[error_slot] = error
    output, integral = pi_update(
        error, u[memory], p[f], p[f + 1], p[f + 2], p[f + 4] * target, p[f + 3], method
    )
    u[memory] = integral
    u[output_slot] = output
    u[emit] = p[f + 6] * (p[f + 7] * output + u[injected])


@helper
def _pm_control(it: Ints, fl: Floats, s: Floats, w: Floats, a: int, f: int, tick: int, local: int) -> None:
    speed, command = it[a + 1], it[a + 4]
    if it[a + 8] == 1:
        for_lanes(_currents, (it, fl, s, w, f, (tick, speed, command, local), True))
    else:
        for_lanes(_currents, (it, fl, s, w, f, (tick, speed, command, local), False))
    if _any_above(w, local + 3, 0.0):
        _weaken(it, fl, s, w, f, (tick, speed, command, local), it[a + 8] == 1)
    for_lanes(_voltages, (fl, s, w, f, (speed, it[a + 2], it[a + 3], it[a + 5], it[a + 6], it[a + 7], local)))
    if it[a + 9] == 0:
        _turn(fl, s, f, speed, it[a + 7])


_Four = tuple[int, int, int, int]


@helper
def _currents(
    lane: int, it: Ints, fl: Floats, s: Floats, w: Floats, f: int, where: _Four, mtpa: bool
) -> None:
    """Write the wanted currents, the torque that asks for them, and whether they need weakening."""
    tick, speed, command, local = where
    p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
    torque = allowed(it, u, tick, u[command])
    d, q, fits = unweakened_currents(
        torque, u[speed], p[f + 9], p[f + 4], p[f + 2], p[f + 3], p[f + 7], p[f + 8], mtpa
    )
    v[local] = d
    v[local + 1] = q
    v[local + 2] = torque
    v[local + 3] = 0.0 if fits else 1.0


@routine
def _weaken(it: Ints, fl: Floats, s: Floats, w: Floats, f: int, where: _Four, mtpa: bool) -> None:
    """Replace the wanted currents in the lanes whose voltage does not suffice."""
    _, speed, _, local = where
    for lane in range(LANES):
        p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
        if v[local + 3] > 0.0:
            v[local], v[local + 1] = current_reference(
                v[local + 2], u[speed], p[f + 9], p[f + 4], p[f + 2], p[f + 3], p[f + 7], p[f + 8], mtpa
            )


@helper
def _voltages(
    lane: int, fl: Floats, s: Floats, w: Floats, f: int, slots: tuple[int, int, int, int, int, int, int]
) -> None:
    speed, d, q, memory_d, memory_q, emit, wanted = slots
    p, u, v = lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane)
    vd, vq, integral_d, integral_q = current_tick(
        v[wanted],
        v[wanted + 1],
        u[d],
        u[q],
        p[f + 9] * u[speed],
        u[memory_d],
        u[memory_q],
        p[f],
        p[f + 1],
        p[f + 2],
        p[f + 3],
        p[f + 4],
        p[f + 5],
        p[f + 6],
    )
    u[memory_d] = integral_d
    u[memory_q] = integral_q
    u[emit] = vd
    u[emit + 1] = vq


@routine
def _turn(fl: Floats, s: Floats, f: int, speed: int, emit: int) -> None:
    """Turn the voltages; sine and cosine are calls, which no vector code comes of."""
    for lane in range(LANES):
        p, u = lane_of(fl, lane), lane_of(s, lane)
        u[emit], u[emit + 1] = turn(u[emit], u[emit + 1], 1.5 * p[f + 9] * u[speed] * p[f + 5])
