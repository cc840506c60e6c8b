"""The compiled driver of benches in lanes: the same order of things as in `engine.kernel`.

There is no supervision: the sequence is laid out before, and guards do not act. A lane in which one would
have acted is reported, and so is one that diverges; such a lane is put to rest, for what it goes on
to calculate is of no use to anyone and must not slow the others down.
"""

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, kernel, routine
from shaftloop.engine.kernel import LARGEST
from shaftloop.engine.lanemeters import add_meters, widen_peaks
from shaftloop.engine.lanesteps import copy_slots, etd4_lanes, set_z_lanes
from shaftloop.engine.lanetables import BLOCK, LOCALS, RECENT, SUMS
from shaftloop.engine.lanetasks import run_task_lanes, set_points
from shaftloop.engine.laneviews import LANES, for_lanes, lane_of
from shaftloop.engine.noise import add_noise
from shaftloop.engine.types import Floats, Ints

__all__ = ["advance_lanes"]


@kernel
def advance_lanes(
    tables: tuple[Ints, Ints, Ints],
    floats: tuple[Floats, Floats, Floats],
    s: Floats,
    w: Floats,
    ends: Ints,
    recording: Floats,
    until: tuple[int, int],
) -> tuple[int, int, int, int]:
    """Run from the start of a bench to an end and return (records, tick, instant, gap) there.

    Parameters
    ----------
    tables : tuple of ndarray
        Integers of the bench (`engine.at`), of the lanes and of the noise (`engine.lanetables`).
    floats : tuple of ndarray
        Floats of the first bench where set-points are equal in all lanes, else none; floats of all lanes;
        entries of the matrices.
    s, w : ndarray
        State and scratch of all lanes.
    ends : ndarray, shape (2, LANES)
        Tick at which a lane diverged, then at which a guard would have acted; -1 where not. Filled.
    recording : ndarray, shape (lanes in use, channels, records)
        Filled.
    until : tuple of int
        (tick, gap): where to stop, as in `kernel.advance`.
    """
    it, lt, notes = tables
    ft, fl, et = floats
    end, last_gap = until
    tick, instant, record, z = 0, 0, 0, it[at.Z]
    set_z_lanes(it, lt, et, fl, s, w, z)
    while True:
        if tick >= end:
            if record > 0:
                _flush(it, w, lt[RECENT], recording, record)
            return record, tick, instant, -1
        record = _run_instant(it, lt, ft, fl, s, w, z, ends, recording, instant, tick, record)
        gap = it[it[at.INSTANT_INT] + 3 * instant + 2]
        reached = tick + it[it[at.GAP_INT] + 2 * gap]
        final = last_gap >= 0 and reached > end
        if final:
            gap, reached = last_gap, end
        copy_slots(s, it[at.N], w, z + it[at.R] + it[at.N], it[at.M])
        for _ in range(it[it[at.GAP_INT] + 2 * gap + 1]):
            start, z = z, 2 * it[at.Z] + it[at.Z_SIZE] - z
            etd4_lanes(it, lt, et, fl, s, w, gap, (start, z))
            add_meters(it, fl, s, w, (start, z), fl[(it[at.GAP_STEP] + gap) * LANES], lt[SUMS])
            widen_peaks(it, s, w, start, z)
        if it[at.NOISES] > 0:
            _add_noise(it, fl, s, w, z, gap, tick, notes)
        for guard in range(it[at.GUARDS]):
            entry = it[at.GUARD_INT] + 2 * guard
            if it[entry + 1] < 0:
                _look(it, fl, w, z + it[entry], guard, ends, reached)
        tick = reached
        _check(it, lt, s, w, ends, tick)
        if final or _none_left(ends):
            if record > 0:
                _flush(it, w, lt[RECENT], recording, record)
            return record, tick, instant, gap
        instant = instant + 1 if instant + 1 < it[at.INSTANTS] else 0


@helper
def _run_instant(
    it: Ints,
    lt: Ints,
    ft: Floats,
    fl: Floats,
    s: Floats,
    w: Floats,
    z: int,
    ends: Ints,
    recording: Floats,
    instant: int,
    tick: int,
    record: int,
) -> int:
    """Record, then run the tasks that are due, by priority; return the number of records."""
    entry = it[at.INSTANT_INT] + 3 * instant
    for k in range(it[entry], it[entry] + it[entry + 1]):
        task = it[it[at.DUE] + k]
        if it[it[at.TASK_INT] + task * at.TASK_WIDTH] == at.RECORD:
            if record > 0 and record % BLOCK == 0:
                _flush(it, w, lt[RECENT], recording, record)
            _record(it, lt, ft, fl, s, w, z, record, tick)
            record += 1
        else:
            run_task_lanes(it, (fl, ft), s, w, z, task, tick, lt[LOCALS])
            for guard in range(it[at.GUARDS]):
                look = it[at.GUARD_INT] + 2 * guard
                if it[look + 1] == task:
                    _look(it, fl, s, it[look], guard, ends, tick)
    return record


