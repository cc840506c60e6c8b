"""Products of the kernels in LLVM terms (`kernels.products`)."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from llvmlite import ir
from numba.core import cgutils, types

from shaftloop.kernels.blocks import COLUMNS, FOLD, MOST_ROWS, OWN
from shaftloop.kernels.products import multiply
from shaftloop.kernels.viewcode import compiled_as
from shaftloop.kernels.views import LANES

__all__: list[str] = []

_FLOAT, _WORD, _ENTRY = ir.DoubleType(), ir.IntType(64), ir.IntType(32)
_WORDS, _FLOATS, _HEAD = _WORD.as_pointer(), _FLOAT.as_pointer(), 3
"""A block begins with its rows, its columns, and how many of these have even numbers."""


class _Form(NamedTuple):
    """How a kernel of one width does it."""

    width: int
    vector: int
    """Numbers in a vector: four rows of a bench that runs alone, or eight lanes."""


_FORMS = {1: _Form(1, FOLD[1]), LANES: _Form(LANES, 8)}


def _multiply(
    _: Any, words: Any, first: Any, blocks: Any, et: Any, entry: Any, vector: Any, before: Any, out: Any
) -> Any:
    form, index = _FORMS[out[0].width], types.int64
    signature = types.void(words, index, index, et, index, vector, before, out)

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        changed = len(vector) > 2
        vectors = [
            _slot(builder, form, builder.extract_value(given, 0), builder.extract_value(given, i))
            for given, i in [*((given, 1) for given in args[5:]), (args[5], 2 if changed else 1)]
        ]
        description, entries = builder.gep(args[0], [args[1]]), builder.gep(args[3], [args[4]])
        mask = builder.extract_value(args[6], 2)
        kinds = _blocks(builder.module, form, changed)
        start = builder.block
        head, end = (builder.append_basic_block(name) for name in ("blocks", "multiplied"))
        builder.cbranch(builder.icmp_signed(">", args[2], _WORD(0)), head, end)
        builder.position_at_end(head)
        number, *place = builder.phi(_WORD), builder.phi(_WORDS), builder.phi(_FLOATS)
        function = builder.load(builder.gep(kinds, [_WORD(0), builder.load(place[0])]))
        behind = builder.call(function, [*place, *vectors, mask])
        following = builder.add(number, _WORD(1))
        initial = _WORD(0), description, entries
        new = following, builder.extract_value(behind, 0), builder.extract_value(behind, 1)
        for phi, first_value, value in zip((number, *place), initial, new, strict=True):
            phi.add_incoming(first_value, start)
            phi.add_incoming(value, head)
        builder.cbranch(builder.icmp_signed("<", following, args[2]), head, end)
        builder.position_at_end(end)
        return context.get_dummy_value()

    return signature, generate


compiled_as(multiply, _multiply)


def _blocks(module: ir.Module, form: _Form, changed: bool) -> ir.GlobalVariable:
    """Return the table of the functions of every kind of block.

    Only where it is for what has `changed` they take something away from the vector.
    """
    name = f"shaftloop_add_{'changes' if changed else 'blocks'}_{form.width}"
    known = module.globals.get(name)
    if known is not None:
        return known
    own = (0, OWN) if form.width > 1 else (0,)
    kinds = [first + count for first in own for count in range(1, MOST_ROWS[form.width] + 1)]
    made = {kind: _block(module, form, kind, changed, f"{name}_{kind}") for kind in kinds}
    pointer = made[1].type
    entries = [made.get(kind, ir.Constant(pointer, None)) for kind in range(max(kinds) + 1)]
    table = ir.GlobalVariable(module, ir.ArrayType(pointer, len(entries)), name)
    table.initializer = ir.Constant(table.value_type, entries)
    table.linkage, table.global_constant = "linkonce_odr", True
    return table


def _block(module: ir.Module, form: _Form, kind: int, changed: bool, name: str) -> ir.Function:
    """Return the function (description, entries, vector, before, out, less, mask) of a kind of block.

    It returns where the next block and its entries are.
    """
    result = ir.LiteralStructType([_WORDS, _FLOATS])
    function = ir.Function(module, ir.FunctionType(result, [_WORDS, *[_FLOATS] * 5, _WORD]), name)
    function.linkage = "linkonce_odr"
    function.attributes.add("noinline")
    description, entries, *vectors, mask = function.args
    builder = ir.IRBuilder(function.append_basic_block("entry"))
    columns, even = (builder.load(builder.gep(description, [_WORD(i)])) for i in (1, 2))
    own, count = divmod(kind, OWN)
    first = builder.gep(description, [_WORD(_HEAD)])
    read = builder.gep(first, [_WORD(count)])
    behind = entries
    for lane in range(0, form.width, form.vector):
        shifted = [builder.gep(pointer, [_WORD(lane)]) for pointer in vectors]
        here = builder.gep(entries, [_WORD(lane if own else 0)])
        shifted = shifted if changed else shifted[:3]
        behind = _emit_rows(builder, form, kind, (first, read, even, columns, here), shifted, mask)
    behind = builder.gep(behind, [_WORD(form.vector - form.width if own else 0)])
    there = builder.insert_value(ir.Constant(result, ir.Undefined), builder.gep(read, [columns]), 0)
    builder.ret(builder.insert_value(there, behind, 1))
    return function


def _slot(builder: ir.IRBuilder, form: _Form, base: ir.Value, slot: ir.Value) -> ir.Value:
    """Return the place of a slot."""
    return builder.gep(base, [slot if form.width == 1 else builder.mul(slot, _WORD(form.width))])


def _vector_at(builder: ir.IRBuilder, place: ir.Value, size: int) -> ir.Value:
    return builder.bitcast(place, ir.VectorType(_FLOAT, size).as_pointer())


def _load(builder: ir.IRBuilder, place: ir.Value, size: int) -> ir.Value:
    value = builder.load(_vector_at(builder, place, size))
    value.align = 8
    return value


def _spread(builder: ir.IRBuilder, number: ir.Value, size: int) -> ir.Value:
    """Return a vector with a number in all its entries."""
    empty = ir.Constant(ir.VectorType(_FLOAT, size), ir.Undefined)
    one = builder.insert_element(empty, number, _ENTRY(0))
    return _shuffled(builder, one, empty, [0] * size)


def _shuffled(builder: ir.IRBuilder, one: ir.Value, other: ir.Value, chosen: Sequence[int]) -> ir.Value:
    """Return chosen entries of two vectors."""
    kind = ir.VectorType(_ENTRY, len(chosen))
    return builder.shuffle_vector(one, other, ir.Constant(kind, list(chosen)))


def _emit_rows(
    builder: ir.IRBuilder,
    form: _Form,
    kind: int,
    block: tuple[ir.Value, ...],
    vectors: list[ir.Value],
    mask: ir.Value,
) -> ir.Value:
    """Emit the rows of a block, for as many lanes as a vector holds; return where its entries end.

    Of a bench that runs alone two rows of four go together, for processors with vectors of eight.
    """
    first, read, even, columns, entries = block
    _, before, out, *_ = vectors
    rows = [builder.load(builder.gep(first, [_WORD(i)])) for i in range(kind % OWN)]
    begin = [
        _load(builder, _slot(builder, form, before, builder.and_(row, mask)), form.vector) for row in rows
    ]
    if form.width == 1:
        whole = range(2 * form.vector)
        joined = [_shuffled(builder, begin[i], begin[i + 1], whole) for i in range(0, len(rows) - 1, 2)]
        begin = joined + begin[2 * len(joined) :]
    nothing = [ir.Constant(each.type, [0.0] * each.type.count) for each in begin]
    *place, sums = _emit_columns(builder, form, kind, (read, even), vectors, (_WORD(0), entries, begin))
    _, end, odd = _emit_columns(builder, form, kind, (read, columns), vectors, (*place, nothing))
    results = []
    for one, other in zip(sums, odd, strict=True):
        total = builder.fadd(one, other)
        parts = range(0, total.type.count, form.vector)
        results += [_shuffled(builder, total, total, range(i, i + form.vector)) for i in parts]
    for row, result in zip(rows, results, strict=True):
        place = _vector_at(builder, _slot(builder, form, out, row), form.vector)
        builder.store(result, place).align = 8
    return end


def _emit_columns(
    builder: ir.IRBuilder,
    form: _Form,
    kind: int,
    until: tuple[ir.Value, ir.Value],
    vectors: list[ir.Value],
    begin: tuple[ir.Value, ir.Value, list[ir.Value]],
) -> tuple[ir.Value, ir.Value, list[ir.Value]]:
    """Emit a loop over columns, from one, its entries and sums on; return these as they are behind it."""
    (read, columns), (first, entries, initial) = until, begin
    origin = builder.block
    loop, column, end = (builder.append_basic_block(name) for name in ("columns", "column", "stored"))
    builder.branch(loop)
    builder.position_at_end(loop)
    j, entry = builder.phi(_WORD), builder.phi(entries.type)
    sums = [builder.phi(each.type) for each in initial]
    builder.cbranch(builder.icmp_signed("<", j, columns), column, end)
    builder.position_at_end(column)
    new, following, behind = list(sums), j, entry
    for _ in range(COLUMNS[form.width]):
        slot = builder.load(builder.gep(read, [following]))
        behind = _emit_column(builder, form, kind, slot, vectors, behind, new)
        following = builder.add(following, _WORD(1))
    phis = [(j, first, following), (entry, entries, behind)]
    for phi, start, what in [*phis, *zip(sums, initial, new, strict=True)]:
        phi.add_incoming(start, origin)
        phi.add_incoming(what, column)
    builder.branch(loop)
    builder.position_at_end(end)
    return j, entry, sums


def _emit_column(
    builder: ir.IRBuilder,
    form: _Form,
    kind: int,
    slot: ir.Value,
    vectors: list[ir.Value],
    entry: ir.Value,
    sums: list[ir.Value],
) -> ir.Value:
    """Emit what a column adds to sums, which are replaced; return where the entries of the next one are."""
    own, alone = kind >= OWN, form.width == 1
    step = form.width if own else FOLD[form.width]
    vector, _, _, *less = vectors
    places = [_slot(builder, form, base, slot) for base in (vector, *less)]
    value, *taken = (builder.load(at) if alone else _load(builder, at, form.vector) for at in places)
    for other in taken:
        value = builder.fsub(value, other)
    for i, total in enumerate(sums):
        size = total.type.count
        factor = _load(builder, entry, size) if alone or own else _spread(builder, builder.load(entry), size)
        fma = cgutils.get_or_insert_function(
            builder.module, ir.FunctionType(total.type, [total.type] * 3), f"llvm.fma.v{size}f64"
        )
        sums[i] = builder.call(fma, [factor, _spread(builder, value, size) if alone else value, total])
        entry = builder.gep(entry, [_WORD(size if alone else step)])
    return entry
