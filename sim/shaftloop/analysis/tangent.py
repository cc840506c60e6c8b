"""Small motions about a steady state, where springs are not linear: derivatives of the compiled terms."""

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.modes import Mechanics, mechanics
from shaftloop.analysis.operating import OperatingPoint, operating_point
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["line_at", "line_of", "term_slopes"]

Array = NDArray[np.float64]

_RELATIVE_STEP = 0.1
"""Step of the differences of the terms over that of the map: they lose no digits on the way."""


def term_slopes(bench: HyperMap, state: Array) -> Array:
    """Return the derivative of the nonlinear terms by the plant states, shape (terms, states).

    Parameters
    ----------
    bench : HyperMap
        The smooth bench, its set-points held.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    plant = bench.bench.model.plant
    slopes = np.empty((plant.g.shape[1], len(plant.a)))
    for j, size in enumerate(_RELATIVE_STEP * bench.difference_steps[: len(plant.a)]):
        high, low = state.copy(), state.copy()
        high[j] += size
        low[j] -= size
        slopes[:, j] = (bench.run.term_outputs(high) - bench.run.term_outputs(low)) / (2.0 * size)
    return slopes


def line_of(bench: HyperMap, state: Array) -> Mechanics:
    """Return the mechanics of a bench at a steady state, springs that are not linear as stiff as there.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench, its set-points held.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    bent = any(edge.law is not None for edge in bench.bench.line.edges)
    return mechanics(bench.bench, term_slopes(bench, state) if bent else None)


def line_at(
    description: Description, speed: float | None = None, torque: float | None = None
) -> tuple[Mechanics, OperatingPoint, str]:
    """Return the mechanics of a bench at an operating point, the point, and what is to be said of that.

    Parameters
    ----------
    speed, torque : float, optional
        As in `operating_point`. [rad/s], [N m]
    """
    bench = build_bench(description, smooth=True)
    point = operating_point(bench, speed, torque)
    bent = [edge.part for edge in bench.line.edges if edge.law is not None]
    if not bent:
        return mechanics(bench), point, ""
    names = " and ".join(bent)
    try:
        whole = HyperMap(description)
        state = held_state(whole, point)
    except SimulationError as error:
        note = f"{names} as at zero torque, with flanks that touch, because {error}"
        return mechanics(bench), point, note
    note = f"{names} as stiff as at {point}"
    return line_of(whole, state), point, note
