"""Tables of a group of benches that run in lanes.

The integers are those of any of the benches, for they are equal. The floats of all are laid side by side, so
gains, levels, drags and whatever else is a number may differ from lane to lane. The matrices are kept as
blocks (`kernels.blocks`), once where they are equal.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine import at
from shaftloop.engine.build import Tables
from shaftloop.engine.gaps import make_together
from shaftloop.engine.run import Run
from shaftloop.kernels.arrays import Floats, Ints, Numbers, aligned
from shaftloop.kernels.blocks import as_blocks
from shaftloop.kernels.views import LANES

__all__ = ["Common", "common_tables", "interleave", "lane_numbers"]

_T = TypeVar("_T", bound=np.generic)


@dataclass(frozen=True)
class Common:
    """What the kernel of some benches that share lanes takes besides their numbers."""

    it: Ints
    """Integers."""
    blocks: Ints
    """Blocks of the matrices."""
    entries: Floats
    """Entries of the matrices."""


def interleave(columns: Sequence[NDArray[_T]]) -> NDArray[_T]:
    """Return vectors side by side, slot by slot; lanes that are left over repeat the first."""
    filled = [*columns, *[columns[0]] * (LANES - len(columns))]
    result = aligned(len(columns[0]) * LANES).view(columns[0].dtype)
    np.stack(filled, axis=1, out=result.reshape(-1, LANES))
    return result


def lane_numbers(common: Common, benches: Sequence[Tables]) -> tuple[Numbers, bool]:
    """Return the numbers of benches that share lanes, and whether their set-points are equal."""
    it, ft = common.it, benches[0].ft
    points = slice(it[at.SEGMENT_FLOAT], it[at.ENTRY_FLOAT])  # segments and traces
    alike = all(np.array_equal(t.ft[points], ft[points]) for t in benches)
    floats, keys = interleave([t.ft for t in benches]), interleave([t.keys for t in benches])
    return (floats, common.entries, keys, common.blocks), alike


def common_tables(runs: Sequence[Run]) -> Common:
    """Return the integers and matrices of runs that share lanes, at most `LANES`.

    Where all have the same matrices they serve any runs that have these.
    """
    made = [run.tables.gap_matrices for run in runs]
    if all(each.identity == made[0].identity for each in made):
        made = made[:1]
    make_together(made)
    filled = [*made, *[made[0]] * (LANES - len(made))] if len(made) > 1 else made
    wanted = [np.any(each, axis=0) for each in zip(*(each.wanted_rows for each in made), strict=True)]
    blocks = as_blocks(np.stack([each.table for each in filled]), made[0].shapes, wanted, LANES)
    return Common(runs[0].tables.it, *blocks)
