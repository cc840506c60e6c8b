"""Tables of a group of benches that run in lanes.

The integers are those of any of the benches, for they are equal. The floats of all are laid side by side, so
gains, levels, drags and whatever else is a number may differ from lane to lane. The matrices are equal
and kept once, as blocks (`engine.laneproducts`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine import at
from shaftloop.engine.build import Tables
from shaftloop.engine.laneproducts import block_entries, block_rows
from shaftloop.engine.laneviews import LANES
from shaftloop.engine.types import Floats, Ints, aligned

__all__ = [
    "BASE",
    "BLOCK",
    "END",
    "GAP_ENTRIES",
    "LAST",
    "LOCALS",
    "MIDDLE",
    "PRODUCT_WORDS",
    "RECENT",
    "SIGNAL",
    "SUMS",
    "ZEROS",
    "Common",
    "LaneTables",
    "common_tables",
    "interleave",
    "lane_tables",
    "shared_part",
]

BASE, MIDDLE, LAST, END, SIGNAL = range(5)
"""Products of a step: the four of `engine.matrices`, then signals from states; each gap has its own."""

PRODUCT_WORDS = 3
"""Words of a product in `LaneTables.words`: first description, number of blocks, first entry in a gap."""

GAP_ENTRIES, SUMS, LOCALS, ZEROS, RECENT = range(5 * PRODUCT_WORDS, 5 * PRODUCT_WORDS + 5)
"""Further words: entries of a gap; where in the work vector, behind what a single run has there, lie sums
of the meters, local variables, a zero, and the block of recent records."""

BLOCK = 8
"""Records that go from the work vector to the recording together."""


@dataclass(frozen=True)
class Common:
    """What benches with an equal `shared_part` have in common."""

    it: Ints
    """Integers of any of the benches."""
    words: Ints
    """Descriptions of the products' blocks."""
    entries: Floats
    """Entries of the matrices."""
    scratch: int
    """Slots of the work vector."""


@dataclass(frozen=True)
class LaneTables:
    """What every lane has for itself."""

    ft: Floats
    """Floats of the first bench where the set-points are equal in all lanes, else none."""
    floats: Floats
    """Floats of all benches but for the matrices, lane by lane."""
    notes: Ints
    """The noise section of every bench, one after the other: their keys may differ."""


def interleave(columns: Sequence[Floats]) -> Floats:
    """Return vectors side by side, slot by slot; lanes that are left over repeat the first."""
    filled = [*columns, *[columns[0]] * (LANES - len(columns))]
    result = aligned(len(columns[0]) * LANES)
    np.stack(filled, axis=1, out=result.reshape(-1, LANES))
    return result


def shared_part(tables: Tables) -> tuple[bytes, ...]:
    """Return what benches must have in common to run in lanes of one kernel, to be compared or hashed."""
    it = tables.it.copy()
    noise = it[at.NOISE_INT] + 2
    it[noise : noise + 3 * it[at.NOISES] : 3] = 0
    return it.tobytes(), tables.matrices, len(tables.ft).to_bytes(8, "little")


def common_tables(tables: Tables) -> Common:
    """Return what benches have in common that have the `shared_part` of the one with these tables."""
    it = tables.it
    words, entries = _products(it, tables.ft)
    sizes = (tables.scratch, 3, 4, 1, BLOCK * it[at.CHANNELS])
    *words[SUMS : RECENT + 1], scratch = np.cumsum(sizes)
    return Common(it.copy(), words, entries, int(scratch))


def lane_tables(common: Common, benches: Sequence[Tables]) -> LaneTables:
    """Return the tables of some benches with an equal `shared_part`, at most `LANES`."""
    it, ft = common.it, benches[0].ft
    notes = [t.it[it[at.NOISE_INT] : it[at.NOISE_INT] + 3 * it[at.NOISES]] for t in benches]
    points = slice(it[at.SEGMENT_FLOAT], it[at.ENTRY_FLOAT])  # segments and traces
    alike = all(np.array_equal(t.ft[points], ft[points]) for t in benches)
    return LaneTables(
        ft=ft if alike else ft[:0],
        floats=interleave([t.ft[: it[at.GAP_MATRIX]] for t in benches]),
        notes=np.concatenate([*notes, *[notes[0]] * (LANES - len(notes))]),
    )


