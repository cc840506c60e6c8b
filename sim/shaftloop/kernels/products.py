"""Products of the kernels, their hot spot: ``out = before + matrix·vector``, for one bench or for all lanes.

The matrix is kept as blocks of rows (`kernels.blocks`), and a block runs over its columns with all of its
sums in vector registers. They are written in LLVM terms (`kernels.productcode`), because compiled loops over
such small matrices reach a third of the speed. Every entry of the result is the same two sums in the same
order whatever the blocks and the width: ``fma(m[i, j], v[j], sum)`` for j = 0, 2, ..., which begins with what
was before, and for j = 1, 3, ... Two, because a bench that runs alone has few rows, and waits for each.
"""

from typing import Any

import numpy as np

from shaftloop.kernels.arrays import Floats, Ints, Products
from shaftloop.kernels.blocks import FOLD, OWN
from shaftloop.kernels.decorators import helper
from shaftloop.kernels.views import LANES

__all__ = ["multiply", "padded", "product"]


@helper
def padded(rows: int) -> int:
    """Return a number of rows rounded up to a multiple of four."""
    return (rows + 3) // 4 * 4


@helper
def product(
    et: Products,
    number: int,
    gap: int,
    vector: tuple[Any, ...],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    """Do a product of a step.

    Parameters
    ----------
    et : tuple of ndarray
        Entries and blocks of the matrices.
    number : int
        Which product: `at.FREE` and those behind it.
    gap : int
        Number of the gap length.
    vector, out : tuple of ndarray and int
        Array and first slot; a second slot of a vector is where that begins what is taken away from it.
    before : tuple of ndarray and two int
        Array, first slot and mask: with a mask of -1 every row begins with a slot of its own, with 0 all
        with the first.
    """
    entries, words = et
    i = 1 + 3 * number
    multiply(words, words[i], words[i + 1], entries, gap * words[0] + words[i + 2], vector, before, out)


def multiply(
    words: Ints,
    first: int,
    blocks: int,
    table: Floats,
    entry: int,
    vector: tuple[Any, ...],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    """Do as `product`; the blocks begin at words[first], their entries at table[entry]."""
    source, target, sums = (pair[0][pair[1] :] for pair in (vector, out, before))
    less = vector[0][vector[2] :] if len(vector) > 2 else np.zeros_like(source)
    words, table, fold = words.ravel(), table.ravel(), FOLD[target.shape[1]]
    for _ in range(blocks):
        own, rows, columns = words[first] >= OWN, words[first] % OWN, words[first + 1]
        even, where = words[first + 2], words[first + 3 : first + 3 + rows]
        read = words[first + 3 + rows : first + 3 + rows + columns]
        where = (where[:, np.newaxis] + np.arange(fold)).ravel()
        wide = LANES if own else 1
        size = len(where) * columns * wide
        matrix = table[entry : entry + size].reshape(columns, len(where), wide)
        parts = matrix * (source[read] - less[read])[:, np.newaxis, :]
        start = sums[where & before[2]][np.newaxis]
        target[where] = np.add.reduce(np.concatenate([start, parts[:even]]), axis=0)
        target[where] += np.add.reduce(parts[even:], axis=0)
        first, entry = first + 3 + rows + columns, entry + size
