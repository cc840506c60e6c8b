"""The sampled tasks: each reads slots, runs its block from `shaftloop.control`, and writes slots.

Their rows in the tables stand in `engine.rows`.
"""

import math

from shaftloop.control.current_control import current_tick, turn
from shaftloop.control.reading import count_edges, digitise, graduation, hysteresis, time_edges
from shaftloop.engine import at
from shaftloop.engine.compiled.frames import receive, send
from shaftloop.engine.compiled.linktasks import compare, follow, note_voltage, powered
from shaftloop.engine.compiled.loops import filtered, limit_speed, note_limit, run_loop
from shaftloop.engine.compiled.setpoints import write_setpoints
from shaftloop.engine.compiled.steppers import copy_slots, shift_slots
from shaftloop.engine.rows import (
    AVERAGE,
    DELIVER,
    EDGES,
    EDGES_NUMBERS,
    FOLLOW,
    HOP,
    OWN,
    PATH,
    PM,
    PM_NUMBERS,
    SAMPLE,
    SAMPLE_NUMBERS,
    SERVO,
    SERVO_NUMBERS,
    WRAP,
    WRAP_NUMBERS,
)
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.own import ROOM, call_at, room
from shaftloop.kernels.views import flat, for_lanes, lane_of, one_by_one, width
from shaftloop_models.pm_machine import current_reference, unweakened_currents
from shaftloop_models.servo_machine import envelope_torque

__all__ = ["run_task"]

_FULL = 1.0 - 1e-9
"""Share of the square of a limit from which on it counts as reached."""


@helper
def run_task(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int, alike: bool) -> None:
    """Run one task that is due at a tick, in all lanes; `alike` says that all have the same set-points."""
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.DELIVER:
        line, wide = it[a + DELIVER.line], it[a + DELIVER.wide]
        copy_slots(s, line, s, it[a + DELIVER.receiver], wide)
        shift_slots(s, line, wide, (it[a + DELIVER.depth] - 1) * wide)
    elif kind == at.SAMPLE:
        _sample_all(it, ft, s, w, z, a, f, tick)
    elif kind == at.HOP:
        copy_slots(s, it[a + HOP.source], s, it[a + HOP.emit], 1)
    elif kind == at.LOOP:
        run_loop(it, ft, s, w, a, f, tick, alike)
    elif kind == at.PM_CONTROL:
        _pm_control(it, ft, s, w, a, f, tick)
    else:
        _run_other(it, ft, s, w, z, task, tick, alike)


@routine
def _run_other(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int, alike: bool) -> None:
    """Run a task of another kind: those of `run_task` are called most, and loops over lanes stand apart."""
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.ENCODER:
        for_lanes(_encoder, (it, ft, s, w, z, a, f))
    elif kind == at.LIMITER:
        for_lanes(limit_speed, (it, ft, s, a, f))
    elif kind == at.SERVO:
        for_lanes(_servo, (it, ft, s, a, f, tick))
    elif kind == at.FOLLOW:
        write_setpoints(it, ft, w, it[a + FOLLOW.profile], tick, it[at.LOCALS], alike)
        for_lanes(follow, (it, ft, s, w, a, f))
    elif kind == at.COMPARE:
        for_lanes(compare, (it, ft, s, a, f))
    else:
        one_by_one(_run_rare, (it, ft, s, w, z, task, tick))


@routine
def _run_rare(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, task: int, tick: int) -> None:
    """Run a task of a kind that few benches have, in one lane."""
    p, u, v = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane)
    a, f = it[at.TASK_INT] + task * at.TASK_WIDTH, it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.AVERAGE:
        _average(it, p, u, v, z, a, f, tick)
    elif kind == at.EDGES:
        _edges(it, p, u, v, z, a, f, tick)
    elif kind == at.WRAP:
        angle, turn = it[a + WRAP.angle], p[f + WRAP_NUMBERS.turn]
        u[angle] -= turn * math.floor(u[angle] / turn)
        v[z + it[at.R] + angle] = u[angle]
    elif kind == at.PATH_MODEL:
        _path_model(it, p, u, a)
    elif kind == at.OWN:
        _own(it, p, u, a, f, tick)
    elif kind == at.SEND:
        send(it, p, u, a, f, tick)
    elif kind == at.RECEIVE:
        receive(it, u, a, tick)


