"""The compiled driver: instants, tasks and gaps in one written order, for one bench or for benches in lanes.

At an instant: record; then the tasks due, by priority; then the plant moves on under held outputs to
the next instant. `advance` covers ticks from its start up to, but not including, the tasks of its
end, so that stretches join without seam. `advance_lanes` is the same source, compiled for the benches
of all lanes side by side.

A lane ends where a guard changes, a state leaves the finite range, or a speed the range that the steps are
made for; the stretch ends with its last lane. A lane that diverges among others is put to rest, for what it
goes on to calculate is of no use to anyone and must not slow the others down.

Where a body comes to rest or breaks loose inside a gap, `advance` goes back to the start of the gap and ends
there; `creep` then makes its way to the tick at which it happens, in steps of a power of two ticks.
"""

from typing import Any

from shaftloop.engine import at
from shaftloop.engine.compiled.guards import look, look_inside
from shaftloop.engine.compiled.linkterms import evaluate_link
from shaftloop.engine.compiled.meters import integrate_meters, keep_peaks
from shaftloop.engine.compiled.noise import add_noise
from shaftloop.engine.compiled.recorder import flush, record_row
from shaftloop.engine.compiled.steppers import copy_slots, etd4_step, rk4_step, set_held, set_z
from shaftloop.engine.compiled.sticking import changes, torque_on
from shaftloop.engine.compiled.tasks import run_task
from shaftloop.engine.compiled.terms import own_terms
from shaftloop.kernels.arrays import Ends, Floats, Ints, Numbers, Products, Recording
from shaftloop.kernels.decorators import helper, kernel, routine
from shaftloop.kernels.views import (
    abreast,
    alone,
    flat,
    lane_of,
    numbers_abreast,
    numbers_alone,
    one_by_one,
    width,
    words,
)

__all__ = [
    "ENDED",
    "FULL",
    "MET",
    "REACHED",
    "advance",
    "advance_lanes",
    "creep",
    "probe",
    "pull",
]

REACHED, ENDED, FULL, MET = 0, 1, 2, 3
"""How a stretch ended: at its end; every lane ended before; the recording is full; what sticks changes."""


def _driver(name: str, constant: Any, changing: Any) -> Any:
    """Return the kernel for views of one width."""

    def stretch(
        integers: Ints,
        numbers: Numbers,
        state: Floats,
        work: Floats,
        ends: Ends,
        recording: Recording,
        where: tuple[int, int, int, int],
        until: tuple[int, int, int, bool],
    ) -> tuple[int, int, int, int, int]:
        """Run a stretch and return (status, tick, instant, gap, records): how and where it ended.

        Parameters
        ----------
        integers : ndarray
            Integers of the bench (`engine.at`).
        numbers : tuple of ndarray
            Floats, matrices, keys of the noise.
        state : ndarray, shape (slots · lanes,)
            State, changed in place.
        work : ndarray
            Scratch.
        ends : ndarray, shape (3, lanes)
            See `at.DIVERGED`; filled, -1 where a lane has not ended.
        recording : ndarray, shape (lanes, channels, records)
            Filled.
        where : tuple of int
            (tick, instant, gap, records): where to start. A gap of -1 stands at an instant whose tasks have
            not run; otherwise the tasks of `instant` have run, and the gap leads to the next one.
        until : tuple
            (tick, gap, 1 where guards look, whether all lanes have the same set-points): where to stop. With
            a gap of -1 the stretch ends at the first instant at or after the tick; otherwise exactly there,
            by this gap from the last instant.
        """
        it, ft, et = words(integers), constant(numbers[0]), (words(numbers[1]), words(numbers[3]))
        s, w, tables = changing(state), changing(work), (it, ft, et, constant(numbers[2]))
        tick, instant, gap, record = where
        end, last_gap, guarded, alike = until
        status, since, z = -1, record, it[at.Z]
        set_z(it, ft, et, s, w, z)
        while status < 0:
            if gap < 0:
                if tick >= end:
                    status = REACHED
                    break
                if record >= recording.shape[2]:
                    status = FULL
                    break
                record += _run_instant(it, ft, s, w, z, ends, (instant, record, tick), (guarded, alike))
                if record > since and record & (at.BLOCK - 1) == 0:
                    flush(it, w, recording, since, record)
                    since = record
                gap = it[it[at.INSTANT_INT] + 3 * instant + 2]
                if guarded > 0 and _all_ended(ends):
                    status = ENDED
                    break
            reached = tick + it[it[at.GAP_INT] + 2 * gap]
            final = last_gap >= 0 and reached > end
            if final:
                gap, reached = last_gap, end
            z, met = _run_gap(tables, s, w, z, ends, gap, (tick, reached), (guarded, False))
            if met:
                status = MET
                break
            tick = reached
            if final:
                status = REACHED
            else:
                gap = -1
                instant = instant + 1 if instant + 1 < it[at.INSTANTS] else 0
                if _all_ended(ends):
                    status = ENDED
        flush(it, w, recording, since, record)
        return status, tick, instant, gap, record

    stretch.__name__ = name
    return kernel(stretch)


