"""A run that begins at a steady state instead of at rest."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.carried import carried, named
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.compiled.setpoints import HOLD
from shaftloop.engine.model import Segment
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping, longest_step

__all__ = ["standing_run"]


def standing_run(
    bench: Bench,
    reference: HyperMap,
    state: NDArray[np.float64],
    setpoints: Mapping[str, float],
    records: int,
) -> Run:
    """Return the run of a bench, smooth or full, which stands at a steady state under constant set-points.

    Parameters
    ----------
    reference : HyperMap
        The smooth bench; gains and clamps may differ.
    state : ndarray, shape (slots,)
        Of the smooth bench. What only the full bench has, such as power meters, starts as it does at rest.
    setpoints : mapping
        By loop. [N m] or [rad/s]
    records : int
        Most records.
    """
    run = Run(bench.model, Stepping(at.ETD4, longest_step(bench.model.plant, at.ETD4)), records)
    run.state[:] = carried(bench, named(reference.bench, state))
    run.friction.follow(run)
    for name, value in setpoints.items():
        run.set_profile(bench.loops[name].profile, Segment(0, HOLD, (), (value,)))
    return run
