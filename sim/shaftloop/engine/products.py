"""Products of the kernels, their hot spot: ``out = before + matrix·vector``, for one bench or for all lanes.

A bench that runs alone has its matrices by columns, rows padded to a multiple of four; benches in lanes have
them as blocks (`engine.laneproducts`). Both are written in LLVM terms, because compiled loops over such
small matrices reach a third of the speed. Here up to 40 rows stay in vector registers while the
product runs over the columns, with fused multiply-add. Every entry of the result is the same sum in the
same order whatever the blocking: ``fma(m[i, j], v[j], sum)`` for j = 0, 1, ...
"""

from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from shaftloop.engine import at
from shaftloop.engine.cache import helper
from shaftloop.engine.laneproducts import blocks_function, python_blocks
from shaftloop.engine.types import Floats, Ints

__all__ = ["multiply", "padded", "product"]

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


@helper
def product(
    it: Ints,
    et: Floats,
    number: int,
    gap: int,
    vector: tuple[Floats, int],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    """Do a product of a step.

    Parameters
    ----------
    it, et : ndarray
        Integers (`engine.at`) and matrices.
    number : int
        Which product: `at.FREE` and those behind it.
    gap : int
        Number of the gap length.
    vector, out : tuple of ndarray and int
        Array and first slot.
    before : tuple of ndarray and two int
        Array, first slot and mask: with a mask of -1 every row begins with a slot of its own, with 0 all
        with the first.
    """
    i = it[at.PRODUCT_INT] + 3 * number
    entry = gap * it[at.GAP_MATRIX_SIZE] + it[i + 2]
    multiply(it, it[i], it[i + 1], et, entry, vector, before, out)


def _python_multiply(
    it: Ints,
    one: int,
    two: int,
    et: Floats,
    entry: int,
    vector: tuple[Floats, int],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    """Do what `multiply` does where compilation is switched off."""
    if out[0].shape[1] > 1:
        python_blocks(it, one, two, et, entry, vector, before, out)
        return
    matrix = et[entry : entry + one * two].reshape(two, one)
    parts = vector[0][vector[1] : vector[1] + two] * matrix
    start = before[0][before[1] + (np.arange(one) & before[2]), 0]
    out[0][out[1] : out[1] + one, 0] = np.add.reduce(np.vstack([start, parts]), axis=0)


@intrinsic
def _multiply(
    _: Any, it: Any, one: Any, two: Any, et: Any, entry: Any, vector: Any, before: Any, out: Any
) -> Any:
    wide, index = out[0].width, types.int64
    signature = types.void(it, index, index, et, index, vector, before, out)

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        source, start, target = (
            builder.gep(
                builder.extract_value(pair, 0), [builder.mul(builder.extract_value(pair, 1), _WORD(wide))]
            )
            for pair in args[5:]
        )
        matrix, mask = builder.gep(args[3], [args[4]]), builder.extract_value(args[6], 2)
        if wide == 1:
            given = [matrix, args[1], source, args[2], start, mask, target]
            builder.call(_product_function(builder.module), given)
        else:
            given = [builder.gep(args[0], [args[1]]), args[2], matrix, source, start, target, mask]
            builder.call(blocks_function(builder.module), given)
        return context.get_dummy_value()

    return signature, generate


multiply = _python_multiply if numba.config.DISABLE_JIT else _multiply
"""multiply(it, one, two, et, entry, vector, before, out): as `product`, of the matrix at et[entry].

One and two are the numbers of rows and columns; in lanes the place of the blocks in it, and their number."""


def _product_function(module: ir.Module) -> ir.Function:
    """Return the function (matrix, rows, vector, columns, before, mask, out), once per module."""
    known = module.globals.get(_NAME)
    if known is not None:
        return known
    given = [_POINTER, _WORD, _POINTER, _WORD, _POINTER, _WORD, _POINTER]
    function = ir.Function(module, ir.FunctionType(ir.VoidType(), given), _NAME)
    function.linkage = "linkonce_odr"
    function.attributes.add("noinline")
    builder = ir.IRBuilder(function.append_basic_block("entry"))
    row = cgutils.alloca_once_value(builder, _WORD(0))
    for vectors in _BLOCKS:
        _emit_block(builder, row, vectors, *function.args)
    builder.ret_void()
    return function


def _vector_at(builder: ir.IRBuilder, pointer: ir.Value, place: ir.Value) -> ir.Value:
    return builder.bitcast(builder.gep(pointer, [place]), _VECTOR.as_pointer())


def _load(builder: ir.IRBuilder, pointer: ir.Value, place: ir.Value) -> ir.Value:
    value = builder.load(_vector_at(builder, pointer, place))
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
    start: ir.Value,
    mask: ir.Value,
    target: ir.Value,
) -> None:
    """Emit: while at least 4·vectors rows are left, do that many."""
    more, body, loop, column_block, store, end = (
        builder.append_basic_block(f"{name}{vectors}")
        for name in ("more", "body", "loop", "column", "store", "end")
    )
    builder.branch(more)
    builder.position_at_end(more)
    here = builder.load(row)
    after = builder.add(here, _WORD(4 * vectors))
    builder.cbranch(builder.icmp_signed("<=", after, rows), body, end)
    builder.position_at_end(body)
    places = [builder.add(here, _WORD(4 * k)) for k in range(vectors)]
    before = [_load(builder, start, builder.and_(place, mask)) for place in places]
    first = builder.gep(matrix, [here])
    builder.branch(loop)
    builder.position_at_end(loop)
    j, column = builder.phi(_WORD), builder.phi(first.type)
    sums = [builder.phi(_VECTOR) for _ in range(vectors)]
    builder.cbranch(builder.icmp_signed("<", j, columns), column_block, store)
    builder.position_at_end(column_block)
    factor = _spread(builder, builder.load(builder.gep(source, [j])))
    fma = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(_VECTOR, [_VECTOR] * 3), "llvm.fma.v4f64"
    )
    new = [builder.call(fma, [_load(builder, column, _WORD(4 * k)), factor, sums[k]]) for k in range(vectors)]
    following = builder.add(j, _WORD(1))
    entries = [(j, _WORD(0), following), (column, first, builder.gep(column, [rows]))]
    for phi, initial, value in [*entries, *zip(sums, before, new, strict=True)]:
        phi.add_incoming(initial, body)
        phi.add_incoming(value, column_block)
    builder.branch(loop)
    builder.position_at_end(store)
    for place, value in zip(places, sums, strict=True):
        builder.store(value, _vector_at(builder, target, place)).align = 8
    builder.store(after, row)
    builder.branch(more)
    builder.position_at_end(end)


def _spread(builder: ir.IRBuilder, value: ir.Value) -> ir.Value:
    """Return a vector with one value in all its places."""
    empty = ir.Constant(_VECTOR, ir.Undefined)
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), 4), [0] * 4)
    return builder.shuffle_vector(builder.insert_element(empty, value, ir.IntType(32)(0)), empty, zeros)
