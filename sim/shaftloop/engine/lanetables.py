"""Tables of a group of benches that run in lanes.

The integers are those of any of the benches, for they are equal. The floats of all are laid side by side, so
gains, levels, drags and whatever else is a number may differ from lane to lane. The matrices are equal
and kept once, as blocks (`engine.laneproducts`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine import at
from shaftloop.engine.build import Tables
from shaftloop.engine.laneproducts import block_entries, block_rows
from shaftloop.engine.plant import Plant
from shaftloop.engine.run import Run
from shaftloop.engine.types import Floats, Ints, aligned
from shaftloop.engine.views import LANES
from shaftloop_models.network import Ref

__all__ = ["Common", "common_tables", "interleave", "lane_numbers", "shared_part"]

_T = TypeVar("_T", bound=np.generic)


@dataclass(frozen=True)
class Common:
    """What benches with an equal `shared_part` have in common."""

    it: Ints
    """Integers, with the descriptions of the products' blocks."""
    entries: Floats
    """Entries of the matrices."""


def interleave(columns: Sequence[NDArray[_T]]) -> NDArray[_T]:
    """Return vectors side by side, slot by slot; lanes that are left over repeat the first."""
    filled = [*columns, *[columns[0]] * (LANES - len(columns))]
    result = aligned(len(columns[0]) * LANES).view(columns[0].dtype)
    np.stack(filled, axis=1, out=result.reshape(-1, LANES))
    return result


def shared_part(tables: Tables) -> tuple[bytes, ...]:
    """Return what benches must have in common to run in lanes of one kernel, to be compared or hashed."""
    return tables.it.tobytes(), tables.matrix_bytes, len(tables.ft).to_bytes(8, "little")


def lane_numbers(common: Common, benches: Sequence[Tables]) -> tuple[tuple[Floats, Floats, Ints], bool]:
    """Return the numbers of benches with an equal `shared_part`, and whether their set-points are equal."""
    it, ft = common.it, benches[0].ft
    points = slice(it[at.SEGMENT_FLOAT], it[at.ENTRY_FLOAT])  # segments and traces
    alike = all(np.array_equal(t.ft[points], ft[points]) for t in benches)
    floats, keys = interleave([t.ft for t in benches]), interleave([t.keys for t in benches])
    return (floats, common.entries, keys), alike


def common_tables(run: Run) -> Common:
    """Return what benches have in common that have the `shared_part` of this one."""
    it = run.tables.it
    size = int(it[at.GAP_MATRIX_SIZE])
    packs = run.tables.matrices.reshape(-1, size)
    products = it[it[at.PRODUCT_INT] : it[at.PRODUCT_INT] + 3 * (at.SIGNAL + 1)].reshape(-1, 3)
    rows: list[list[int]] = []
    descriptions: list[int] = []
    entries: list[list[Floats]] = [[] for _ in packs]
    place = 0
    for (count, columns, first), wanted in zip(products, _wanted(run), strict=True):
        shape, end = (columns, count), first + count * columns
        matrices = [pack[first:end].reshape(shape).T for pack in packs]
        blocks = block_rows(np.any([matrix != 0.0 for matrix in matrices], axis=0), wanted)
        rows.append([len(it) + len(descriptions), len(blocks), place])
        for numbers, read in blocks:
            descriptions += [len(numbers), len(read), *numbers, *read]
        for kept, matrix in zip(entries, matrices, strict=True):
            kept.append(block_entries(blocks, matrix))
        place += entries[0][-1].size
    table = np.concatenate([it, np.array(descriptions, dtype=np.int64)])
    table[it[at.PRODUCT_INT] : it[at.PRODUCT_INT] + products.size] = np.ravel(rows)
    table[at.GAP_MATRIX_SIZE] = place
    flat = aligned(len(packs) * place)
    return Common(table, np.concatenate([part for kept in entries for part in kept], out=flat))


def _wanted(run: Run) -> list[NDArray[np.bool_]]:
    """Return which rows of each product something reads.

    In the middle of a step nothing sees the states that no term, meter or peak reads; at the last stage
    nothing sees those that no term reads.
    """
    plant, padding = run.model.plant, np.zeros(-len(run.model.plant.a) % 4, dtype=np.bool_)
    network = plant.network
    last = _states(plant, [ref for term in network.terms for ref in term.reads])
    powers = [ref for power in network.powers for ref in (power.a, power.b)]
    middle = last | _states(plant, [*powers, *(ref for _, ref in run.model.peaks)])
    every = np.ones_like(last)
    last, middle, every = (np.concatenate([rows, padding]) for rows in (last, middle, every))
    signals = np.arange(plant.padded_signals) < len(plant.c)
    return [np.concatenate([every, middle]), middle, last, every, np.zeros(0, dtype=np.bool_), signals]


def _states(plant: Plant, read: Sequence[Ref]) -> NDArray[np.bool_]:
    """Return which states some quantities depend on."""
    states = np.zeros(len(plant.a), dtype=np.bool_)
    for ref in read:
        if ref.kind == "state":
            states[ref.index] = True
        elif ref.kind == "signal":
            states |= plant.c[plant.rows[ref]] != 0.0
    return states
