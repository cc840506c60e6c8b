"""What views mean in a kernel: pointers, and loops over lanes in LLVM terms (`kernels.views`)."""

from collections.abc import Callable
from operator import getitem, setitem
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.datamodel.models import PrimitiveModel
from numba.core.datamodel.registry import register_default
from numba.core.imputils import lower_builtin
from numba.core.typing.templates import (
    AbstractTemplate,
    infer,
    infer_global,
    make_intrinsic_template,
    signature,
)

from shaftloop.kernels import views
from shaftloop.kernels.views import LANES

__all__ = ["View", "compiled_as"]

_WORD = ir.IntType(64)


def compiled_as(function: Callable[..., Any], definition: Callable[..., Any]) -> None:
    """Let a function mean in kernels what a definition in numba's terms says, as of an intrinsic."""
    template = make_intrinsic_template(function, definition, function.__name__)
    infer(template)
    infer_global(function, types.Function(template))


class View(types.Type):
    """Pointer to the slots of an array of lanes."""

    def __init__(self, dtype: Any, width: int, constant: bool) -> None:
        self.dtype, self.width, self.constant = dtype, width, constant
        super().__init__(f"View({dtype}, {width}, {constant})")


@register_default(View)
class _ViewModel(PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, view: View) -> None:
        entry = ir.DoubleType() if isinstance(view.dtype, types.Float) else _WORD
        super().__init__(manager, view, entry.as_pointer())


@infer_global(getitem)
class _Get(AbstractTemplate):  # type: ignore[misc]
    def generic(self, args: Any, _: Any) -> Any:
        view, index = args
        if isinstance(view, View) and isinstance(index, types.Integer):
            return signature(view.dtype, view, types.int64)
        return None


@infer_global(setitem)
class _Set(AbstractTemplate):  # type: ignore[misc]
    def generic(self, args: Any, _: Any) -> Any:
        view, index, _ = args
        if isinstance(view, View) and not view.constant and isinstance(index, types.Integer):
            return signature(types.none, view, types.int64, view.dtype)
        return None


def _place(builder: Any, view: View, pointer: ir.Value, index: ir.Value) -> ir.Value:
    return builder.gep(pointer, [builder.mul(index, _WORD(view.width))], inbounds=True)


@lower_builtin(getitem, View, types.Integer)
def _get(_: Any, builder: Any, sig: Any, args: Any) -> Any:
    value = builder.load(_place(builder, sig.args[0], *args))
    if sig.args[0].constant:
        value.set_metadata("invariant.load", builder.module.add_metadata([]))
    return value


@lower_builtin(setitem, View, types.Integer, types.Any)
def _set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    builder.store(args[2], _place(builder, sig.args[0], args[0], args[1]))
    return context.get_dummy_value()


def _viewer(wide: int, constant: bool) -> Any:
    def view(_: Any, array: Any) -> Any:
        return View(array.dtype, wide, constant)(array), lambda context, builder, sig, args: args[0]

    return view


def _looper(vector: bool) -> Any:
    """Return the function that runs a body once per lane: as vector code, or called one after the other."""

    def loop(typing: Any, body: Any, values: Any) -> Any:
        called = body.get_call_type(typing, (types.int64, *values.types), {})
        wide = max(view.width for view in values.types if isinstance(view, View))

        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            given = [builder.extract_value(args[1], i) for i in range(len(values.types))]
            function = context.get_function(body, called)
            if wide == 1:
                function(builder, [_WORD(0), *given])
            else:
                _emit_loop(builder, _WORD(wide), lambda lane: function(builder, [lane, *given]), vector)
            return context.get_dummy_value()

        return types.void(body, values), generate

    return loop