advance = _driver("advance", numbers_alone, alone)
advance_lanes = _driver("advance_lanes", numbers_abreast, abreast)


@routine
def _run_instant(
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    z: int,
    ends: Ints,
    now: tuple[int, int, int],
    how: tuple[int, bool],
) -> int:
    """Record, then run the tasks that are due, by priority; return the number of records."""
    (instant, record, tick), (guarded, alike), records = now, how, 0
    entry = it[at.INSTANT_INT] + 3 * instant
    for k in range(it[entry], it[entry] + it[entry + 1]):
        task = it[it[at.DUE] + k]
        kind = it[it[at.TASK_INT] + task * at.TASK_WIDTH]
        if kind == at.RECORD:
            record_row(it, ft, s, w, z, record, tick, alike)
            records += 1
        elif kind != at.IDLE:
            run_task(it, ft, s, w, z, task, tick, alike)
            if guarded > 0:
                look(it, ft, s, s, 0, task, ends, tick)
    return records


@helper
def _run_gap(
    tables: tuple[Ints, Floats, Products, Ints],
    s: Floats,
    w: Floats,
    z: int,
    ends: Ints,
    gap: int,
    ticks: tuple[int, int],
    how: tuple[int, bool],
) -> tuple[int, bool]:
    """Take plant, meters and noise across a gap; return where z is then, and whether what sticks changes.

    Where it does, the state is left as at the start, unless the gap is a last one, of a tick.
    """
    (it, ft, et, keys), (guarded, last) = tables, how
    if width(s) == 1 and it[at.STICKS] > 0:
        copy_slots(s, 0, w, it[at.SAVED], it[at.SLOTS])
    elif guarded > 0 and width(s) == 1:  # for whoever locates a crossing in this gap
        copy_slots(s, 0, w, it[at.SAVED], it[at.N] + it[at.M])
    z, met = _cross(it, ft, et, s, w, gap, z, (True, last, ticks[1] if guarded > 0 else -1), ends)
    if met and not last:
        copy_slots(w, it[at.SAVED], s, 0, it[at.SLOTS])
        return z, met
    if it[at.NOISES] > 0:
        one_by_one(add_noise, (it, ft, keys, s, w, (z, gap), ticks[0]))
    if guarded > 0:
        look(it, ft, s, w, z, at.ALWAYS, ends, ticks[1])
    _check(it, ft, s, w, ends, ticks[1])
    return z, met


@kernel
def creep(
    integers: Ints,
    numbers: Numbers,
    state: Floats,
    work: Floats,
    ends: Ends,
    ticks: tuple[int, int],
    guarded: int,
) -> tuple[int, int, bool]:
    """Go on from a tick, at most to another, and stop at the very tick at which something changes.

    Steps are powers of two ticks. One in which what sticks changes, or a guard, is taken back and halved.

    Parameters
    ----------
    integers, numbers, state, work, ends
        As for `advance`, of a bench that runs alone.
    ticks : tuple of int
        Where it stands, behind the tasks of an instant; where to stop, at the next instant at the latest.
    guarded : int
        1 where guards look.

    Returns
    -------
    tuple of int, int and bool
        Tick that was reached, length of the last step, and whether what sticks changes there.
    """
    it, ft, et = words(integers), numbers_alone(numbers[0]), (words(numbers[1]), words(numbers[3]))
    s, w, keys = alone(state), alone(work), numbers_alone(numbers[2])
    (tick, end), z, length, met = ticks, it[at.Z], 0, False
    level = it[at.FINES] - 1
    set_z(it, ft, et, s, w, z)
    while tick < end and not met and ends[at.WOKE, 0] < 0 and ends[at.DIVERGED, 0] < 0:
        while 1 << level > end - tick:
            level -= 1
        gap, reached = it[it[at.FINE] + level], tick + (1 << level)
        copy_slots(s, 0, w, it[at.SAVED], it[at.SLOTS])
        z, met = _run_gap((it, ft, et, keys), s, w, z, ends, gap, (tick, reached), (guarded, level == 0))
        if level > 0 and (met or ends[at.WOKE, 0] >= 0):
            copy_slots(w, it[at.SAVED], s, 0, it[at.SLOTS])
            z, met, level = it[at.Z], False, level - 1
            set_z(it, ft, et, s, w, z)
            ends[at.WOKE, 0] = ends[at.DIVERGED, 0] = ends[at.FAST, 0] = -1
        else:
            tick, length = reached, 1 << level
            level = min(level + 1, it[at.FINES] - 1)
    return tick, length, met


