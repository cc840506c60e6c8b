"""How much of the variance of a figure each factor causes: first-order and total Sobol indices.

The design is that of Saltelli et al. (2010): per row two independent points A and B and, for each factor, A
with that one coordinate taken from B. The estimators are those of `scipy.stats.sobol_indices`.

References
----------
.. [1] Saltelli, A., P. Annoni, I. Azzini, F. Campolongo, M. Ratto, S. Tarantola, "Variance based sensitivity
   analysis of model output", Computer Physics Communications 181(2), 2010, 259-270,
   doi:10.1016/j.cpc.2009.09.018
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.whatif.table import Table

__all__ = ["Index", "Sensitivity", "sensitivity", "sobol_indices"]

Array = NDArray[np.float64]

_FEWEST_ROWS = 8
_RESAMPLES = 200
_CONFIDENCE = 0.95


@dataclass(frozen=True)
class Index:
    """Share of the variance of a figure that comes from one factor."""

    factor: str
    first: float
    """Alone. [1]"""
    first_interval: tuple[float, float]
    """95 % interval of `first`, by resampling the rows. [1]"""
    total: float
    """Alone and together with others. [1]"""
    total_interval: tuple[float, float]
    """95 % interval of `total`. [1]"""


@dataclass(frozen=True)
class Sensitivity:
    """Indices of one figure."""

    figure: str
    indices: tuple[Index, ...]
    """One per factor, the largest total first; empty where there are none."""
    rows: int
    """Rows of the design that were used."""
    reason: str = ""
    """Why there are no indices."""


def sensitivity(table: Table, seed: int) -> tuple[Sensitivity, ...]:
    """Return the indices of every figure of a study with the design ``saltelli``; the seed is for resampling.

    Rows with a candidate that lacks the figure are left out; of the others the first 2^n count, since the
    estimators want a power of 2.
    """
    return tuple(
        sobol_indices(name, column.values, tuple(table.factors), seed)
        for name, column in table.figures.items()
    )


def sobol_indices(name: str, values: Array, factors: tuple[str, ...], seed: int) -> Sensitivity:
    """Return the indices of one figure.

    Values have shape (rows * (factors + 2),), in the order of the design, nan where there is none.
    """
    rows = values.reshape(-1, len(factors) + 2)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < _FEWEST_ROWS:
        return Sensitivity(
            name, (), len(rows), f"only {len(rows)} rows are complete, of {_FEWEST_ROWS} at least"
        )
    count = 1 << (len(rows).bit_length() - 1)
    rows = rows[:count]
    if np.ptp(rows) == 0.0:
        return Sensitivity(name, (), count, "the figure is the same for all candidates")
    found = _estimates(rows)
    draw = np.random.default_rng(seed)
    again = [_estimates(rows[draw.integers(0, count, count)]) for _ in range(_RESAMPLES)]
    outside = 50.0 * (1.0 - _CONFIDENCE)
    ends = np.percentile(again, [outside, 100.0 - outside], axis=0)
    indices = [
        Index(
            factor,
            float(found[0, i]),
            (float(ends[0, 0, i]), float(ends[1, 0, i])),
            float(found[1, i]),
            (float(ends[0, 1, i]), float(ends[1, 1, i])),
        )
        for i, factor in enumerate(factors)
    ]
    return Sensitivity(name, tuple(sorted(indices, key=lambda index: -index.total)), count)


def _estimates(rows: Array) -> Array:
    """Return first-order and total indices, shape (2, factors)."""
    from scipy.stats import sobol_indices as estimate

    mixed = rows[:, 2:].T[:, None, :]
    # The library cannot take a single factor; a copy of it changes nothing.
    twice = np.concatenate((mixed, mixed)) if len(mixed) == 1 else mixed
    parts: dict[Literal["f_A", "f_B", "f_AB"], Array] = {
        "f_A": rows[None, :, 0],
        "f_B": rows[None, :, 1],
        "f_AB": twice,
    }
    found = estimate(func=parts, n=len(rows))
    return np.array([found.first_order, found.total_order])[:, : len(mixed)]
