"""The compiled driver: instants, tasks and gaps in one written order.

At an instant: record; then the tasks due, by priority; then the plant moves on under held outputs to
the next instant. `advance` covers ticks from its start up to, but not including, the tasks of its
end, so that stretches join without seam.
"""

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.cache import helper, kernel
from shaftloop.engine.meters import integrate_meters, keep_peaks
from shaftloop.engine.noise import add_noise
from shaftloop.engine.setpoints import setpoint
from shaftloop.engine.steppers import etd4_step, rk4_step, set_held, set_z
from shaftloop.engine.tasks import run_task
from shaftloop.engine.types import Floats, Ints

__all__ = ["DIVERGED", "FULL", "GUARD", "LARGEST", "REACHED", "advance", "probe"]

REACHED, GUARD, DIVERGED, FULL = 0, 1, 2, 3
"""How a stretch ended: at its end; a guard changed; a state left the finite range; the recording is full."""

LARGEST = 1e15
"""Largest plant state of a working bench, in SI units."""


@kernel
def advance(
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    counters: Ints,
    recording: Floats,
    where: tuple[int, int, int],
    until: tuple[int, int, int],
) -> tuple[int, int, int, int]:
    """Run a stretch and return (status, tick, instant, gap): how it ended and where it stands.

    Parameters
    ----------
    it, ft : ndarray
        Tables of the bench (`engine.at`).
    s : ndarray, shape (slots,)
        State, changed in place.
    w : ndarray
        Scratch.
    counters : ndarray
        Records written; guard that woke.
    recording : ndarray, shape (records, channels)
        Filled from record ``counters[at.WRITTEN]`` on.
    where : tuple of int
        (tick, instant, gap): where to start. A gap of -1 stands at an instant whose tasks have not run;
        otherwise the tasks of `instant` have run, and the gap leads to the next one.
    until : tuple of int
        (tick, gap, whether guards wake): where to stop. With a gap of -1 the stretch ends at the first
        instant at or after the tick; otherwise exactly there, by this gap from the last instant.
    """
    tick, instant, gap = where
    end, last_gap, guarded = until
    z = it[at.Z]
    set_z(it, ft, s, w, z)
    while True:
        if gap < 0:
            if tick >= end:
                return REACHED, tick, instant, -1
            if counters[at.WRITTEN] >= recording.shape[0]:
                return FULL, tick, instant, -1
            _run_instant(it, ft, s, w, z, counters, recording, instant, tick, guarded)
            gap = it[it[at.INSTANT_INT] + 3 * instant + 2]
            if counters[at.WOKE] >= 0:
                return GUARD, tick, instant, gap
        reached = tick + it[it[at.GAP_INT] + 2 * gap]
        final = last_gap >= 0 and reached > end
        if final:
            gap, reached = last_gap, end
        _keep_start(it, s, w, guarded)
        set_held(it, s, w, z)
        for _ in range(it[it[at.GAP_INT] + 2 * gap + 1]):
            start, z = z, 2 * it[at.Z] + it[at.Z_SIZE] - z
            if it[at.METHOD] == at.ETD4:
                etd4_step(it, ft, s, w, gap, start, z)
            else:
                rk4_step(it, ft, s, w, gap, start, z)
            integrate_meters(it, ft, s, w, start, z, ft[it[at.GAP_STEP] + gap])
            keep_peaks(it, s, w, start, z)
        add_noise(it, ft, s, w, z, gap, tick, (it, it[at.NOISE_INT]))
        _look_inside(it, ft, s, w, z, counters, guarded)
        tick = reached
        if not _finite(it, s):
            return DIVERGED, tick, instant, gap
        if final:
            return REACHED, tick, instant, gap
        gap = -1
        instant = instant + 1 if instant + 1 < it[at.INSTANTS] else 0
        if counters[at.WOKE] >= 0:
            return GUARD, tick, instant, gap