@kernel
def pull(integers: Ints, numbers: Numbers, state: Floats, work: Floats, found: Floats) -> None:
    """Fill in the torque on every body that may stick, but for its own friction [N m]."""
    it, ft, et = words(integers), numbers_alone(numbers[0]), (words(numbers[1]), words(numbers[3]))
    s, w, z = alone(state), alone(work), it[at.Z]
    set_z(it, ft, et, s, w, z)
    _refresh(it, ft, s, w, z)
    places, weights = it[at.STICK_INT], it[at.STICK_FLOAT]
    for body in range(it[at.STICKS]):
        found[body] = torque_on(it, ft, w, z, places, weights)
        weights, places = weights + 1 + it[places + 1], places + 2 + it[places + 1]


@kernel
def probe(it: Ints, numbers: Numbers, s: Floats, w: Floats, ends: Ends, gap: int) -> int:
    """Cross one gap from the state s without noise and return where z lies in w; used on copies."""
    table, ft, et = words(it), numbers_alone(numbers[0]), (words(numbers[1]), words(numbers[3]))
    z = table[at.Z]
    set_z(table, ft, et, alone(s), alone(w), z)
    return _cross(table, ft, et, alone(s), alone(w), gap, z, (False, False, -1), ends)[0]


@helper
def _refresh(it: Ints, ft: Floats, s: Floats, w: Floats, z: int) -> None:
    """Take held inputs, which tasks have changed, into z, and what the terms that read them make of them."""
    set_held(it, s, w, z)
    if it[at.OWNS] > 0:
        one_by_one(own_terms, (it, ft, w, z))
    if it[at.LINKS] > 0:
        evaluate_link(it, ft, w, z)


@helper
def _cross(
    it: Ints,
    ft: Floats,
    et: Products,
    s: Floats,
    w: Floats,
    gap: int,
    z: int,
    how: tuple[bool, bool, int],
    ends: Ints,
) -> tuple[int, bool]:
    """Take the plant across a gap from z; return where z lies at its end, and whether what sticks changes.

    How: with meters and peaks; to a last tick (`changes`); the tick of its end where guards look, else -1.
    """
    _refresh(it, ft, s, w, z)
    (metered, last, looks), met = how, False
    for _ in range(it[it[at.GAP_INT] + 2 * gap + 1]):
        start, z = z, 2 * it[at.Z] + it[at.Z_SIZE] - z
        if it[at.METHOD] == at.ETD4:
            etd4_step(it, ft, et, s, w, gap, start, z)
        else:
            rk4_step(it, ft, et, s, w, gap, start, z)
        if metered:
            integrate_meters(it, ft, s, w, start, z, lane_of(ft, 0)[it[at.GAP_STEP] + gap])
            keep_peaks(it, s, w, start, z)
            if width(s) == 1 and it[at.STICKS] > 0:
                met |= changes(it, ft, s, w, (start, it[at.ZM], z), last)
        if looks >= 0:
            look_inside(it, ft, s, w, (start, it[at.ZM], z), ends, looks)
    return z, met


@helper
def _check(it: Ints, ft: Floats, s: Floats, w: Floats, ends: Ints, tick: int) -> None:
    """Note the lanes in which a state has left its range."""
    fine, u, bound = True, flat(s), flat(ft)
    first = it[at.BOUND] * width(s)
    for i in range(it[at.N] * width(s)):
        fine &= abs(u[i]) <= bound[first + i]
    if not fine:
        one_by_one(_leave, (it, ft, s, w, ends, tick, width(s) > 1))


@routine
def _leave(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, ends: Ints, tick: int, rest: bool) -> None:
    """Note a lane in which a speed is out of range or any state, and then set its states to 0 if told."""
    u, v, bound = lane_of(s, lane), lane_of(w, lane), lane_of(ft, lane)
    slow, fine = True, True
    for i in range(it[at.N]):
        slow = slow and abs(u[i]) <= bound[it[at.BOUND] + i]
        fine = fine and abs(u[i]) <= at.LARGEST
    if fine:
        if not slow and ends[at.FAST, lane] < 0:
            ends[at.FAST, lane] = tick
        return
    if ends[at.DIVERGED, lane] < 0:
        ends[at.DIVERGED, lane] = tick
    if rest:
        for i in range(it[at.SLOTS]):
            u[i] = 0.0
        for i in range(it[at.SUMS]):
            v[i] = 0.0
        for z in (it[at.Z], it[at.Z] + it[at.Z_SIZE], it[at.ZM], it[at.ZC]):
            v[z + it[at.R] + it[at.N] + it[at.M] + it[at.Q]] = 1.0


@helper
def _all_ended(ends: Ints) -> bool:
    """Return whether no lane is of use any more."""
    for lane in range(ends.shape[1]):
        if ends[at.DIVERGED, lane] < 0 and ends[at.WOKE, lane] < 0 and ends[at.FAST, lane] < 0:
            return False
    return True
