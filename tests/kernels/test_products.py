"""Products of the kernels against NumPy, for every blocking of the rows; lanes against single runs."""

import numpy as np
import pytest

from shaftloop.engine.lanetables import interleave
from shaftloop.kernels.arrays import LINE, Floats, Ints, aligned
from shaftloop.kernels.blocks import OWN, block_rows, describe_blocks
from shaftloop.kernels.decorators import kernel
from shaftloop.kernels.products import multiply, padded
from shaftloop.kernels.views import LANES, abreast, alone, words


@kernel
def _call(
    it: Ints,
    blocks: int,
    table: Floats,
    vector: Floats,
    start: int,
    before: Floats,
    place: int,
    mask: int,
    out: Floats,
    target: int,
) -> None:
    given, sums, result = (alone(vector), start), (alone(before), place, mask), (alone(out), target)
    multiply(words(it), 0, blocks, words(table), 0, given, sums, result)


def _single(matrix, *values) -> None:  # type: ignore[no-untyped-def]
    """Multiply by a matrix of a bench that runs alone."""
    rows, columns = matrix.shape
    pattern = np.any(matrix.reshape(rows // 4, 4, columns) != 0.0, axis=1)
    blocks = block_rows(pattern, np.ones(rows // 4, dtype=bool), 1)
    it, entries = describe_blocks(blocks, matrix.T[np.newaxis, np.newaxis], 1)
    _call(np.array(it, dtype=np.int64), len(blocks), entries[0].copy(), *values)


@kernel
def _lanes(
    it: Ints, blocks: int, table: Floats, vector: Floats, before: Floats, mask: int, out: Floats
) -> None:
    given, sums, result = (abreast(vector), 0), (abreast(before), 0, mask), (abreast(out), 0)
    multiply(words(it), 0, blocks, words(table), 0, given, sums, result)


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("rows", [4, 8, 12, 16, 20, 24, 28, 36, 40, 44, 60, 84])
@pytest.mark.parametrize("columns", [0, 1, 2, 7])
def test_product_equals_numpy(rows: int, columns: int, own: bool) -> None:
    """Rows begin with sums of their own, or in fours with the first four."""
    rng = np.random.default_rng(rows)
    matrix, vector, out = rng.normal(size=(rows, columns)), rng.normal(size=20), rng.normal(size=rows + 11)
    matrix[: rows // 8 * 4, 3:] = 0.0
    before = np.repeat(rng.normal(), rows + 2) if not own else rng.normal(size=rows + 2)
    expected = out.copy()
    expected[3 : 3 + rows] = before[2:] + matrix @ vector[5 : 5 + columns]
    _single(matrix, vector, 5, before, 2, -1 if own else 0, out, 3)
    assert np.allclose(out, expected, rtol=1e-14, atol=1e-14)
    untouched = np.r_[0:3, 3 + rows : rows + 11]
    assert np.array_equal(out[untouched], expected[untouched])


def test_every_row_has_the_same_sum_whatever_its_block() -> None:
    """Bits of a row must not depend on the rows around it."""
    rng = np.random.default_rng(8)
    row, vector = rng.normal(size=30), rng.normal(size=30)
    sums = set()
    for rows in (4, 8, 12, 16, 24, 40, 44, 64):
        out = np.zeros(rows)
        _single(np.tile(row, (rows, 1)), vector, 0, np.zeros(4), 0, 0, out, 0)
        sums |= set(out.tolist())
    assert len(sums) == 1


def test_blocks_group_wanted_rows_by_their_columns() -> None:
    pattern = np.zeros((11, 4), dtype=bool)
    pattern[:8, [0, 2]] = True
    pattern[8, 3] = True
    wanted = np.arange(11) != 10
    blocks = [((0, 1, 2, 3), (0, 2)), ((4, 5, 6, 7), (0, 2)), ((8,), (3,)), ((9,), ())]
    assert sorted(block_rows(pattern, wanted)) == blocks


def test_rows_of_other_columns_are_joined_where_zeros_cost_less() -> None:
    pattern = np.ones((8, 40), dtype=bool)
    pattern[0, 38:] = False
    pattern[1, 2:] = False
    alone = block_rows(pattern, np.ones(8, dtype=bool), 1)
    assert sorted(alone) == [((0, 2, 3, 4, 5, 6, 7), tuple(range(40))), ((1,), (0, 1))]


@pytest.mark.parametrize("differ", [True, False])
@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("share", [0.2, 0.6, 1.0])
@pytest.mark.parametrize(("rows", "columns"), [(4, 1), (8, 5), (16, 25), (24, 7)])
def test_every_lane_has_the_bits_of_a_single_product(
    rows: int, columns: int, share: float, own: bool, differ: bool
) -> None:
    """Rows begin with sums of their own, or all with the first; matrices are equal, or one per lane."""
    rng = np.random.default_rng(rows + columns)
    pattern = np.repeat(rng.random((4, columns)) < share, rows // 4, axis=0)
    matrices = np.where(pattern, rng.normal(size=(LANES if differ else 1, rows, columns)), 0.0)
    vectors, sums = rng.normal(size=(LANES, columns)), rng.normal(size=(LANES, rows))
    sums[:, :4] = sums[:, :4] if own else sums[:, :1]
    blocks = block_rows(pattern, np.ones(rows, dtype=bool))
    it, entries = describe_blocks(blocks, matrices[:, np.newaxis].transpose(0, 1, 3, 2))
    assert (it[0] >= OWN) == (differ and len(blocks[0][1]) > 0)
    out, mask = interleave(list(sums)), -1 if own else 0
    words, table = np.array(it, dtype=np.int64), entries[0].copy()
    _lanes(words, len(blocks), table, interleave(list(vectors)), interleave(list(sums)), mask, out)
    for lane in range(LANES):
        one = aligned(rows)
        _single(matrices[lane % len(matrices)], vectors[lane].copy(), 0, sums[lane].copy(), 0, mask, one, 0)
        assert np.array_equal(out.reshape(-1, LANES)[:, lane], one)


def test_rows_are_padded_to_four() -> None:
    assert [padded(rows) for rows in (1, 4, 5, 25)] == [4, 4, 8, 28]


def test_arrays_start_at_a_cache_line() -> None:
    for count in (1, 7, 8, 100):
        array = aligned(count)
        assert array.size == count and not array.any()
        assert array.ctypes.data % (8 * LINE) == 0
