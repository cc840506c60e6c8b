"""The hand-laid product against NumPy, for every blocking of the rows."""

import numpy as np
import pytest

from shaftloop.engine.products import _python_product, add_product, padded
from shaftloop.engine.types import LINE, aligned


@pytest.mark.parametrize("rows", [4, 8, 12, 16, 20, 24, 28, 36, 40, 44, 60, 84])
@pytest.mark.parametrize("columns", [0, 1, 2, 7])
def test_product_equals_numpy(rows: int, columns: int) -> None:
    rng = np.random.default_rng(rows)
    table, vector, out = rng.normal(size=9 + rows * columns), rng.normal(size=20), rng.normal(size=rows + 11)
    expected = out.copy()
    expected[3 : 3 + rows] += table[9:].reshape(columns, rows).T @ vector[5 : 5 + columns]
    twin = out.copy()
    add_product(table, 9, rows, vector, 5, columns, out, 3)
    _python_product(table, 9, rows, vector, 5, columns, twin, 3)
    assert np.allclose(out, expected, rtol=1e-14, atol=1e-14)
    assert np.allclose(twin, expected, rtol=1e-14, atol=1e-14)
    untouched = np.r_[0:3, 3 + rows : rows + 11]
    assert np.array_equal(out[untouched], expected[untouched])


def test_every_row_has_the_same_sum_whatever_its_block() -> None:
    """Bits of a row must not depend on the rows around it."""
    rng = np.random.default_rng(8)
    row, vector = rng.normal(size=30), rng.normal(size=30)
    sums = set()
    for rows in (4, 8, 12, 16, 24, 40, 44, 64):
        table, out = np.repeat(row, rows), np.zeros(rows)
        add_product(table, 0, rows, vector, 0, 30, out, 0)
        sums |= set(out.tolist())
    assert len(sums) == 1


def test_rows_are_padded_to_four() -> None:
    assert [padded(rows) for rows in (1, 4, 5, 25)] == [4, 4, 8, 28]


def test_arrays_start_at_a_cache_line() -> None:
    for count in (1, 7, 8, 100):
        array = aligned(count)
        assert array.size == count and not array.any()
        assert array.ctypes.data % (8 * LINE) == 0
