"""The sampled tasks: each reads slots, runs its block from `shaftloop.control`, and writes slots.

Column 0 of the integers is the kind. *Emit* is the slot a result goes to: the tail of a delay line, or
the receiver itself where there is no latency.

==========  ====================================================================  =========================
kind        integers from column 1                                                floats from column 0
==========  ====================================================================  =========================
DELIVER     1 line, 2 depth, 3 values side by side, 4 receiver
SAMPLE      1 index in z, 2 emit, 3 follower of the hysteresis                    gain, zero, cubic, rated,
                                                                                  range, quantum, reach and
                                                                                  share of the hysteresis
AVERAGE     1 mean since the last sample, 2 emit, 3 follower, 4 means before,     as SAMPLE
            5 their number
ENCODER     1 angle, 2 emit                                                       edge [rad], rate [Hz]
EDGES       1 angle, 2 emit, 3 turn, angle left over, instant of the last edge,   edge [rad], rate [Hz],
            speed reported and way of that edge, 4 speed                          error and phase of the
                                                                                  graduation, clock [Hz]
POWER       1 energy, 2 emit, 3 energy before and lagged power                    rate [Hz], share of the
                                                                                  lag, gain, zero, range,
                                                                                  quantum
HOP         1 source, 2 emit
LOOP        1 reading, 2 profile, 3 set-point, 4 integral, 5 emit, 6 first        kp, ki, period, clamp,
            filter, 7 filters, 8 filter memory, 9 anti-windup, 10 rate-limited,   feedforward, set-point
            11 error, 12 output, 13 injected value, added to the output, 14       step, sign, share of
            set-point filter, 15 derivative of reading (1) or error (2),          the output passed on
            16 torque of the damping, 17 disturbance, 18 sent; -1 for none;
            19 watch of the clamp
LIMITER     1 speed, 2 request, 3 integral and activity of the upper limit, 4     kp, ki, period, clamp,
            of the lower one, 5 emit, 6 integral and 7 sent of the limited loop   limit, sign, kp and ki of
                                                                                  the limited loop
PM_CONTROL  1 speed, 2 id, 3 iq, 4 command, 5 Id, 6 Iq, 7 emit vd, vq             a, R, Ld, Lq, psi, period,
            8 mtpa, 9 advance, 10 watches of current and voltage                  limit V, limit A,
                                                                                  weaken V, pole pairs
SERVO       1 speed, 2 command, 3 emit, 4 watches of torque, power and speed      torque, power, speed
WRAP        1 angle                                                               a turn [rad]
PATH_MODEL  1 entry, 2 sent, 3 line, 4 depth, 5 two filters, 6 their memory,
            7 result, 8 what is added to it, -1 for nothing
DAMPING     1 left speed, 2 right speed, 3 filter, 4 its memory, 5 result         sign
OWN         1 address, 2 command of a machine, -1 for none, 3 number of slots     numbers of the equation
            read, 4 of slots written, then these; see `engine.own`
==========  ====================================================================  =========================
"""

import math

from shaftloop.control.current_control import current_tick, turn
from shaftloop.control.reading import count_edges, digitise, graduation, hysteresis, time_edges
from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.loops import filtered, limit_speed, note_limit, run_loop
from shaftloop.engine.own import ROOM, call_at, room
from shaftloop.engine.steppers import copy_slots
from shaftloop.engine.types import Floats, Ints
from shaftloop.engine.views import flat, for_lanes, lane_of, one_by_one, width
from shaftloop_models.pm_machine import current_reference, unweakened_currents
from shaftloop_models.servo_machine import envelope_torque

__all__ = ["run_task"]

_FULL = 1.0 - 1e-9
"""Share of the square of a limit from which on it counts as reached."""


@routine
def run_task(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int, alike: bool) -> None:
    """Run one task that is due at a tick, in all lanes; `alike` says that all have the same set-points."""
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.DELIVER:
        line, depth, wide, receiver = it[a + 1], it[a + 2], it[a + 3], it[a + 4]
        copy_slots(s, line, s, receiver, wide)
        copy_slots(s, line + wide, s, line, (depth - 1) * wide)
    elif kind == at.SAMPLE:
        if _any_above(ft, f + 7, 0.0):
            for_lanes(_sample_lagging, (it, ft, s, w, z, a, f))
        else:
            for_lanes(_sample, (it, ft, s, w, z, a, f))
    elif kind == at.ENCODER:
        for_lanes(_encoder, (it, ft, s, w, z, a, f))
    elif kind == at.HOP:
        copy_slots(s, it[a + 1], s, it[a + 2], 1)
    elif kind == at.LOOP:
        run_loop(it, ft, s, w, a, f, tick, alike)
    elif kind == at.LIMITER:
        for_lanes(limit_speed, (it, ft, s, a, f))
    elif kind == at.PM_CONTROL:
        _pm_control(it, ft, s, w, a, f, tick)
    elif kind == at.SERVO:
        for_lanes(_servo, (it, ft, s, a, f, tick))
    else:
        one_by_one(_run_rare, (it, ft, s, w, z, task, tick))


