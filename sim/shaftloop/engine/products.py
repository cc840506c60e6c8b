"""Matrix-vector products of the kernels: the hot spot of every run.

Matrices lie by columns in the float table, rows padded to a multiple of four. The product is written in
LLVM terms, because compiled loops over such small matrices reach a third of its speed: it keeps up to
40 rows in vector registers while it runs over the columns, with fused multiply-add. Every entry of the
result is the same sum in the same order whatever the blocking: ``fma(m[i, j], v[j], sum)`` for
j = 0, 1, ...
"""

from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from shaftloop.engine.cache import helper
from shaftloop.engine.types import Floats

__all__ = ["add_product", "padded"]

_FLOAT, _WORD = ir.DoubleType(), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, 4)
_POINTER = _FLOAT.as_pointer()
_NAME = "shaftloop_multiply_add"
_BLOCKS = (10, 6, 4, 3, 2, 1)
"""Numbers of vectors of four rows that are done at once."""


@helper
def padded(rows: int) -> int:
    """Return a number of rows rounded up to a multiple of four."""
    return (rows + 3) // 4 * 4


def _python_product(
    table: Floats, first: int, rows: int, vector: Floats, start: int, columns: int, out: Floats, place: int
) -> None:
    """Do what `add_product` does where compilation is switched off."""
    matrix = table[first : first + rows * columns].reshape(columns, rows)
    sums, parts = out[place : place + rows], vector[start : start + columns, np.newaxis] * matrix
    sums[:] = np.add.reduce(np.vstack([sums, parts]), axis=0)


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
        Place and shape; `rows` is a multiple of four.
    vector : ndarray
        Holds the vector from `start`.
    start : int
        See `vector`.
    out : ndarray
        Sum, changed in place from `place` on.
    place : int
        See `out`.
    """
    if columns > 0:
        _multiply_add(table, first, rows, vector, start, columns, out, place)


@intrinsic
def _multiply_add(
    _: Any, table: Any, first: Any, rows: Any, vector: Any, start: Any, columns: Any, out: Any, place: Any
) -> Any:
    index = types.int64
    signature = types.void(table, index, index, vector, index, index, out, index)

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        matrix, source, target = (
            builder.gep(context.make_array(sig.args[i])(context, builder, args[i]).data, [args[offset]])
            for i, offset in ((0, 1), (3, 4), (6, 7))
        )
        builder.call(_product_function(builder.module), [matrix, args[2], source, args[5], target])
        return context.get_dummy_value()

    return signature, generate


def _product_function(module: ir.Module) -> ir.Function:
    """Return the function (matrix, rows, vector, columns, sums), once per module; pointers pass cheaply."""
    known = module.globals.get(_NAME)
    if known is not None:
        return known
    kind = ir.FunctionType(ir.VoidType(), [_POINTER, _WORD, _POINTER, _WORD, _POINTER])
    function = ir.Function(module, kind, _NAME)
    function.linkage = "linkonce_odr"
    function.attributes.add("noinline")
    builder = ir.IRBuilder(function.append_basic_block("entry"))
    row = cgutils.alloca_once_value(builder, _WORD(0))
    for vectors in _BLOCKS:
        _emit_block(builder, row, vectors, *function.args)
    builder.ret_void()
    return function


def _load(builder: ir.IRBuilder, pointer: ir.Value, k: int) -> ir.Value:
    place = builder.bitcast(builder.gep(pointer, [_WORD(4 * k)]), _VECTOR.as_pointer())
    value = builder.load(place)
    value.align = 8
    return value


def _emit_block(
    builder: ir.IRBuilder,
    row: ir.Value,
    vectors: int,
    matrix: ir.Value,
    rows: ir.Value,
    source: ir.Value,
    columns: ir.Value,
    target: ir.Value,
) -> None:
    """Emit: while at least 4·vectors rows are left, do that many."""
    more, body, loop, store, end = (
        builder.append_basic_block(f"{name}{vectors}") for name in ("more", "body", "loop", "store", "end")
    )
    builder.branch(more)
    builder.position_at_end(more)
    here = builder.load(row)
    after = builder.add(here, _WORD(4 * vectors))
    builder.cbranch(builder.icmp_signed("<=", after, rows), body, end)
    builder.position_at_end(body)
    sums_at = builder.gep(target, [here])
    before = [_load(builder, sums_at, k) for k in range(vectors)]
    first = builder.gep(matrix, [here])
    builder.branch(loop)
    builder.position_at_end(loop)
    j, column = builder.phi(_WORD), builder.phi(first.type)
    sums = [builder.phi(_VECTOR) for _ in range(vectors)]
    factor = _spread(builder, builder.load(builder.gep(source, [j])))
    fma = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(_VECTOR, [_VECTOR] * 3), "llvm.fma.v4f64"
    )
    new = [builder.call(fma, [_load(builder, column, k), factor, sums[k]]) for k in range(vectors)]
    following = builder.add(j, _WORD(1))
    entries = [(j, _WORD(0), following), (column, first, builder.gep(column, [rows]))]
    for phi, initial, value in [*entries, *zip(sums, before, new, strict=True)]:
        phi.add_incoming(initial, body)
        phi.add_incoming(value, loop)
    builder.cbranch(builder.icmp_signed("<", following, columns), loop, store)
    builder.position_at_end(store)
    for k, value in enumerate(new):
        place = builder.bitcast(builder.gep(sums_at, [_WORD(4 * k)]), _VECTOR.as_pointer())
        builder.store(value, place).align = 8
    builder.store(after, row)
    builder.branch(more)
    builder.position_at_end(end)


def _spread(builder: ir.IRBuilder, value: ir.Value) -> ir.Value:
    """Return a vector with one value in all its places."""
    empty = ir.Constant(_VECTOR, ir.Undefined)
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), 4), [0] * 4)
    return builder.shuffle_vector(builder.insert_element(empty, value, ir.IntType(32)(0)), empty, zeros)


if numba.config.DISABLE_JIT:
    add_product = _python_product
