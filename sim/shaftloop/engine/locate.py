"""The exact ticks at which a continuous guard crossed its level inside the last gap."""

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.compiled.kernel import creep
from shaftloop.engine.run import Run

__all__ = ["crossings"]


def crossings(run: Run, guard: int, above: bool) -> list[tuple[int, bool]]:
    """Return the ticks of the last gap at which a guard changed, and whether it is above from there on.

    A copy of the run makes its way through the gap once more, in steps of a power of two ticks, each halved
    where the guard changes in it. An excursion of less than a tick counts for nothing.

    Parameters
    ----------
    run : Run
        Stands at the end of the gap in which the guard woke.
    guard : int
        Number of the guard.
    above : bool
        Its side of the level at the start of the gap.
    """
    run.make_fine()
    it, tables, work, state = run.tables.it, run.tables, run.work.copy(), run.state.copy()
    size = it[at.SLOTS] if it[at.STICKS] > 0 else it[at.N] + it[at.M]
    state[:size] = work[it[at.SAVED] : it[at.SAVED] + size]
    first = run.model.guard_slot
    state[first + 1 : first + 2 * len(run.model.guards) : 2] = 0.0
    slot = first + 2 * guard
    state[slot : slot + 2] = float(above), 1.0
    end, ends, found = run.position.tick, np.full((3, 1), -1), []
    tick = end - run.last_gap
    while tick < end:
        ends[:] = -1
        tick, _, met = creep(it, tables.numbers, state, work, ends, (tick, end), 1)
        if bool(state[slot]) != above:
            above = not above
            found.append((tick, above))
        if met:  # what sticks changes at the very end of the gap
            break
    return found