@helper
def _own(it: Ints, p: Floats, u: Floats, a: int, f: int, tick: int) -> None:
    """Run the equation of a part: it reads the command, as a trip leaves it, and slots; writes slots.

    Behind what goes to slots it writes, for every limit that is watched, its size and 1 where that is at it.
    """
    command, count, results = it[a + OWN.command], it[a + OWN.reads], it[a + OWN.writes]
    x, reads = room(), a + 1 + len(OWN)
    if command >= 0:
        x[0] = _allowed(it, u, tick, u[command])
    for i in range(count):
        x[1 + i] = u[it[reads + i]]
    for i in range(ROOM):
        x[ROOM + i] = p[f + i]
    writes = reads + count
    for i in range(results):
        x[2 * ROOM + i] = u[it[writes + i]]
    call_at(it[a + OWN.address], x)
    for i in range(results):
        u[it[writes + i]] = x[2 * ROOM + i]
    for i in range(it[a + OWN.watches]):
        found = 2 * ROOM + results + 2 * i
        note_limit(u, it[a + OWN.watch] + 4 * i, x[found], x[found + 1] > 0.0, tick)


@helper
def _any_above(values: Floats, slot: int, bound: float) -> bool:
    """Return whether a value is above a bound in any lane."""
    above, v = False, flat(values)
    for i in range(slot * width(values), (slot + 1) * width(values)):
        above |= v[i] > bound
    return above


@routine
def _sample_all(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int, tick: int) -> None:
    if _any_above(ft, f + SAMPLE_NUMBERS.share, 0.0):
        for_lanes(_sample_lagging, (it, ft, s, w, z, a, f, tick))
    else:
        for_lanes(_sample, (it, ft, s, w, z, a, f, tick))


@helper
def _digitise(it: Ints, p: Floats, f: int, value: float, tick: int) -> float:
    n = SAMPLE_NUMBERS
    zero = p[f + n.zero] + p[f + n.drift] * ((tick - p[f + n.since]) / it[at.TICKS_PER_SECOND])
    return digitise(
        value, p[f + n.gain], zero, p[f + n.cubic], p[f + n.rated], p[f + n.range], p[f + n.quantum]
    )


@helper
def _sample(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int, tick: int) -> None:
    lane_of(s, lane)[it[a + SAMPLE.emit]] = _digitise(
        it, lane_of(ft, lane), f, lane_of(w, lane)[z + it[a + SAMPLE.seen]], tick
    )


@helper
def _sample_lagging(
    lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int, tick: int
) -> None:
    p, u = lane_of(ft, lane), lane_of(s, lane)
    seen = _lagging(p, u, it[a + SAMPLE.follower], f, lane_of(w, lane)[z + it[a + SAMPLE.seen]])
    u[it[a + SAMPLE.emit]] = _digitise(it, p, f, seen, tick)


@helper
def _lagging(p: Floats, u: Floats, follower: int, f: int, value: float) -> float:
    """Return a value with its hysteresis, where there is one."""
    reach, share = p[f + SAMPLE_NUMBERS.reach], p[f + SAMPLE_NUMBERS.share]
    if share > 0.0:
        value, u[follower] = hysteresis(value, u[follower], reach, share)
    return value


@helper
def _average(it: Ints, p: Floats, u: Floats, v: Floats, z: int, a: int, f: int, tick: int) -> None:
    place, before, count = it[a + AVERAGE.mean], it[a + AVERAGE.before], it[a + AVERAGE.means]
    mean = u[place]
    u[place] = 0.0
    v[z + it[at.R] + place] = 0.0
    total = mean
    for i in range(before, before + count):
        total += u[i]
        u[i] = u[i + 1] if i + 1 < before + count else mean
    seen = _lagging(p, u, it[a + AVERAGE.follower], f, total / (count + 1))
    u[it[a + AVERAGE.emit]] = _digitise(it, p, f, seen, tick)


