"""The exact tick at which a continuous guard crossed its level."""

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.run import Run

__all__ = ["locate_crossing"]


def locate_crossing(run: Run, guard: int) -> int:
    """Return the first tick of the last gap at which a guard has its new side of the level.

    Steps of the stepper itself over parts of the gap, halved down to one tick; within a gap the watched
    quantity is taken to cross once.

    Parameters
    ----------
    run : Run
        Stands at the end of the gap in which the guard woke.
    guard : int
        Number of the guard.
    """
    it = run.tables.it
    saved = run.work[it[at.SAVED] : it[at.SAVED] + it[at.N] + it[at.M]].copy()
    now = bool(run.state[run.model.guard_slot + 2 * guard])
    spec = run.model.guards[guard]
    end = run.position.tick
    length = run.last_gap
    low, high = 0, length
    while high - low > 1:
        middle = (low + high) // 2
        z = run.probe(saved, middle)
        index = int(it[it[at.GUARD_INT] + 2 * guard])
        if bool(np.abs(z[index]) > spec.level) == now:
            high = middle
        else:
            low = middle
    return end - length + high
