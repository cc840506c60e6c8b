"""Tables of a group of benches that run in lanes.

The integers are those of any of the benches, for they are equal. The floats of all are laid side by side, so
gains, levels, drags and whatever else is a number may differ from lane to lane. The matrices are kept as
blocks (`engine.laneproducts`), once where they are equal.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine import at
from shaftloop.engine.build import Tables
from shaftloop.engine.gaps import make_together
from shaftloop.engine.laneproducts import block_rows, describe_blocks
from shaftloop.engine.plant import Plant
from shaftloop.engine.run import Run
from shaftloop.engine.types import Floats, Ints, aligned
from shaftloop.engine.views import LANES
from shaftloop_models.network import Ref

__all__ = ["Common", "common_tables", "interleave", "lane_numbers", "shared_part"]

_T = TypeVar("_T", bound=np.generic)


@dataclass(frozen=True)
class Common:
    """What the kernel of some benches with an equal `shared_part` takes besides their numbers."""

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
    return tables.it.tobytes(), len(tables.ft).to_bytes(8, "little")


def lane_numbers(common: Common, benches: Sequence[Tables]) -> tuple[tuple[Floats, Floats, Ints], bool]:
    """Return the numbers of benches with an equal `shared_part`, and whether their set-points are equal."""
    it, ft = common.it, benches[0].ft
    points = slice(it[at.SEGMENT_FLOAT], it[at.ENTRY_FLOAT])  # segments and traces
    alike = all(np.array_equal(t.ft[points], ft[points]) for t in benches)
    floats, keys = interleave([t.ft for t in benches]), interleave([t.keys for t in benches])
    return (floats, common.entries, keys), alike


def common_tables(runs: Sequence[Run]) -> Common:
    """Return the integers and matrices of runs with an equal `shared_part`, at most `LANES`.

    Where all have the same matrices they serve any runs that have these.
    """
    it = runs[0].tables.it
    made = [run.tables.gap_matrices for run in runs]
    if all(each.identity == made[0].identity for each in made):
        runs = runs[:1]
    make_together(made[: len(runs)])
    filled = [*runs, *[runs[0]] * (LANES - len(runs))] if len(runs) > 1 else runs
    packs = np.stack([run.tables.matrices.reshape(-1, it[at.GAP_MATRIX_SIZE]) for run in filled])
    section = slice(it[at.PRODUCT_INT], it[at.PRODUCT_INT] + 3 * (at.SIGNAL + 1))
    rows: list[list[int]] = []
    words: list[int] = []
    parts: list[Floats] = []
    place = 0
    wanted = [np.any(each, axis=0) for each in zip(*map(_wanted, runs), strict=True)]
    for (count, columns, first), read in zip(it[section].reshape(-1, 3), wanted, strict=True):
        matrices = packs[:, :, first : first + count * columns].reshape(*packs.shape[:2], columns, count)
        blocks = block_rows(np.any(matrices != 0.0, axis=(0, 1)).T, read)
        rows.append([len(it) + len(words), len(blocks), place])
        described, entries = describe_blocks(blocks, matrices)
        words += described
        parts.append(entries)
        place += entries.shape[1]
    table = np.concatenate([it, np.array(words, dtype=np.int64)])
    table[section] = np.ravel(rows)
    table[at.GAP_MATRIX_SIZE] = place
    flat = aligned(packs.shape[1] * place)
    np.concatenate(parts, axis=1, out=flat.reshape(-1, place))
    return Common(table, flat)


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