@helper
def _encoder(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, z: int, a: int, f: int) -> None:
    p, u, angle = lane_of(ft, lane), lane_of(s, lane), it[a + EDGES.angle]
    u[it[a + EDGES.emit]], rest = count_edges(u[angle], p[f + EDGES_NUMBERS.edge], p[f + EDGES_NUMBERS.rate])
    u[angle] = rest
    lane_of(w, lane)[z + it[at.R] + angle] = rest


@helper
def _edges(it: Ints, p: Floats, u: Floats, v: Floats, z: int, a: int, f: int, tick: int) -> None:
    angle, m, n = it[a + EDGES.angle], it[a + EDGES.memory], EDGES_NUMBERS
    edge, rate, clock = p[f + n.edge], p[f + n.rate], p[f + n.clock]
    shown, u[m], gain = graduation(u[angle], u[m + 1], u[m], p[f + n.turn_error], p[f + n.turn_phase])
    if clock > 0.0:
        now, speed = tick / it[at.TICKS_PER_SECOND], gain * u[it[a + EDGES.speed]]
        period, known = min(1.0 / rate, now), (u[m + 2], u[m + 4], u[m + 3])
        u[m + 3], rest, u[m + 2], u[m + 4] = time_edges(
            u[m + 1], shown, edge, speed, now, period, known, clock
        )
    else:
        u[m + 3], rest = count_edges(shown, edge, rate)
    u[it[a + EDGES.emit]] = u[m + 3]
    u[m + 1] = rest
    u[angle] = rest
    v[z + it[at.R] + angle] = rest


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
    most, strongest, fastest = (
        p[f + SERVO_NUMBERS.torque],
        p[f + SERVO_NUMBERS.power],
        p[f + SERVO_NUMBERS.speed],
    )
    link, lowest = it[a + SERVO.link], p[f + SERVO_NUMBERS.lowest]
    command = powered(u, link, lowest, _allowed(it, u, tick, u[it[a + SERVO.command]]))
    speed = u[it[a + SERVO.speed]]
    torque = envelope_torque(command, speed, most, strongest, fastest)
    u[it[a + SERVO.emit]] = torque
    power, cut, m = abs(torque * speed), torque != command, it[a + SERVO.watch]
    fast = cut and abs(speed) >= fastest
    weak = cut and not fast and abs(torque) < most
    note_limit(u, m, abs(torque), cut and not fast and not weak, tick)
    note_limit(u, m + 4, power, weak, tick)
    note_limit(u, m + 8, abs(speed), fast, tick)
    note_voltage(u, m + 12, link, lowest, tick)


@helper
def _path_model(it: Ints, p: Floats, u: Floats, a: int) -> None:
    """Run two sections, the second on the command sent some ticks ago, and write their difference."""
    sent, line, added = u[it[a + PATH.sent]], it[a + PATH.line], it[a + PATH.added]
    last = line + it[a + PATH.depth] - 1
    late = sent
    if last >= line:
        late = u[line]
        for i in range(line, last):
            u[i] = u[i + 1]
        u[last] = sent
    b, memory = it[at.FILTER] + 5 * it[a + PATH.filter], it[a + PATH.memory]
    value = filtered(p, u, u[it[a + PATH.entry]], b, memory) - filtered(p, u, late, b + 5, memory + 2)
    if added >= 0:
        value += u[added]
    u[it[a + PATH.result]] = value


@routine
def _pm_control(it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int) -> None:
    if it[a + PM.mtpa] == 1:
        for_lanes(_currents, (it, ft, s, w, a, f, tick, True))
    else:
        for_lanes(_currents, (it, ft, s, w, a, f, tick, False))
    if _any_above(w, it[at.LOCALS] + 3, 0.0):
        one_by_one(_weaken, (it, ft, s, w, a, f))
    for_lanes(_voltages, (it, ft, s, w, a, f, tick))
    if it[a + PM.advance] == 0:
        one_by_one(_turn, (it, ft, s, a, f))


