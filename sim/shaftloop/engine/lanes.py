"""Runs that advance together in lanes."""

from collections.abc import Sequence

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.lanekernel import advance_lanes
from shaftloop.engine.lanesteps import TERMS
from shaftloop.engine.lanetables import Common, common_tables, interleave, lane_tables, shared_part
from shaftloop.engine.laneviews import LANES
from shaftloop.engine.memory import Memory
from shaftloop.engine.run import Position, Run
from shaftloop.errors import SimulationError

__all__ = ["LANES", "Common", "Memory", "advance_together", "common_tables", "lane_key"]


def lane_key(run: Run, end: int) -> tuple[bytes | int, ...] | None:
    """Return what runs must have in common to share lanes, None where a run cannot.

    Equal are all integers (layout, tasks, timing, where things are), the matrices and the end. Gains,
    limits, levels, drags, meters' coefficients, noise and whatever else is a number may differ. A run
    whose stepper or nonlinear terms have no form for lanes runs singly.

    Parameters
    ----------
    run : Run
        At its start, with its sequence laid out.
    end : int
        Where it is to stop, exactly. [tick]
    """
    if run.tables.it[at.METHOD] != at.ETD4:
        return None
    if any(term.kind not in TERMS for term in run.model.plant.network.terms):
        return None
    run.prepare(end)
    return (*shared_part(run.tables), end)


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
        What `common_tables` makes of the tables of any run with this key; made anew where left out.

    memory : Memory, optional
        Where the recordings lie; memory of their own where left out.

    Returns
    -------
    list
        Per run: True where it stands at the end; False where a guard would have acted, so that it must run
        singly; the error where the bench diverged. Such a run is unchanged.
    """
    last = runs[0].prepare(end)
    common = common or common_tables(runs[0].tables)
    tables = lane_tables(common, [run.tables for run in runs])
    state = interleave([run.state for run in runs])
    rest = np.zeros(common.scratch - len(runs[0].work))
    work = interleave([np.concatenate([run.work, rest]) for run in runs])
    ends = np.full((2, LANES), -1)
    ends[1, len(runs) :] = 0
    rows, channels = runs[0].recording.shape
    recording = (memory or Memory()).array((len(runs), channels, rows))
    records, tick, instant, gap = advance_lanes(
        (common.it, common.words, tables.notes),
        (tables.ft, tables.floats, common.entries),
        state,
        work,
        ends,
        recording,
        (end, last),
    )
    results: list[SimulationError | bool] = []
    for lane, run in enumerate(runs):
        diverged, woke = ends[:, lane]
        if woke >= 0:
            results.append(False)
        elif diverged >= 0:
            results.append(run.divergence(int(diverged)))
        else:
            run.state[:] = state.reshape(-1, LANES)[:, lane]
            run.recording = recording[lane].T
            run.counters[at.WRITTEN] = records
            run.position = Position(tick, instant, gap)
            results.append(True)
    return results
