"""A steady state that a bench runs away from, found with gentler gains: it does not depend on them."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.rows import LOOP_NUMBERS
from shaftloop.engine.run import Run
from shaftloop.errors import SimulationError
from shaftloop_models.bodies import lay_out

__all__ = ["gently", "newton", "quickened", "rivals", "run_up"]

Array = NDArray[np.float64]

_SHARES = (0.1, 0.01, 1e-3)
"""Of the gains, tried one after the other."""
_SLOW, _QUICK = 1e-6, 1e-4
"""Share of kp by which ki moves an integrator at a tick below which it hardly moves, and what it is given."""
_RESTS = 1e-3
"""How far the gains as they are may take the state in a hyperperiod, over the usual sizes: a loop without
integrator rests elsewhere with other gains."""
_MOST_STEPS = 16
_LEADS_ON = 0.1
"""Share of the residual that two steps may leave before the derivative is taken anew."""


def newton(
    state: Array,
    slots: NDArray[np.intp],
    scale: Array,
    off_at: Callable[[Array], Array],
    lead_at: Callable[[Array], tuple[Array, NDArray[np.intp], NDArray[np.intp]]],
) -> Array | None:
    """Return the steady state near a state, by Newton's method, with Broyden's between its derivatives [1]_.

    Parameters
    ----------
    state : ndarray, shape (all slots,)
        Where it begins; it is written into.
    slots : ndarray of int, shape (slots,)
        That change over a hyperperiod.
    scale : ndarray, shape (slots,)
        Their typical sizes, in their units.
    off_at : callable
        Returns where a hyperperiod takes the slots of a state, in typical sizes.
    lead_at : callable
        Returns the step to the steady state per change, in typical sizes, by the derivative at a state; the
        places of the slots whose change counts, and of those that move.

    References
    ----------
    .. [1] C. G. Broyden, A class of methods for solving nonlinear simultaneous equations, Mathematics of
       Computation 19 (1965) 577-593. From memory; tested.
    """
    residual, last, fresh = np.inf, (0.0, 0.0), True
    step = kept = before = np.zeros(0)
    for _ in range(_MOST_STEPS):
        off = off_at(state)
        residual = float(np.max(np.abs(off)))
        if not np.isfinite(residual) or residual < 1e-11:
            break
        # The derivative taken before, mended by what its steps have shown, will do as long as they lead on.
        astray = residual > last[1] and not fresh
        if astray:
            state[:], off, residual = before, kept, last[1]
        fresh = astray or residual > _LEADS_ON * last[0]
        if fresh:
            lead, written, keep = lead_at(state)
        else:
            short = lead @ off[written]
            lead += np.outer(short, step @ lead) / (step @ (step - short))
        before, kept, step = state.copy(), off, lead @ off[written]
        state[slots[keep]] += step * scale[keep]
        last = (np.inf if fresh else last[1], residual)
    return state if residual < 1e-6 else None


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


@contextmanager
def quickened(run: Run, bench: Bench) -> Iterator[None]:
    """Let integrators that hardly move be quick: where a loop rests does not depend on a ki above 0.

    Else a hyperperiod moves them by less than a state is told apart from its steady one.

    Parameters
    ----------
    run : Run
        Of the bench; its gains are as they were afterwards.
    """
    numbers, slow = run.tables.ft, {}
    columns = [int(c) for c in (LOOP_NUMBERS.kp, LOOP_NUMBERS.ki, LOOP_NUMBERS.period)]
    for row in _rows(run, bench):
        kp, ki, period = (float(numbers[row + column]) for column in columns)
        if 0.0 < ki * period < _SLOW * kp:
            slow[row + columns[1]] = ki, _QUICK * kp / period
    try:
        for place, (_, quick) in slow.items():
            numbers[place] = quick
        yield
    finally:
        for place, (ki, _) in slow.items():
            numbers[place] = ki


def _rows(run: Run, bench: Bench) -> list[int]:
    """Return where the numbers of the loops that can be opened begin."""
    first = int(run.tables.it[at.TASK_FLOAT])
    return [first + loop.task * at.TASK_WIDTH for loop in bench.loops.values() if loop.break_slot >= 0]


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
    places = [row + int(column) for row in _rows(run, bench) for column in (LOOP_NUMBERS.kp, LOOP_NUMBERS.ki)]
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


def rivals(bench: Bench) -> tuple[str, ...]:
    """Return loops that integrate the error of one torque or speed, which only one of them can hold.

    Two torques at one spring are one, and so are the speeds of bodies on one line, apart from a differential
    or a belt that creeps.

    Parameters
    ----------
    bench : Bench
        The bench.
    """
    springs = [joint.spring for joint in lay_out(bench.description.line).tree.joints]
    loose = any(spring.outputs > 1 or spring.creep for spring in springs)
    held: dict[tuple[str, str], list[str]] = {}
    for name, loop in bench.loops.items():
        if loop.parameters.ki.value > 0.0 and not loop.parameters.limiter_of:
            one_line = loop.quantity == "speed" and not loose
            held.setdefault((loop.quantity, "" if one_line else loop.source), []).append(name)
    return next((tuple(names) for names in held.values() if len(names) > 1), ())