@helper
def _per_share(it: Ints, u: Floats, a: int) -> float:
    """Return what the limits of a machine's voltage are shares of; 1 where they are stated in volts."""
    return u[it[a + PM.link]] if it[a + PM.link] >= 0 else 1.0


@helper
def _currents(
    lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int, mtpa: bool
) -> None:
    """Write the wanted currents, the torque that asks for them, and whether they need weakening."""
    p, u, v, wanted = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    n, torque = PM_NUMBERS, _allowed(it, u, tick, u[it[a + PM.command]])
    torque = powered(u, it[a + PM.link], p[f + n.lowest], torque)
    d, q, fits = unweakened_currents(
        torque,
        u[it[a + PM.speed]],
        p[f + n.pole_pairs],
        p[f + n.flux_linkage],
        p[f + n.inductance_d],
        p[f + n.inductance_q],
        p[f + n.current_limit],
        p[f + n.weaken_above] * _per_share(it, u, a),
        mtpa,
    )
    v[wanted] = d
    v[wanted + 1] = q
    v[wanted + 2] = torque
    v[wanted + 3] = 0.0 if fits else 1.0


@routine
def _weaken(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int) -> None:
    """Replace the wanted currents of a lane whose voltage does not suffice."""
    p, u, v = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane)
    n, wanted, speed, mtpa = PM_NUMBERS, it[at.LOCALS], u[it[a + PM.speed]], it[a + PM.mtpa] == 1
    if v[wanted + 3] > 0.0:
        v[wanted], v[wanted + 1] = current_reference(
            v[wanted + 2],
            speed,
            p[f + n.pole_pairs],
            p[f + n.flux_linkage],
            p[f + n.inductance_d],
            p[f + n.inductance_q],
            p[f + n.current_limit],
            p[f + n.weaken_above] * _per_share(it, u, a),
            mtpa,
        )


@helper
def _voltages(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int, tick: int) -> None:
    p, u, v, wanted = lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane), it[at.LOCALS]
    n, memory_d, memory_q, emit = PM_NUMBERS, it[a + PM.integral_d], it[a + PM.integral_q], it[a + PM.emit]
    current_d, current_q = u[it[a + PM.current_d]], u[it[a + PM.current_q]]
    ceiling = p[f + n.most_voltage] * _per_share(it, u, a)
    vd, vq, integral_d, integral_q = current_tick(
        v[wanted],
        v[wanted + 1],
        current_d,
        current_q,
        p[f + n.pole_pairs] * u[it[a + PM.speed]],
        u[memory_d],
        u[memory_q],
        p[f + n.bandwidth],
        p[f + n.resistance],
        p[f + n.inductance_d],
        p[f + n.inductance_q],
        p[f + n.flux_linkage],
        p[f + n.period],
        ceiling,
    )
    u[memory_d] = integral_d
    u[memory_q] = integral_q
    u[emit] = vd
    u[emit + 1] = vq
    # Squares: a root in every lane would cost more than the rest of the look-out.
    wished = v[wanted] * v[wanted] + v[wanted + 1] * v[wanted + 1]
    flowing = current_d * current_d + current_q * current_q
    most = p[f + n.current_limit]
    size, m = vd * vd + vq * vq, it[a + PM.watch]
    note_limit(u, m, flowing, wished >= _FULL * most * most, tick)
    note_limit(u, m + 4, size, size >= _FULL * ceiling * ceiling, tick)
    note_voltage(u, m + 8, it[a + PM.link], p[f + n.lowest], tick)


@routine
def _turn(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Turn the voltages of a lane; sine and cosine are calls, which no vector code comes of."""
    p, u = lane_of(ft, lane), lane_of(s, lane)
    emit, n = it[a + PM.emit], PM_NUMBERS
    angle = 1.5 * p[f + n.pole_pairs] * u[it[a + PM.speed]] * p[f + n.period]
    u[emit], u[emit + 1] = turn(u[emit], u[emit + 1], angle)
