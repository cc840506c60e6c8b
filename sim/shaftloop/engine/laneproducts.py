"""Products of a matrix with the vectors of all lanes; all have the same matrix, or each one of its own.

The matrix is kept as *blocks*: up to six rows that have their nonzero entries in the same columns. A block
runs over its columns with the sums of its rows and of eight lanes in vector registers. Every entry of a
result is the sum that a single run calculates (`engine.products`), ``fma(m[i, j], v[j], sum)`` for
j = 0, 1, ..., without the terms whose m is 0 for every gap: they add nothing to a finite sum.

A block is described by integers (rows, columns, row numbers, column numbers) and floats (its entries, column
by column). Where lanes differ in an entry of it, `OWN` is added to the number of rows, and each entry stands
once per lane.
"""

from collections.abc import Sequence
from itertools import groupby, product

import numpy as np
from llvmlite import ir
from numba.core import cgutils
from numpy.typing import NDArray

from shaftloop.engine.types import Floats, Ints
from shaftloop.engine.views import LANES

__all__ = ["block_rows", "blocks_function", "describe_blocks", "python_blocks"]

_MOST_ROWS = 6
OWN = 8
"""Added to the number of rows of a block whose entries every lane has for itself."""
_WIDE = 8
_FLOAT, _WORD = ir.DoubleType(), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, _WIDE)
_VECTOR_AT = _VECTOR.as_pointer()
_NAME = "shaftloop_add_blocks"

Block = tuple[tuple[int, ...], tuple[int, ...]]


def block_rows(pattern: NDArray[np.bool_], wanted: NDArray[np.bool_]) -> list[Block]:
    """Return the blocks of a matrix: (row numbers, column numbers) each.

    Parameters
    ----------
    pattern : ndarray of bool, shape (rows, columns)
        Where the matrix may differ from 0.
    wanted : ndarray of bool, shape (rows,)
        Rows whose results something reads.
    """
    order = sorted(np.flatnonzero(wanted).tolist(), key=lambda row: (pattern[row].tobytes(), row))
    blocks = []
    for _, same in groupby(order, key=lambda row: pattern[row].tobytes()):
        rows = list(same)
        columns = tuple(np.flatnonzero(pattern[rows[0]]).tolist())
        blocks += [(tuple(rows[i : i + _MOST_ROWS]), columns) for i in range(0, len(rows), _MOST_ROWS)]
    return blocks


def describe_blocks(blocks: Sequence[Block], matrices: Floats) -> tuple[list[int], Floats]:
    """Return the integers of all blocks, and their floats for every gap.

    Parameters
    ----------
    blocks : sequence
        From `block_rows`.
    matrices : ndarray, shape (lanes or 1, gaps, columns, rows)
        Of every lane and gap, transposed; of one lane where all have the same.
    """
    words: list[int] = []
    parts = [np.zeros((matrices.shape[1], 0))]
    for rows, columns in blocks:
        part = matrices[:, :, columns][..., rows]
        own = bool(np.any(part != part[0]))
        entries = np.moveaxis(part, 0, -1) if own else part[0]
        words += [len(rows) + OWN * own, len(columns), *rows, *columns]
        parts.append(entries.reshape(len(entries), -1))
    return words, np.hstack(parts)


def python_blocks(
    words: Ints,
    first: int,
    blocks: int,
    table: Floats,
    entry: int,
    vector: tuple[Floats, int],
    before: tuple[Floats, int, int],
    out: tuple[Floats, int],
) -> None:
    """Do what `blocks_function` does where compilation is switched off."""
    source, target, sums = (pair[0][pair[1] :] for pair in (vector, out, before))
    for _ in range(blocks):
        own, rows, columns = words[first] >= OWN, words[first] % OWN, words[first + 1]
        where = words[first + 2 : first + 2 + rows]
        read = words[first + 2 + rows : first + 2 + rows + columns]
        wide = LANES if own else 1
        size = rows * columns * wide
        matrix = table[entry : entry + size].reshape(columns, rows, wide)
        parts = matrix * source[read][:, np.newaxis, :]
        start = sums[where & before[2]][np.newaxis]
        target[where] = np.add.reduce(np.concatenate([start, parts]), axis=0)
        first, entry = first + 2 + rows + columns, entry + size


