"""How stiff a virtual spring may be: latency turns its stiffness into negative damping.

To first order of the latency τ, from the angle that is sampled to the middle of the torque that is held, the
spring ``−k·θ(t − τ)`` is ``−k·θ + k·τ·ω``: stable up to ``k·τ = d`` with a damper d. Here the eigenvalues of
the map over a hyperperiod decide, with all else as it is.
"""

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.response import root
from shaftloop.bench.handles import LoopHandle
from shaftloop.engine import at
from shaftloop.engine.rows import LOOP_NUMBERS

__all__ = ["stiffest"]

_RISE, _FURTHEST = 1.25, 1000.0


def stiffest(bench: HyperMap, loop: LoopHandle, state: NDArray[np.float64]) -> float | None:
    """Return the stiffness from which on a bench with a virtual spring is unstable [N m/rad].

    Parameters
    ----------
    bench : HyperMap
        With the loop.
    loop : LoopHandle
        On a position, with `damping`.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.

    Returns
    -------
    float or None
        None where it is unstable as it is, or stable up to a thousand times its stiffness.
    """
    tables, now = bench.run.tables, loop.parameters.kp.value
    place = int(tables.it[at.TASK_FLOAT]) + loop.task * at.TASK_WIDTH + int(LOOP_NUMBERS.kp)

    def excess(factor: float) -> float:
        tables.ft[place] = factor * now
        return spectral_radius(bench.dynamics(state)) - 1.0

    try:
        low = 1.0
        if now == 0.0 or excess(low) >= 0.0:
            return None
        while low < _FURTHEST:
            high = _RISE * low
            if excess(high) >= 0.0:
                return now * root(excess, low, high)
            low = high
        return None
    finally:
        tables.ft[place] = now
