"""Runs that advance together in lanes."""

from collections.abc import Sequence

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.compiled.kernel import advance_lanes
from shaftloop.engine.lanetables import Common, common_tables, interleave, lane_numbers
from shaftloop.engine.memory import Memory
from shaftloop.engine.position import Position
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import thermal_stops
from shaftloop.errors import SimulationError
from shaftloop.kernels.views import LANES

__all__ = ["LANES", "Common", "Memory", "advance_together", "common_tables", "lane_key"]


def lane_key(run: Run, end: int) -> tuple[bytes | int, ...]:
    """Return what runs must have in common to share lanes.

    Equal are all integers (layout, tasks, timing, where things are) and the end. Gains, limits, levels,
    drags, meters' coefficients, noise, matrices and whatever else is a number may differ; with equal matrices
    they run in less time. A run is given at its start, with its sequence laid out, and the tick of its end.
    """
    run.prepare(end)
    period = 0 if run.heating is None else run.heating.period
    return run.tables.it.tobytes(), len(run.tables.ft), end, period


def advance_together(
    runs: Sequence[Run], end: int, common: Common | None = None, memory: Memory | None = None
) -> list[SimulationError | bool]:
    """Advance runs from their start to an end in lanes; return for each whether it got there.

    Parameters
    ----------
    runs : sequence of Run
        With the same `lane_key`, at most `LANES`.
    end : int
        Where to stop, exactly. [tick]
    common : Common, optional
        What `common_tables` makes of these runs, or of others with the same matrices if all have the same.
    memory : Memory, optional
        Where the recordings lie; memory of their own where left out.

    Returns
    -------
    list
        Per run: True where it stands at the end; False where a guard would have acted or steps must become
        finer, so that it must run singly; the error where the bench diverged. Such a run is unchanged.
    """
    last = runs[0].prepare(end)
    common = common or common_tables(runs)
    numbers, alike = lane_numbers(common, [run.tables for run in runs])
    state, work = interleave([run.state for run in runs]), interleave([run.work for run in runs])
    slots = state.reshape(-1, LANES)
    guards = runs[0].model.guard_slot + 2 * np.arange(len(runs[0].model.guards))
    slots[guards + 1] = 1.0  # armed
    ends = np.full((3, LANES), -1)
    ends[at.WOKE, len(runs) :] = 0
    records, channels = runs[0].recording.shape
    recording = (memory or Memory()).array((len(runs), channels, records))
    where, guarded = (0, 0, -1, 0), int(len(guards) > 0)
    for stop, final in [*((tick, -1) for tick in thermal_stops(runs[0], end)), (end, last)]:
        if where[0] < stop:
            _, *place = advance_lanes(
                common.it, numbers, state, work, ends, recording, where, (stop, final, guarded, alike)
            )
            where = tuple(place)
        for lane, run in enumerate(runs):
            if run.heating is not None and np.all(ends[:, lane] < 0):
                own = numbers[0].reshape(-1, LANES)[:, lane]
                run.heating.advance(common.it, own, slots[:, lane], where[0])
        if np.all(np.any(ends >= 0, axis=0)):
            break
    tick, instant, gap, records = where
    results: list[SimulationError | bool] = []
    for lane, run in enumerate(runs):
        if ends[at.WOKE, lane] >= 0 or ends[at.FAST, lane] >= 0:
            results.append(False)
        elif ends[at.DIVERGED, lane] >= 0:
            results.append(run.divergence(int(ends[at.DIVERGED, lane])))
        else:
            slots[guards + 1, lane] = run.state[guards + 1]
            run.state[:] = slots[:, lane]
            run.recording, run.records = recording[lane].T, records
            run.position = Position(tick, instant, gap)
            results.append(True)
    return results