@routine
def _run_rare(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int) -> None:
    """Run a task of a kind that few benches have, in one lane."""
    p, u, v = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane)
    a, f = it[at.TASK_INT] + task * at.TASK_WIDTH, it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.AVERAGE:
        _average(it, p, u, v, z, a, f)
    elif kind == at.EDGES:
        _edges(it, p, u, v, z, a, f, tick)
    elif kind == at.WRAP:
        angle = it[a + 1]
        u[angle] -= p[f] * math.floor(u[angle] / p[f])
        v[z + it[at.R] + angle] = u[angle]
    elif kind == at.PATH_MODEL:
        _path_model(it, p, u, a)
    elif kind == at.DAMPING:
        difference = u[it[a + 1]] - u[it[a + 2]]
        u[it[a + 5]] = p[f] * filtered(p, u, difference, it[at.FILTER] + 5 * it[a + 3], it[a + 4])
    elif kind == at.OWN:
        _own(it, p, u, a, f, tick)
    else:
        _power(it, p, u, a, f)


@helper
def _own(it: Ints, p: Floats, u: Floats, a: int, f: int, tick: int) -> None:
    """Run the equation of a part: it reads the command, as a trip leaves it, and slots; writes slots."""
    x, reads = room(), a + 5
    if it[a + 2] >= 0:
        x[0] = _allowed(it, u, tick, u[it[a + 2]])
    for i in range(it[a + 3]):
        x[1 + i] = u[it[reads + i]]
    for i in range(ROOM):
        x[ROOM + i] = p[f + i]
    writes = reads + it[a + 3]
    for i in range(it[a + 4]):
        x[2 * ROOM + i] = u[it[writes + i]]
    call_at(it[a + 1], x)
    for i in range(it[a + 4]):
        u[it[writes + i]] = x[2 * ROOM + i]


@helper
def _any_above(values: Floats, slot: int, bound: float) -> bool:
    """Return whether a value is above a bound in any lane."""
    above, v = False, flat(values)
    for i in range(slot * width(values), (slot + 1) * width(values)):
        above |= v[i] > bound
    return above


@helper
def _digitise(p: Floats, f: int, value: float) -> float:
    return digitise(value, p[f], p[f + 1], p[f + 2], p[f + 3], p[f + 4], p[f + 5])


@helper
def _sample(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int) -> None:
    lane_of(s, lane)[it[a + 2]] = _digitise(lane_of(ft, lane), f, lane_of(w, lane)[z + it[a + 1]])


@helper
def _sample_lagging(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int) -> None:
    p, u = lane_of(ft, lane), lane_of(s, lane)
    u[it[a + 2]] = _digitise(p, f, _lagging(it, p, u, a, f, lane_of(w, lane)[z + it[a + 1]]))


@helper
def _lagging(it: Ints, p: Floats, u: Floats, a: int, f: int, value: float) -> float:
    """Return a value with its hysteresis, where there is one."""
    if p[f + 7] > 0.0:
        value, u[it[a + 3]] = hysteresis(value, u[it[a + 3]], p[f + 6], p[f + 7])
    return value


@helper
def _average(it: Ints, p: Floats, u: Floats, v: Floats, z: int, a: int, f: int) -> None:
    mean, before, count = u[it[a + 1]], it[a + 4], it[a + 5]
    u[it[a + 1]] = 0.0
    v[z + it[at.R] + it[a + 1]] = 0.0
    total = mean
    for i in range(before, before + count):
        total += u[i]
        u[i] = u[i + 1] if i + 1 < before + count else mean
    u[it[a + 2]] = _digitise(p, f, _lagging(it, p, u, a, f, total / (count + 1)))


@helper
def _encoder(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int) -> None:
    p, u, angle = lane_of(ft, lane), lane_of(s, lane), it[a + 1]
    u[it[a + 2]], rest = count_edges(u[angle], p[f], p[f + 1])
    u[angle] = rest
    lane_of(w, lane)[z + it[at.R] + angle] = rest


@helper
def _edges(it: Ints, p: Floats, u: Floats, v: Floats, z: int, a: int, f: int, tick: int) -> None:
    angle, m = it[a + 1], it[a + 3]
    shown, u[m], gain = graduation(u[angle], u[m + 1], u[m], p[f + 2], p[f + 3])
    if p[f + 4] > 0.0:
        now, speed = tick / it[at.TICKS_PER_SECOND], gain * u[it[a + 4]]
        period, known = min(1.0 / p[f + 1], now), (u[m + 2], u[m + 4], u[m + 3])
        u[m + 3], rest, u[m + 2], u[m + 4] = time_edges(
            u[m + 1], shown, p[f], speed, now, period, known, p[f + 4]
        )
    else:
        u[m + 3], rest = count_edges(shown, p[f], p[f + 1])
    u[it[a + 2]] = u[m + 3]
    u[m + 1] = rest
    u[angle] = rest
    v[z + it[at.R] + angle] = rest


@helper
def _power(it: Ints, p: Floats, u: Floats, a: int, f: int) -> None:
    energy, m = u[it[a + 1]], it[a + 3]
    u[m + 1] += p[f + 1] * ((energy - u[m]) * p[f] - u[m + 1])
    u[m] = energy
    u[it[a + 2]] = digitise(u[m + 1], p[f + 2], p[f + 3], 0.0, 1.0, p[f + 4], p[f + 5])


