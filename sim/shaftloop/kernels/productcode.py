"""Products of the kernels in LLVM terms (`kernels.products`)."""

from itertools import product as pairs
from typing import Any, NamedTuple

from llvmlite import ir
from numba.core import cgutils, types

from shaftloop.kernels.blocks import FOLD, MOST_ROWS, OWN
from shaftloop.kernels.products import multiply
from shaftloop.kernels.viewcode import compiled_as
from shaftloop.kernels.views import LANES

__all__: list[str] = []

_FLOAT, _WORD, _ENTRY = ir.DoubleType(), ir.IntType(64), ir.IntType(32)


class _Form(NamedTuple):
    """How a kernel of one width does it."""

    width: int
    vector: int
    """Numbers in a vector: four rows of a bench that runs alone, or eight lanes."""

    @property
    def type(self) -> ir.VectorType:
        return ir.VectorType(_FLOAT, self.vector)


_FORMS = {1: _Form(1, FOLD[1]), LANES: _Form(LANES, 8)}


def _multiply(
    _: Any, words: Any, first: Any, blocks: Any, et: Any, entry: Any, vector: Any, before: Any, out: Any
) -> Any:
    form, index = _FORMS[out[0].width], types.int64
    signature = types.void(words, index, index, et, index, vector, before, out)

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        vectors = [
            _slot(builder, form, builder.extract_value(pair, 0), builder.extract_value(pair, 1))
            for pair in args[5:]
        ]
        description, entries = builder.gep(args[0], [args[1]]), builder.gep(args[3], [args[4]])
        mask = builder.extract_value(args[6], 2)
        builder.call(_function(builder.module, form), [description, args[2], entries, *vectors, mask])
        return context.get_dummy_value()

    return signature, generate


compiled_as(multiply, _multiply)


def _function(module: ir.Module, form: _Form) -> ir.Function:
    """Return the function (descriptions, blocks, entries, vector, before, out, mask), once per module."""
    name = f"shaftloop_add_blocks_{form.width}"
    known = module.globals.get(name)
    if known is not None:
        return known
    word_at, float_at = _WORD.as_pointer(), _FLOAT.as_pointer()
    kind = ir.FunctionType(ir.VoidType(), [word_at, _WORD, *[float_at] * 4, _WORD])
    function = ir.Function(module, kind, name)
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
    for count, own in pairs(range(1, MOST_ROWS[form.width] + 1), (0, OWN) if form.width > 1 else (0,)):
        case = function.append_basic_block(f"rows{count + own}")
        cases.add_case(_WORD(count + own), case)
        builder.position_at_end(case)
        for lane in range(0, form.width, form.vector):
            shifted = [builder.gep(pointer, [_WORD(lane)]) for pointer in vectors]
            here = builder.gep(entry, [_WORD(lane if own else 0)])
            _emit_rows(builder, form, count + own, (first, read, columns, here), shifted, mask)
        builder.branch(after)
    builder.position_at_end(after)
    times = builder.select(
        builder.icmp_signed("<", kind, _WORD(OWN)), _WORD(FOLD[form.width]), _WORD(form.width)
    )
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


def _slot(builder: ir.IRBuilder, form: _Form, base: ir.Value, slot: ir.Value) -> ir.Value:
    """Return the place of a slot."""
    return builder.gep(base, [slot if form.width == 1 else builder.mul(slot, _WORD(form.width))])


def _vector_at(builder: ir.IRBuilder, form: _Form, place: ir.Value) -> ir.Value:
    return builder.bitcast(place, form.type.as_pointer())


def _load(builder: ir.IRBuilder, form: _Form, place: ir.Value) -> ir.Value:
    value = builder.load(_vector_at(builder, form, place))
    value.align = 8
    return value


def _spread(builder: ir.IRBuilder, form: _Form, place: ir.Value) -> ir.Value:
    """Return a vector with the number at a place in all its entries."""
    empty = ir.Constant(form.type, ir.Undefined)
    zeros = ir.Constant(ir.VectorType(_ENTRY, form.vector), [0] * form.vector)
    one = builder.insert_element(empty, builder.load(place), _ENTRY(0))
    return builder.shuffle_vector(one, empty, zeros)


def _emit_rows(
    builder: ir.IRBuilder,
    form: _Form,
    kind: int,
    block: tuple[ir.Value, ...],
    vectors: list[ir.Value],
    mask: ir.Value,
) -> None:
    """Emit the rows of a block, for as many lanes as a vector holds."""
    own, count = divmod(kind, OWN)
    alone, step = form.width == 1, form.width if own else FOLD[form.width]
    first, read, columns, entries = block
    vector, before, out = vectors
    rows = [builder.load(builder.gep(first, [_WORD(i)])) for i in range(count)]
    initial = [_load(builder, form, _slot(builder, form, before, builder.and_(row, mask))) for row in rows]
    origin = builder.block
    loop, column, end = (builder.append_basic_block(name) for name in ("columns", "column", "stored"))
    builder.branch(loop)
    builder.position_at_end(loop)
    j, entry = builder.phi(_WORD), builder.phi(entries.type)
    sums = [builder.phi(form.type) for _ in rows]
    builder.cbranch(builder.icmp_signed("<", j, columns), column, end)
    builder.position_at_end(column)
    place = _slot(builder, form, vector, builder.load(builder.gep(read, [j])))
    value = (_spread if alone else _load)(builder, form, place)
    fma = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(form.type, [form.type] * 3), f"llvm.fma.v{form.vector}f64"
    )
    new = []
    for i, total in enumerate(sums):
        factor = (_load if alone or own else _spread)(builder, form, builder.gep(entry, [_WORD(i * step)]))
        new.append(builder.call(fma, [factor, value, total]))
    following = builder.add(j, _WORD(1))
    phis = [(j, _WORD(0), following), (entry, entries, builder.gep(entry, [_WORD(count * step)]))]
    for phi, start, what in [*phis, *zip(sums, initial, new, strict=True)]:
        phi.add_incoming(start, origin)
        phi.add_incoming(what, column)
    builder.branch(loop)
    builder.position_at_end(end)
    for row, total in zip(rows, sums, strict=True):
        place = _vector_at(builder, form, _slot(builder, form, out, row))
        builder.store(total, place).align = 8
