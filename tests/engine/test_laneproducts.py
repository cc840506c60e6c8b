"""Products over lanes: the same sums as in a single run, whatever the blocks."""

import numpy as np
import pytest

from shaftloop.engine.laneproducts import add_blocks, block_entries, block_rows
from shaftloop.engine.lanetables import interleave
from shaftloop.engine.laneviews import LANES
from shaftloop.engine.products import add_product
from shaftloop.engine.types import aligned

from shaftloop.engine.cache import kernel  # isort: skip


@kernel
def _call(words, blocks, table, vector, before, mask, out):  # type: ignore[no-untyped-def]
    add_blocks(words, 0, blocks, table, 0, (vector, 0), (before, 0, mask), (out, 0))


@kernel
def _single(table, rows, vector, columns, out):  # type: ignore[no-untyped-def]
    add_product(table, 0, rows, vector, 0, columns, out, 0)


def test_blocks_group_rows_by_their_columns() -> None:
    pattern = np.zeros((10, 4), dtype=bool)
    pattern[:8, [0, 2]] = True
    pattern[8, 3] = True
    assert sorted(block_rows(pattern)) == [((0, 1, 2, 3, 4, 5), (0, 2)), ((6, 7), (0, 2)), ((8,), (3,))]


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("share", [0.2, 0.6, 1.0])
@pytest.mark.parametrize(("rows", "columns"), [(4, 1), (8, 5), (16, 25), (24, 7)])
def test_every_lane_has_the_bits_of_a_single_product(
    rows: int, columns: int, share: float, own: bool
) -> None:
    """Rows begin with sums of their own, or all with the first."""
    rng = np.random.default_rng(rows + columns)
    pattern = np.repeat(rng.random((4, columns)) < share, rows // 4, axis=0)
    matrix = np.where(pattern, rng.normal(size=(rows, columns)), 0.0)
    vectors, sums = rng.normal(size=(LANES, columns)), rng.normal(size=(LANES, rows))
    blocks = block_rows(pattern)
    words = [v for r, c in blocks for v in (len(r), len(c), *r, *c)]
    out = interleave(list(sums))
    _call(
        np.array(words, dtype=np.int64),
        len(blocks),
        block_entries(blocks, matrix),
        interleave(list(vectors)),
        interleave(list(sums)),
        -1 if own else 0,
        out,
    )
    for lane in range(LANES):
        one, table = aligned(rows), aligned(rows * columns)
        shared = pattern.any(axis=1) & (not own)
        one[:], table[:] = np.where(shared, sums[lane][0], sums[lane]), matrix.T.ravel()
        _single(table, rows, vectors[lane].copy(), columns, one)
        assert np.array_equal(out.reshape(-1, LANES)[:, lane], one)
