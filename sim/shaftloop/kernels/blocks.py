"""Matrices of a step as blocks of rows, which the kernels' products run through (`kernels.products`).

A *block* is a number of rows that have their nonzero entries in the same columns; entries that are 0 for
every gap are left out, which changes no finite sum, as are rows that nothing reads. For benches in lanes a
row is a row; a bench that runs alone has its rows in fours, one vector each, and joins fours whose columns
differ where the zeros cost less than another block.

A block is described by integers (rows, columns, first slot of each row, column numbers) and floats (its
entries, column by column). Where lanes differ in an entry of it, `OWN` is added to the number of rows, and
each entry stands once per lane.
"""

from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations, groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from shaftloop.kernels.arrays import LINE, Floats, Ints, aligned
from shaftloop.kernels.views import LANES

__all__ = ["FOLD", "MOST_ROWS", "OWN", "as_blocks", "block_rows", "describe_blocks"]

MOST_ROWS = {1: 10, LANES: 6}
"""Rows of a block by the width of a kernel: sums of which the registers of a processor hold all."""
OWN = 16
"""Added to the number of rows of a block whose entries every lane has for itself."""
FOLD = {1: 4, LANES: 1}
"""Rows of a matrix in a row of a block, by the width of a kernel: the entries of a vector."""
COLUMNS = {1: 2, LANES: 1}
"""Columns that a product takes at a time, by the width of a kernel."""
_BESIDE, _START = 2, 16
"""Cost of a column beside its entries, and of a block, in entries that a bench that runs alone multiplies."""

Block = tuple[tuple[int, ...], tuple[int, ...]]
Shape = tuple[int, int, int]
"""Rows, columns and first entry of a matrix in a pack."""


def block_rows(pattern: NDArray[np.bool_], wanted: NDArray[np.bool_], width: int = LANES) -> list[Block]:
    """Return the blocks of a matrix: (row numbers, column numbers) each.

    Parameters
    ----------
    pattern : ndarray of bool, shape (rows, columns)
        Where the matrix may differ from 0.
    wanted : ndarray of bool, shape (rows,)
        Rows whose results something reads.
    width : int
        Of the kernel: 1 or `LANES`.
    """
    return list(_blocks(pattern.tobytes(), pattern.shape, wanted.tobytes(), width))


@lru_cache(maxsize=128)
def _blocks(entries: bytes, shape: tuple[int, ...], read: bytes, width: int) -> tuple[Block, ...]:
    """Return the same, which is kept: benches of a study differ in numbers only."""
    pattern, wanted = np.frombuffer(entries, np.bool_).reshape(shape), np.frombuffer(read, np.bool_)
    order = sorted(np.flatnonzero(wanted).tolist(), key=lambda row: (pattern[row].tobytes(), row))
    groups = [list(rows) for _, rows in groupby(order, key=lambda row: pattern[row].tobytes())]
    if width == 1:
        groups = _joined(pattern, groups)
    blocks = []
    for rows in groups:
        columns = tuple(np.flatnonzero(np.any(pattern[rows], axis=0)).tolist())
        parts = -(-len(rows) // MOST_ROWS[width])
        ends = [len(rows) * k // parts for k in range(parts + 1)]
        blocks += [(tuple(rows[a:b]), columns) for a, b in pairwise(ends)]
    return tuple(blocks)


def _joined(pattern: NDArray[np.bool_], groups: list[list[int]]) -> list[list[int]]:
    """Return groups of rows, joined where zeros cost less than another run over the columns."""

    def cost(rows: list[int]) -> int:
        return int(np.any(pattern[rows], axis=0).sum()) * (len(rows) + _BESIDE) + _START

    while len(groups) > 1:
        pairs = [(cost(a) + cost(b) - cost(a + b), a, b) for a, b in combinations(groups, 2)]
        gain, a, b = max(pairs, key=lambda pair: pair[0])
        if gain <= 0:
            break
        groups = [*(rows for rows in groups if rows not in (a, b)), sorted(a + b)]
    return groups


def describe_blocks(
    blocks: Sequence[Block], matrices: Floats, width: int = LANES
) -> tuple[list[int], Floats]:
    """Return the integers of all blocks, and their floats for every gap.

    Parameters
    ----------
    blocks : sequence
        From `block_rows`.
    matrices : ndarray, shape (lanes or 1, gaps, columns, rows)
        Of every lane and gap, transposed; of one lane where all have the same.
    width : int
        Of the kernel: 1 or `LANES`.
    """
    words, fold, step = list[int](), FOLD[width], COLUMNS[width]
    filled = np.pad(matrices, [(0, 0), (0, 0), (0, 1), (0, 0)])  # behind the last column zeros
    parts = [np.zeros((matrices.shape[1], 0))]
    for rows, columns in blocks:
        halves = [[column for column in columns if column % 2 == odd] for odd in (0, 1)]
        spare = [half[: -len(half) % step] for half in halves]
        read = [column for each in zip(halves, spare, strict=True) for part in each for column in part]
        taken = [*halves[0], *[-1] * len(spare[0]), *halves[1], *[-1] * len(spare[1])]
        even = len(halves[0]) + len(spare[0])
        places = [fold * row + k for row in rows for k in range(fold)]
        part = filled[:, :, taken][..., places]
        own = bool(np.any(part != part[0]))
        entries = np.moveaxis(part, 0, -1) if own else part[0]
        words += [len(rows) + OWN * own, len(read), even, *(fold * row for row in rows), *read]
        parts.append(entries.reshape(len(entries), -1))
    return words, np.hstack(parts)


def as_blocks(
    packs: Floats, shapes: Sequence[Shape], wanted: Sequence[NDArray[np.bool_]], width: int
) -> tuple[Ints, Floats]:
    """Return what a product takes: the integers and the entries of all matrices.

    The integers are the entries of a gap, then (first block, blocks, first entry in a gap) of each matrix,
    then the blocks.

    Parameters
    ----------
    packs : ndarray, shape (lanes or 1, gaps, entries)
        Dense matrices one after the other, by columns.
    shapes : sequence
        Of the matrices in a pack.
    wanted : sequence of ndarray of bool
        Which rows of each something reads.
    width : int
        Of the kernel: 1 or `LANES`.
    """
    fold = FOLD[width]
    head, words, parts, place = [0], list[int](), list[Floats](), 0
    for (rows, columns, first), read in zip(shapes, wanted, strict=True):
        matrices = packs[:, :, first : first + rows * columns].reshape(*packs.shape[:2], columns, rows)
        nonzero = np.any(matrices != 0.0, axis=(0, 1)).T.reshape(rows // fold, fold, columns)
        blocks = block_rows(np.any(nonzero, axis=1), np.any(read[:rows].reshape(-1, fold), axis=1), width)
        head += [1 + 3 * len(shapes) + len(words), len(blocks), place]
        described, entries = describe_blocks(blocks, matrices, width)
        words += described
        parts.append(entries)
        place += entries.shape[1]
    head[0] = place + -place % LINE
    flat = aligned(packs.shape[1] * head[0])
    np.concatenate(parts, axis=1, out=flat.reshape(packs.shape[1], -1)[:, :place])
    return np.array(head + words, dtype=np.int64), flat