def blocks_function(module: ir.Module) -> ir.Function:
    """Return the function (descriptions, blocks, entries, vector, before, out, mask), once per module."""
    known = module.globals.get(_NAME)
    if known is not None:
        return known
    word_at, float_at = _WORD.as_pointer(), _FLOAT.as_pointer()
    kind = ir.FunctionType(ir.VoidType(), [word_at, _WORD, *[float_at] * 4, _WORD])
    function = ir.Function(module, kind, _NAME)
    function.linkage = "linkonce_odr"
    function.attributes.add("noinline")
    words, blocks, entries, *vectors, mask = function.args
    builder = ir.IRBuilder(function.append_basic_block("entry"))
    head, after, end = (function.append_basic_block(name) for name in ("head", "after", "end"))
    builder.cbranch(builder.icmp_signed(">", blocks, _WORD(0)), head, end)
    start = builder.block
    builder.position_at_end(head)
    number, description, entry = builder.phi(_WORD), builder.phi(word_at), builder.phi(float_at)
    kind = builder.load(description)
    rows = builder.and_(kind, _WORD(OWN - 1))
    columns = builder.load(builder.gep(description, [_WORD(1)]))
    first = builder.gep(description, [_WORD(2)])
    read = builder.gep(first, [rows])
    cases = builder.switch(kind, end)
    for count, own in product(range(1, _MOST_ROWS + 1), (0, OWN)):
        case = function.append_basic_block(f"rows{count + own}")
        cases.add_case(_WORD(count + own), case)
        builder.position_at_end(case)
        for chunk in range(0, LANES, _WIDE):
            shifted = [builder.gep(pointer, [_WORD(chunk)]) for pointer in vectors]
            here = builder.gep(entry, [_WORD(chunk if own else 0)])
            _emit_rows(builder, count + own, (first, read, columns, here), shifted, mask)
        builder.branch(after)
    builder.position_at_end(after)
    times = builder.select(builder.icmp_signed("<", kind, _WORD(OWN)), _WORD(1), _WORD(LANES))
    size = builder.mul(builder.mul(rows, columns), times)
    following = builder.add(number, _WORD(1))
    for phi, initial, value in (
        (number, _WORD(0), following),
        (description, words, builder.gep(read, [columns])),
        (entry, entries, builder.gep(entry, [size])),
    ):
        phi.add_incoming(initial, start)
        phi.add_incoming(value, after)
    builder.cbranch(builder.icmp_signed("<", following, blocks), head, end)
    builder.position_at_end(end)
    builder.ret_void()
    return function


def _lanes_at(builder: ir.IRBuilder, base: ir.Value, slot: ir.Value) -> ir.Value:
    place = builder.gep(base, [builder.mul(slot, _WORD(LANES))])
    return builder.bitcast(place, _VECTOR_AT)


def _load(builder: ir.IRBuilder, pointer: ir.Value) -> ir.Value:
    value = builder.load(pointer)
    value.align = 8
    return value


def _emit_rows(
    builder: ir.IRBuilder, kind: int, block: tuple[ir.Value, ...], vectors: list[ir.Value], mask: ir.Value
) -> None:
    """Emit the rows of a block for eight lanes."""
    own, count = divmod(kind, OWN)
    wide = LANES if own else 1
    first, read, columns, entries = block
    vector, before, out = vectors
    rows = [builder.load(builder.gep(first, [_WORD(i)])) for i in range(count)]
    initial = [_load(builder, _lanes_at(builder, before, builder.and_(row, mask))) for row in rows]
    origin = builder.block
    loop, column, end = (builder.append_basic_block(name) for name in ("columns", "column", "stored"))
    builder.branch(loop)
    builder.position_at_end(loop)
    j, entry = builder.phi(_WORD), builder.phi(entries.type)
    sums = [builder.phi(_VECTOR) for _ in rows]
    builder.cbranch(builder.icmp_signed("<", j, columns), column, end)
    builder.position_at_end(column)
    values = _load(builder, _lanes_at(builder, vector, builder.load(builder.gep(read, [j]))))
    fma = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(_VECTOR, [_VECTOR] * 3), f"llvm.fma.v{_WIDE}f64"
    )
    new = []
    for i, total in enumerate(sums):
        here = builder.gep(entry, [_WORD(i * wide)])
        if own:
            factor = _load(builder, builder.bitcast(here, _VECTOR_AT))
        else:
            factor = _spread(builder, builder.load(here))
        new.append(builder.call(fma, [factor, values, total]))
    following = builder.add(j, _WORD(1))
    phis = [(j, _WORD(0), following), (entry, entries, builder.gep(entry, [_WORD(count * wide)]))]
    for phi, start, value in [*phis, *zip(sums, initial, new, strict=True)]:
        phi.add_incoming(start, origin)
        phi.add_incoming(value, column)
    builder.branch(loop)
    builder.position_at_end(end)
    for row, value in zip(rows, sums, strict=True):
        builder.store(value, _lanes_at(builder, out, row)).align = 8


def _spread(builder: ir.IRBuilder, value: ir.Value) -> ir.Value:
    """Return a vector with one value in all its places."""
    empty = ir.Constant(_VECTOR, ir.Undefined)
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), _WIDE), [0] * _WIDE)
    return builder.shuffle_vector(builder.insert_element(empty, value, ir.IntType(32)(0)), empty, zeros)
