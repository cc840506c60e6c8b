"""A steady state that a bench runs away from, found with gentler gains: it does not depend on them."""

from collections.abc import Callable, Sequence
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.rows import LOOP_NUMBERS
from shaftloop.engine.run import Run
from shaftloop.errors import SimulationError

__all__ = ["gently", "run_up"]

Array = NDArray[np.float64]

_SHARES = (0.1, 0.01, 1e-3)
"""Of the gains, tried one after the other."""
_RESTS = 1e-3
"""How far the gains as they are may take the state in a hyperperiod, over the usual sizes: a loop without
integrator rests elsewhere with other gains."""


def run_up(
    begin: Array,
    rounds: Sequence[int],
    once: Callable[[Array], Array],
    fixed: Callable[[Array], Array | None],
) -> tuple[Array, Array | None]:
    """Return where a bench goes from a state, and the steady state near one on the way, if there is one.

    Parameters
    ----------
    begin : ndarray, shape (slots,)
        Where it begins.
    rounds : sequence of int
        Hyperperiods from one look to the next.
    once : callable
        Takes a state, which it writes into, through a hyperperiod.
    fixed : callable
        Looks for a steady state near a state.
    """
    state = begin.copy()
    with suppress(SimulationError):
        for count in rounds:
            for _ in range(count):
                once(state)
            found = fixed(state.copy())
            if found is not None:
                return state, found
        return state, None
    return begin, None


def gently(
    run: Run,
    bench: Bench,
    search: Callable[[], tuple[Array, Array | None]],
    change: Callable[[Array], Array],
) -> Array | None:
    """Return the steady state of a bench, looked for with a share of kp and ki of all loops.

    Parameters
    ----------
    run : Run
        Of the bench; its gains are as they were afterwards.
    search : callable
        `run_up` with the gains as they are then.
    change : callable
        Returns where a hyperperiod takes a state, over the usual sizes.
    """
    first = int(run.tables.it[at.TASK_FLOAT])
    rows = [first + loop.task * at.TASK_WIDTH for loop in bench.loops.values() if loop.break_slot >= 0]
    places = [row + int(column) for row in rows for column in (LOOP_NUMBERS.kp, LOOP_NUMBERS.ki)]
    kept = run.tables.ft[places]
    for share in _SHARES:
        run.tables.ft[places] = share * kept
        try:
            _, found = search()
        finally:
            run.tables.ft[places] = kept
        if found is not None:
            with suppress(SimulationError):
                if np.max(np.abs(change(found))) < _RESTS:
                    return found
    return None