def _for_all(typing: Any, body: Any, count: Any, values: Any) -> Any:
    called = body.get_call_type(typing, (types.int64, types.int64, *values.types), {})
    wide = max(view.width for view in values.types if isinstance(view, View))

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        given = [builder.extract_value(args[2], i) for i in range(len(values.types))]
        function = context.get_function(body, called)
        if wide == 1:
            with builder.if_then(builder.icmp_signed(">", args[1], _WORD(0))):
                _emit_loop(builder, args[1], lambda k: function(builder, [_WORD(0), k, *given]), True, True)
        else:
            with cgutils.for_range(builder, args[1]) as each:
                k = each.index
                _emit_loop(builder, _WORD(wide), lambda lane: function(builder, [lane, k, *given]), True)
        return context.get_dummy_value()

    return types.void(body, types.int64, values), generate


class _Distinct(ir.MDValue):  # type: ignore[misc]
    """A metadata node that is equal to no other; those of llvmlite are equal where their operands are."""

    __eq__ = object.__eq__
    __ne__ = object.__ne__
    __hash__ = object.__hash__

    def descr(self, buf: Any) -> None:
        """Write the node."""
        buf += (f"distinct !{{ {', '.join(self.entries)} }}\n",)


def _distinct(module: ir.Module, *operands: Any, named: bool = False) -> _Distinct:
    """Return a new node; `named` puts the node itself first, which makes it the name of a loop."""
    node = _Distinct(module, operands, name=str(len(module.metadata)))
    node.entries = [*([node.get_reference()] if named else []), *(o.get_reference() for o in operands)]
    return node


def _emit_loop(
    builder: Any, count: ir.Value, body: Callable[[ir.Value], Any], vector: bool, short: bool = False
) -> None:
    """Emit a loop over lanes or entries: one that is marked as free of dependences, or one of calls.

    A short one takes one vector at a time: left to itself LLVM takes four, and most of its runs have fewer.
    """
    group = _distinct(builder.module)
    before, loop, end = builder.block, *(builder.append_basic_block(n) for n in ("lanes", "end"))
    builder.branch(loop)
    builder.position_at_end(loop)
    lane = builder.phi(_WORD)
    lane.add_incoming(_WORD(0), before)
    known = {id(i) for block in builder.function.blocks for i in block.instructions}
    body(lane)
    new = [i for block in builder.function.blocks for i in block.instructions if id(i) not in known]
    for i in new:
        if vector and isinstance(i, ir.CallInstr | ir.LoadInstr | ir.StoreInstr):
            i.set_metadata("llvm.access.group", group)
        elif isinstance(i, ir.CallInstr):
            i.attributes.add("noinline")  # else LLVM writes the body out once per lane
    following = builder.add(lane, _WORD(1))
    lane.add_incoming(following, builder.block)
    branch = builder.cbranch(builder.icmp_signed("<", following, count), loop, end)
    wanted = [("parallel_accesses", [group]), ("vectorize.width", [ir.IntType(32)(4)])] if vector else []
    wanted += [("interleave.count", [ir.IntType(32)(1)])] if short else []
    properties = [
        builder.module.add_metadata([ir.MetaDataString(builder.module, f"llvm.loop.{name}"), *more])
        for name, more in [("unroll.disable", []), *wanted]
    ]
    branch.set_metadata("llvm.loop", _distinct(builder.module, *properties, named=True))
    builder.position_at_end(end)


def _lane_of(_: Any, view: Any, lane: Any) -> Any:
    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return args[0] if view.width == 1 else builder.gep(args[0], [args[1]], inbounds=True)

    return view(view, types.int64), generate


def _flat(_: Any, view: Any) -> Any:
    return View(view.dtype, 1, view.constant)(view), lambda context, builder, sig, args: args[0]


def _width(_: Any, view: Any) -> Any:
    return types.int64(view), lambda context, builder, sig, args: cgutils.intp_t(view.width)


compiled_as(views.words, _viewer(1, True))
compiled_as(views.alone, _viewer(1, False))
compiled_as(views.abreast, _viewer(LANES, False))
compiled_as(views.numbers_alone, _viewer(1, True))
compiled_as(views.numbers_abreast, _viewer(LANES, True))
compiled_as(views.for_lanes, _looper(True))
compiled_as(views.for_all, _for_all)
compiled_as(views.one_by_one, _looper(False))
compiled_as(views.lane_of, _lane_of)
compiled_as(views.flat, _flat)
compiled_as(views.width, _width)
