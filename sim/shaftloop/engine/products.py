"""Matrix-vector products of the kernels.

Matrices lie by columns in the float table, rows padded to a multiple of four, so that the inner loop runs
over rows and vectorises without any change in the order of additions: the same bits for one run and
for lanes. Indices are unsigned, because a signed one costs a test for a negative index in every access.
"""

import numpy as np

from shaftloop.engine.cache import helper
from shaftloop.engine.types import Floats

__all__ = ["add_product", "padded"]


@helper
def padded(rows: int) -> int:
    """Return a number of rows rounded up to a multiple of four."""
    return (rows + 3) // 4 * 4


@helper
def add_product(
    table: Floats, first: int, rows: int, vector: Floats, start: int, columns: int, out: Floats, place: int
) -> None:
    """Add matrix·vector to `rows` entries of `out`.

    Parameters
    ----------
    table : ndarray
        Holds the matrix from `first`, column by column.
    first, rows, columns : int
        Place and shape.
    vector : ndarray
        Holds the vector from `start`.
    start : int
        See `vector`.
    out : ndarray
        Sum, changed in place from `place` on.
    place : int
        See `out`.
    """
    height, to = np.uint64(rows), np.uint64(place)
    c0 = np.uint64(first)
    whole = columns - columns % 4
    for j in range(0, whole, 4):
        v0, v1, v2, v3 = vector[start + j], vector[start + j + 1], vector[start + j + 2], vector[start + j + 3]
        c1 = c0 + height
        c2 = c1 + height
        c3 = c2 + height
        for i in range(height):
            near = (out[to + i] + table[c0 + i] * v0) + table[c1 + i] * v1
            out[to + i] = (near + table[c2 + i] * v2) + table[c3 + i] * v3
        c0 = c3 + height
    for j in range(whole, columns):
        v0 = vector[start + j]
        for i in range(height):
            out[to + i] += table[c0 + i] * v0
        c0 = c0 + height