def _products(it: Ints, ft: Floats) -> tuple[Ints, Floats]:
    """Return the descriptions and the entries of all products."""
    n, m, q, r = (int(it[word]) for word in (at.N, at.M, at.Q, at.R))
    states = n + -n % 4
    shapes = [(2 * states, n + m + q), (states, q), (states, q), (states, 2 * q)]
    packs = [
        _matrices(ft, it[at.GAP_MATRIX] + g * it[at.GAP_MATRIX_SIZE], shapes) for g in range(it[at.GAPS])
    ]
    signal = _matrices(ft, it[at.SIGNAL], [(r, n)])[0]
    stages = [[pack[stage] for pack in packs] for stage in range(4)]
    for stage, needed in enumerate(_needed_rows(it, signal, states)):
        stages[stage] = [matrix * needed[:, np.newaxis] for matrix in stages[stage]]
    words = [0] * (RECENT + 1)
    parts, place = [], 0
    to_middle = int(it[at.ZM] + r - it[at.BASE] - states)
    for product, matrices in enumerate([*stages, [signal]]):
        blocks = block_rows(np.any([matrix != 0.0 for matrix in matrices], axis=0))
        words[PRODUCT_WORDS * product : PRODUCT_WORDS * (product + 1)] = [len(words), len(blocks), place]
        for rows, columns in blocks:
            places = [row + (to_middle if product == BASE and row >= states else 0) for row in rows]
            words += [len(rows), len(columns), *places, *columns]
        parts.append([block_entries(blocks, matrix) for matrix in matrices])
        place += parts[-1][0].size
    size = words[GAP_ENTRIES] = place
    table = aligned(len(packs) * size)
    for gap in range(len(packs)):
        row = [part[gap % len(part)] for part in parts]
        table[gap * size : (gap + 1) * size] = np.concatenate(row)
    return np.array(words, dtype=np.int64), table


def _needed_rows(it: Ints, signal: Floats, states: int) -> list[NDArray[np.bool_]]:
    """Return which rows of the first three stages are needed.

    In the middle of a step nothing sees the states that no term, meter or peak reads; at the last stage
    nothing sees those that no term reads.
    """
    n, r = int(it[at.N]), int(it[at.R])
    read = np.zeros(int(it[at.Z_SIZE]), dtype=np.bool_)
    for count, first, width, reads in (
        (at.COULOMBS, at.COULOMB_INT, 2, 1),
        (at.WINDAGES, at.WINDAGE_INT, 2, 1),
        (at.COUPLINGS, at.COUPLING_INT, 5, 3),
        (at.RELUCTANCES, at.RELUCTANCE_INT, 3, 2),
    ):
        rows = it[it[first] : it[first] + width * it[count]].reshape(-1, width)
        read[rows[:, :reads]] = True
    if it[at.RIPPLES] + it[at.MISALIGNMENTS] > 0:  # their rows have no fixed length
        read[r : r + n] = True
    last = read[r : r + states].copy()
    powers = it[it[at.POWER_INT] : it[at.POWER_INT] + 3 * it[it[at.METER_FIRST] + it[at.METERS]]].reshape(
        -1, 3
    )
    read[powers[:, 1:]] = True
    read[it[it[at.PEAK_READ] : it[at.PEAK_READ] + it[at.PEAKS]]] = True
    middle = read[r : r + states].copy()
    middle[:n] |= np.any(signal[read[:r]] != 0.0, axis=0)
    return [np.concatenate([np.ones(states, dtype=np.bool_), middle]), middle, last]


def _matrices(ft: Floats, first: int, shapes: Sequence[tuple[int, int]]) -> list[Floats]:
    """Return matrices that lie one after the other, by columns."""
    result = []
    for rows, columns in shapes:
        result.append(ft[first : first + rows * columns].reshape(columns, rows).T)
        first += rows * columns
    return result