@helper
def _allowed(it: Ints, u: Floats, tick: int, command: float) -> float:
    """Return what a trip leaves of a torque command [N m]."""
    slot = it[at.TRIP_SLOT]
    elapsed = tick - u[slot]
    if u[slot] < 0.0 or elapsed < 0.0:
        return command
    return 0.0 if elapsed >= u[slot + 1] else command * (1.0 - elapsed / u[slot + 1])


@helper
def _servo(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int, tick: int) -> None:
    p, u = lane_of(ft, lane), lane_of(s, lane)
    command, speed, m = _allowed(it, u, tick, u[it[a + 2]]), u[it[a + 1]], it[a + 4]
    torque = envelope_torque(command, speed, p[f], p[f + 1], p[f + 2])
    u[it[a + 3]] = torque
    power, cut = abs(torque * speed), torque != command
    fast = cut and abs(speed) >= p[f + 2]
    weak = cut and not fast and abs(torque) < p[f]
    note_limit(u, m, abs(torque), cut and not fast and not weak, tick)
    note_limit(u, m + 4, power, weak, tick)
    note_limit(u, m + 8, abs(speed), fast, tick)


@helper
def _path_model(it: Ints, p: Floats, u: Floats, a: int) -> None:
    """Run two sections, the second on the command sent some ticks ago, and write their difference."""
    sent, line, last = u[it[a + 2]], it[a + 3], it[a + 3] + it[a + 4] - 1
    late = sent
    if last >= line:
        late = u[line]
        for i in range(line, last):
            u[i] = u[i + 1]
        u[last] = sent
    b, memory = it[at.FILTER] + 5 * it[a + 5], it[a + 6]
    value = filtered(p, u, u[it[a + 1]], b, memory) - filtered(p, u, late, b + 5, memory + 2)
    if it[a + 8] >= 0:
        value += u[it[a + 8]]
    u[it[a + 7]] = value


@helper
def _pm_control(it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int) -> None:
    if it[a + 8] == 1:
        for_lanes(_currents, (it, ft, s, w, a, f, tick, True))
    else:
        for_lanes(_currents, (it, ft, s, w, a, f, tick, False))
    if _any_above(w, it[at.LOCALS] + 3, 0.0):
        one_by_one(_weaken, (it, ft, s, w, a, f))
    for_lanes(_voltages, (it, ft, s, w, a, f, tick))
    if it[a + 9] == 0:
        one_by_one(_turn, (it, ft, s, a, f))


@helper
def _currents(
    lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int, mtpa: bool
) -> None:
    """Write the wanted currents, the torque that asks for them, and whether they need weakening."""
    p, u, v, wanted = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    torque = _allowed(it, u, tick, u[it[a + 4]])
    d, q, fits = unweakened_currents(
        torque, u[it[a + 1]], p[f + 9], p[f + 4], p[f + 2], p[f + 3], p[f + 7], p[f + 8], mtpa
    )
    v[wanted] = d
    v[wanted + 1] = q
    v[wanted + 2] = torque
    v[wanted + 3] = 0.0 if fits else 1.0


@routine
def _weaken(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int) -> None:
    """Replace the wanted currents of a lane whose voltage does not suffice."""
    p, u, v = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane)
    wanted, speed, mtpa = it[at.LOCALS], u[it[a + 1]], it[a + 8] == 1
    if v[wanted + 3] > 0.0:
        v[wanted], v[wanted + 1] = current_reference(
            v[wanted + 2], speed, p[f + 9], p[f + 4], p[f + 2], p[f + 3], p[f + 7], p[f + 8], mtpa
        )


@helper
def _voltages(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int) -> None:
    p, u, v, wanted = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    memory_d, memory_q, emit = it[a + 5], it[a + 6], it[a + 7]
    vd, vq, integral_d, integral_q = current_tick(
        v[wanted],
        v[wanted + 1],
        u[it[a + 2]],
        u[it[a + 3]],
        p[f + 9] * u[it[a + 1]],
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
    # Squares: a root in every lane would cost more than the rest of the look-out.
    wished = v[wanted] * v[wanted] + v[wanted + 1] * v[wanted + 1]
    flowing = u[it[a + 2]] * u[it[a + 2]] + u[it[a + 3]] * u[it[a + 3]]
    size, m = vd * vd + vq * vq, it[a + 10]
    note_limit(u, m, flowing, wished >= _FULL * p[f + 7] * p[f + 7], tick)
    note_limit(u, m + 4, size, size >= _FULL * p[f + 6] * p[f + 6], tick)


@routine
def _turn(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Turn the voltages of a lane; sine and cosine are calls, which no vector code comes of."""
    p, u = lane_of(ft, lane), lane_of(s, lane)
    emit, angle = it[a + 7], 1.5 * p[f + 9] * u[it[a + 1]] * p[f + 5]
    u[emit], u[emit + 1] = turn(u[emit], u[emit + 1], angle)