@kernel
def probe(it: Ints, ft: Floats, s: Floats, w: Floats, gap: int) -> int:
    """Cross one gap from the state s without noise and return where z lies in w; used on copies."""
    z = it[at.Z]
    set_z(it, ft, s, w, z)
    for _ in range(it[it[at.GAP_INT] + 2 * gap + 1]):
        start, z = z, 2 * it[at.Z] + it[at.Z_SIZE] - z
        if it[at.METHOD] == at.ETD4:
            etd4_step(it, ft, s, w, gap, start, z)
        else:
            rk4_step(it, ft, s, w, gap, start, z)
    return z


@helper
def _finite(it: Ints, s: Floats) -> bool:
    """Return whether every plant state is in the range of a working bench."""
    fine = True
    for i in range(it[at.N]):
        fine = fine and abs(s[i]) < LARGEST
    return fine


@helper
def _run_instant(
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    z: int,
    counters: Ints,
    recording: Floats,
    instant: int,
    tick: int,
    guarded: int,
) -> None:
    """Record, then run the tasks that are due, by priority."""
    entry = it[at.INSTANT_INT] + 3 * instant
    for k in range(it[entry], it[entry] + it[entry + 1]):
        task = it[it[at.DUE] + k]
        if it[it[at.TASK_INT] + task * at.TASK_WIDTH] == at.RECORD:
            _record(it, ft, s, w, z, recording, counters[at.WRITTEN], tick)
            counters[at.WRITTEN] += 1
        else:
            run_task(it, ft, s, w, z, task, tick)
            if guarded > 0:
                _look(it, ft, s, counters, task)


@helper
def _keep_start(it: Ints, s: Floats, w: Floats, guarded: int) -> None:
    """Keep the plant states and inputs at the start of a gap for whoever locates a crossing in it."""
    for i in range(it[at.N] + it[at.M] if guarded > 0 else 0):
        w[it[at.SAVED] + i] = s[i]


@helper
def _look(it: Ints, ft: Floats, s: Floats, counters: Ints, task: int) -> None:
    """Let the sampled guards of a task look."""
    for k in range(it[at.GUARDS]):
        entry = it[at.GUARD_INT] + 2 * k
        if it[entry + 1] == task:
            _toggle(it, ft, s, counters, k, s[it[entry]])


@helper
def _look_inside(it: Ints, ft: Floats, s: Floats, w: Floats, z: int, counters: Ints, guarded: int) -> None:
    """Let the continuous guards look at the end of a gap."""
    for k in range(it[at.GUARDS] if guarded > 0 else 0):
        entry = it[at.GUARD_INT] + 2 * k
        if it[entry + 1] < 0:
            _toggle(it, ft, s, counters, k, w[z + it[entry]])


@helper
def _toggle(it: Ints, ft: Floats, s: Floats, counters: Ints, k: int, value: float) -> None:
    """Compare an armed guard with its level and wake its owner where the outcome changed."""
    slot = it[at.GUARD_SLOT] + 2 * k
    above = 1.0 if abs(value) > ft[it[at.GUARD_FLOAT] + k] else 0.0
    if s[slot + 1] > 0.0 and above != s[slot]:
        s[slot] = above
        counters[at.WOKE] = k


@helper
def _record(
    it: Ints, ft: Floats, s: Floats, w: Floats, z: int, recording: Floats, row: int, tick: int
) -> None:
    for channel in range(it[at.CHANNELS]):
        recording[row, channel] = 0.0
    i, f, one = np.uint64(it[at.ENTRY_INT]), np.uint64(it[at.ENTRY_FLOAT]), np.uint64(1)
    for _ in range(it[at.ENTRIES]):
        source, index = it[i + one], it[i + one + one]
        if source == 0:
            value = w[np.uint64(z + index)]
        elif source == 1:
            value = s[np.uint64(index)]
        else:
            value = setpoint(it, ft, index, tick)
        recording[row, np.uint64(it[i])] += ft[f] * value
        i, f = i + np.uint64(3), f + one
