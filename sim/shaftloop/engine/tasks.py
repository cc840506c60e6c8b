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
            16 torque of the damping, 17 disturbance, 18 sent; -1 for none
LIMITER     1 speed, 2 request, 3 integral and activity of the upper limit, 4     kp, ki, period, clamp,
            of the lower one, 5 emit, 6 integral and 7 sent of the limited loop   limit, sign, kp and ki of
                                                                                  the limited loop
PM_CONTROL  1 speed, 2 id, 3 iq, 4 command, 5 Id, 6 Iq, 7 emit vd, vq             a, R, Ld, Lq, psi, period,
            8 mtpa, 9 advance                                                     limit V, limit A,
                                                                                  weaken V, pole pairs
SERVO       1 speed, 2 command, 3 emit                                            torque, power, speed
WRAP        1 angle                                                               a turn [rad]
PATH_MODEL  1 entry, 2 sent, 3 line, 4 depth, 5 two filters, 6 their memory,
            7 result, 8 what is added to it, -1 for nothing
DAMPING     1 left speed, 2 right speed, 3 filter, 4 its memory, 5 result         sign
==========  ====================================================================  =========================
"""

import math

from shaftloop.control.current_control import current_tick, turn
from shaftloop.control.filters import biquad
from shaftloop.control.pi import pi_update, upper_limit
from shaftloop.control.reading import count_edges, digitise, graduation, hysteresis, time_edges
from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.setpoints import setpoint
from shaftloop.engine.types import Floats, Ints
from shaftloop_models.pm_machine import current_reference
from shaftloop_models.servo_machine import envelope_torque

__all__ = ["allowed", "limit_speed", "run_task"]


@helper
def run_task(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int) -> None:
    """Run one task that is due at a tick."""
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.DELIVER:
        line, depth, wide, receiver = it[a + 1], it[a + 2], it[a + 3], it[a + 4]
        for i in range(wide):
            s[receiver + i] = s[line + i]
        for i in range(line, line + (depth - 1) * wide):
            s[i] = s[i + wide]
    elif kind == at.SAMPLE:
        _sample(it, ft, s, a, f, w[z + it[a + 1]])
    elif kind == at.ENCODER:
        speed, rest = count_edges(s[it[a + 1]], ft[f], ft[f + 1])
        s[it[a + 2]] = speed
        s[it[a + 1]] = rest
        w[z + it[at.R] + it[a + 1]] = rest
    elif kind == at.HOP:
        s[it[a + 2]] = s[it[a + 1]]
    elif kind == at.LOOP:
        _loop(it, ft, s, a, f, tick)
    elif kind == at.LIMITER:
        limit_speed(it, ft, s, a, f)
    elif kind == at.PM_CONTROL:
        _pm_control(it, ft, s, a, f, tick)
    elif kind == at.SERVO:
        command = allowed(it, s, tick, s[it[a + 2]])
        s[it[a + 3]] = envelope_torque(command, s[it[a + 1]], ft[f], ft[f + 1], ft[f + 2])
    else:
        _run_rare(it, ft, s, w, z, a, f, tick)


@routine
def _run_rare(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int, tick: int) -> None:
    """Run a task of a kind that few benches have, compiled once and not inlined."""
    kind = it[a]
    if kind == at.AVERAGE:
        _average(it, ft, s, w, z, a, f)
    elif kind == at.EDGES:
        _edges(it, ft, s, w, z, a, f, tick)
    elif kind == at.WRAP:
        angle = it[a + 1]
        s[angle] -= ft[f] * math.floor(s[angle] / ft[f])
        w[z + it[at.R] + angle] = s[angle]
    elif kind == at.PATH_MODEL:
        _path_model(it, ft, s, a)
    elif kind == at.DAMPING:
        difference = s[it[a + 1]] - s[it[a + 2]]
        s[it[a + 5]] = ft[f] * _filtered(ft, s, difference, it[at.FILTER] + 5 * it[a + 3], it[a + 4])
    else:
        _power(it, ft, s, a, f)


@helper
def _sample(it: Ints, ft: Floats, s: Floats, a: int, f: int, value: float) -> None:
    if ft[f + 7] > 0.0:
        value, s[it[a + 3]] = hysteresis(value, s[it[a + 3]], ft[f + 6], ft[f + 7])
    s[it[a + 2]] = digitise(value, ft[f], ft[f + 1], ft[f + 2], ft[f + 3], ft[f + 4], ft[f + 5])


@helper
def _average(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int) -> None:
    mean, before, count = s[it[a + 1]], it[a + 4], it[a + 5]
    s[it[a + 1]] = 0.0
    w[z + it[at.R] + it[a + 1]] = 0.0
    total = mean
    for i in range(before, before + count):
        total += s[i]
        s[i] = s[i + 1] if i + 1 < before + count else mean
    _sample(it, ft, s, a, f, total / (count + 1))


@helper
def _edges(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int, tick: int) -> None:
    angle, m = it[a + 1], it[a + 3]
    shown, s[m], gain = graduation(s[angle], s[m + 1], s[m], ft[f + 2], ft[f + 3])
    if ft[f + 4] > 0.0:
        now, speed = tick / it[at.TICKS_PER_SECOND], gain * s[it[a + 4]]
        period, known = min(1.0 / ft[f + 1], now), (s[m + 2], s[m + 4], s[m + 3])
        s[m + 3], rest, s[m + 2], s[m + 4] = time_edges(
            s[m + 1], shown, ft[f], speed, now, period, known, ft[f + 4]
        )
    else:
        s[m + 3], rest = count_edges(shown, ft[f], ft[f + 1])
    s[it[a + 2]] = s[m + 3]
    s[m + 1] = rest
    s[angle] = rest
    w[z + it[at.R] + angle] = rest


@helper
def _power(it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    energy, m = s[it[a + 1]], it[a + 3]
    s[m + 1] += ft[f + 1] * ((energy - s[m]) * ft[f] - s[m + 1])
    s[m] = energy
    s[it[a + 2]] = digitise(s[m + 1], ft[f + 2], ft[f + 3], 0.0, 1.0, ft[f + 4], ft[f + 5])


@helper
def allowed(it: Ints, s: Floats, tick: int, command: float) -> float:
    """Return what a trip leaves of a torque command [N m]."""
    slot = it[at.TRIP_SLOT]
    elapsed = tick - s[slot]
    if s[slot] < 0.0 or elapsed < 0.0:
        return command
    return 0.0 if elapsed >= s[slot + 1] else command * (1.0 - elapsed / s[slot + 1])


@helper
def _filtered(ft: Floats, s: Floats, x: float, b: int, memory: int) -> float:
    """Run one tick of a section."""
    y, s[memory], s[memory + 1] = biquad(
        x, s[memory], s[memory + 1], ft[b], ft[b + 1], ft[b + 2], ft[b + 3], ft[b + 4]
    )
    return y


@helper
def _path_model(it: Ints, ft: Floats, s: Floats, a: int) -> None:
    """Run two sections, the second on the command sent some ticks ago, and write their difference."""
    sent, line, last = s[it[a + 2]], it[a + 3], it[a + 3] + it[a + 4] - 1
    late = sent
    if last >= line:
        late = s[line]
        for i in range(line, last):
            s[i] = s[i + 1]
        s[last] = sent
    b, memory = it[at.FILTER] + 5 * it[a + 5], it[a + 6]
    value = _filtered(ft, s, s[it[a + 1]], b, memory) - _filtered(ft, s, late, b + 5, memory + 2)
    if it[a + 8] >= 0:
        value += s[it[a + 8]]
    s[it[a + 7]] = value


@helper
def _loop(it: Ints, ft: Floats, s: Floats, a: int, f: int, tick: int) -> None:
    reading, memory = s[it[a + 1]], it[a + 8]
    b = it[at.FILTER] + 5 * it[a + 6]
    for _ in range(it[a + 7]):
        reading = _filtered(ft, s, reading, b, memory)
        memory, b = memory + 2, b + 5
    target = setpoint(it, ft, it[a + 2], tick)
    if it[a + 10] == 1:
        before, step = s[it[a + 3]], ft[f + 5]
        target = min(max(target, before - step), before + step)
    s[it[a + 3]] = target
    s[it[a + 11]] = target - reading
    if it[a + 14] == 1:
        target = _filtered(ft, s, target, b, memory)
        memory, b = memory + 2, b + 5
    error = target - reading
    direct = ft[f + 4] * target
    if it[a + 15] > 0:
        direct += _filtered(ft, s, error if it[a + 15] == 2 else -reading, b, memory)
    if it[a + 16] >= 0:
        direct += s[it[a + 16]]
    if it[a + 17] >= 0:
        direct -= s[it[a + 17]]
    output, integral = pi_update(
        error, s[it[a + 4]], ft[f], ft[f + 1], ft[f + 2], direct, ft[f + 3], it[a + 9]
    )
    s[it[a + 4]] = integral
    s[it[a + 12]] = output
    if it[a + 18] >= 0:
        s[it[a + 18]] = output
    s[it[a + 5]] = ft[f + 6] * (ft[f + 7] * output + s[it[a + 13]])


@helper
def limit_speed(it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Run a limiter."""
    kp, ki, period, clamp, limit = ft[f], ft[f + 1], ft[f + 2], ft[f + 3], ft[f + 4]
    speed, request, high, low = s[it[a + 1]], s[it[a + 2]], it[a + 3], it[a + 4]
    upper, s[high], active = upper_limit(
        request, limit - speed, s[high], s[high + 1] > 0.0, kp, ki, period, clamp
    )
    s[high + 1] = 1.0 if active else 0.0
    lower, s[low], active = upper_limit(
        -request, limit + speed, s[low], s[low + 1] > 0.0, kp, ki, period, clamp
    )
    s[low + 1] = 1.0 if active else 0.0
    lowest, highest = min(max(-lower, -clamp), clamp), min(max(upper, -clamp), clamp)
    used = min(max(request, lowest), highest)
    if used != request and ft[f + 6] > 0.0:
        s[it[a + 6]] += period * (ft[f + 7] / ft[f + 6]) * ft[f + 5] * (used - request)
    if it[a + 7] >= 0 and used != request:
        s[it[a + 7]] = ft[f + 5] * used
    s[it[a + 5]] = used


@helper
def _pm_control(it: Ints, ft: Floats, s: Floats, a: int, f: int, tick: int) -> None:
    speed, current_d, current_q = s[it[a + 1]], s[it[a + 2]], s[it[a + 3]]
    command = allowed(it, s, tick, s[it[a + 4]])
    ld, lq, psi, period, p = ft[f + 2], ft[f + 3], ft[f + 4], ft[f + 5], ft[f + 9]
    mtpa = it[a + 8] == 1
    target_d, target_q = current_reference(command, speed, p, psi, ld, lq, ft[f + 7], ft[f + 8], mtpa)
    vd, vq, integral_d, integral_q = current_tick(
        target_d,
        target_q,
        current_d,
        current_q,
        p * speed,
        s[it[a + 5]],
        s[it[a + 6]],
        ft[f],
        ft[f + 1],
        ld,
        lq,
        psi,
        period,
        ft[f + 6],
    )
    s[it[a + 5]] = integral_d
    s[it[a + 6]] = integral_q
    if it[a + 9] == 0:
        vd, vq = turn(vd, vq, 1.5 * p * speed * period)
    s[it[a + 7]] = vd
    s[it[a + 7] + 1] = vq