@routine
def _look(it: Ints, fl: Floats, values: Floats, slot: int, guard: int, ends: Ints, tick: int) -> None:
    """Note the lanes in which a watched value is above the level of its guard."""
    for lane in range(LANES):
        level = fl[(it[at.GUARD_FLOAT] + guard) * LANES + lane]
        if abs(values[slot * LANES + lane]) > level and ends[1, lane] < 0:
            ends[1, lane] = tick


@routine
def _add_noise(it: Ints, fl: Floats, s: Floats, w: Floats, z: int, gap: int, tick: int, notes: Ints) -> None:
    for lane in range(LANES):
        own = (notes, lane * 3 * it[at.NOISES])
        add_noise(it, lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane), z, gap, tick, own)


@routine
def _check(it: Ints, lt: Ints, s: Floats, w: Floats, ends: Ints, tick: int) -> None:
    """Note the lanes that have left the finite range, and put them to rest."""
    fine = True
    for i in range(it[at.N] * LANES):
        fine &= abs(s[i]) < LARGEST
    if fine:
        return
    for lane in range(LANES):
        fine = True
        for i in range(it[at.N]):
            fine = fine and abs(s[i * LANES + lane]) < LARGEST
        if not fine:
            ends[0, lane] = tick if ends[0, lane] < 0 else ends[0, lane]
            _clear(lane_of(s, lane), lane_of(w, lane), it, lt[SUMS])


@helper
def _clear(s: Floats, w: Floats, it: Ints, size: int) -> None:
    """Put a lane to rest at 0."""
    one = it[at.R] + it[at.N] + it[at.M] + it[at.Q]
    for i in range(len(s)):
        s[i] = 0.0
    for i in range(size):
        w[i] = 0.0
    for z in (it[at.Z], it[at.Z] + it[at.Z_SIZE], it[at.ZM], it[at.ZC]):
        w[z + one] = 1.0


@helper
def _none_left(ends: Ints) -> bool:
    """Return whether no lane is of use any more."""
    for lane in range(LANES):
        if ends[0, lane] < 0 and ends[1, lane] < 0:
            return False
    return True


@routine
def _record(
    it: Ints, lt: Ints, ft: Floats, fl: Floats, s: Floats, w: Floats, z: int, record: int, tick: int
) -> None:
    """Write one row of channels into the block of recent records."""
    channels = it[at.CHANNELS]
    row = lt[RECENT] + record % BLOCK * channels
    for i in range(row * LANES, (row + channels) * LANES):
        w[i] = 0.0
    i, f = it[at.ENTRY_INT], it[at.ENTRY_FLOAT]
    for _ in range(it[at.ENTRIES]):
        channel, source, index = row + it[i], it[i + 1], it[i + 2]
        if source == 0:
            for_lanes(_add_entry, (fl, w, w, f, z + index, channel))
        elif source == 1:
            for_lanes(_add_entry, (fl, s, w, f, index, channel))
        else:
            set_points(it, (fl, ft), w, index, tick, lt[LOCALS])
            for_lanes(_add_entry, (fl, w, w, f, lt[LOCALS], channel))
        i, f = i + 3, f + 1


@helper
def _add_entry(lane: int, fl: Floats, source: Floats, w: Floats, f: int, index: int, channel: int) -> None:
    lane_of(w, lane)[channel] += lane_of(fl, lane)[f] * lane_of(source, lane)[index]


@routine
def _flush(it: Ints, w: Floats, recent: int, recording: Floats, record: int) -> None:
    """Move the block of recent records, the last of which is before `record`, into the recording."""
    channels, width = np.uint64(it[at.CHANNELS]), np.uint64(LANES)
    first, place = np.uint64((record - 1) // BLOCK * BLOCK), np.uint64(recent)
    for lane in range(np.uint64(len(recording))):
        for channel in range(channels):
            for i in range(np.uint64(record) - first):
                recording[lane, channel, first + i] = w[(place + i * channels + channel) * width + lane]
