"""Lanes: equal benches side by side, so that the machine's vectors work on several at once.

An array of lanes holds the `LANES` values of one slot next to each other: slot i of lane k lies at
``i·LANES + k``. `for_lanes` runs a function of scalars once per lane; `lane_of` shows it one lane as an
ordinary array, so it can be the same function that a single run calls. The loop tells LLVM that lanes do
not touch each other, which is what lets it turn the scalar function, branches included, into vector code.
No operation is reordered or fused by that: a lane has the bits of a single run.

Vector code comes of it only where the body has no loop and no call of a `routine` or of the C library;
whatever does not depend on the lane should be an argument, because LLVM cannot know that a store to a lane
leaves it alone. The loop asks for vectors of four: the cost model of LLVM, left to itself, declines bodies
with conversions or conditional stores.
"""

from collections.abc import Callable
from typing import Any

import numba
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from shaftloop.engine.types import Floats

__all__ = ["LANES", "for_lanes", "lane_of"]

LANES = 16
"""Lanes of a kernel; a multiple of 8."""

_WORD = ir.IntType(64)


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


@intrinsic
def _for_lanes(typing: Any, body: Any, values: Any) -> Any:
    called = body.get_call_type(typing, (types.int64, *values.types), {})

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        group = _distinct(builder.module)
        given = [builder.extract_value(args[1], i) for i in range(len(values.types))]
        function = context.get_function(body, called)
        before, loop, end = builder.block, *(builder.append_basic_block(n) for n in ("lanes", "end"))
        builder.branch(loop)
        builder.position_at_end(loop)
        lane = builder.phi(_WORD)
        lane.add_incoming(_WORD(0), before)
        known = {id(i) for block in builder.function.blocks for i in block.instructions}
        function(builder, [lane, *given])
        for block in builder.function.blocks:
            for i in block.instructions:
                if id(i) not in known and isinstance(i, ir.CallInstr | ir.LoadInstr | ir.StoreInstr):
                    i.set_metadata("llvm.access.group", group)
        following = builder.add(lane, _WORD(1))
        lane.add_incoming(following, builder.block)
        branch = builder.cbranch(builder.icmp_signed("<", following, _WORD(LANES)), loop, end)
        properties = [
            builder.module.add_metadata([ir.MetaDataString(builder.module, f"llvm.loop.{name}"), *more])
            for name, more in (
                ("parallel_accesses", [group]),
                ("unroll.disable", []),
                ("vectorize.width", [ir.IntType(32)(4)]),
            )
        ]
        branch.set_metadata("llvm.loop", _distinct(builder.module, *properties, named=True))
        builder.position_at_end(end)
        return context.get_dummy_value()

    return types.void(body, values), generate


@intrinsic
def _lane_of(_: Any, array: Any, lane: Any) -> Any:
    view = types.Array(array.dtype, 1, "A")

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        source = context.make_array(array)(context, builder, args[0])
        target = context.make_array(view)(context, builder)
        context.populate_array(
            target,
            data=builder.gep(source.data, [args[1]]),
            shape=cgutils.pack_array(builder, [builder.udiv(source.nitems, _WORD(LANES))]),
            strides=cgutils.pack_array(builder, [_WORD(8 * LANES)]),
            itemsize=_WORD(8),
            meminfo=None,
            parent=None,
        )
        return target._getvalue()

    return view(array, types.int64), generate


def _python_for_lanes(body: Callable[..., None], values: tuple[Any, ...]) -> None:
    for lane in range(LANES):
        body(lane, *values)


def _python_lane_of(array: Floats, lane: int) -> Floats:
    return array.reshape(-1, LANES)[:, lane]


for_lanes = _python_for_lanes if numba.config.DISABLE_JIT else _for_lanes
"""for_lanes(body, values): call ``body(lane, *values)`` for every lane."""

lane_of = _python_lane_of if numba.config.DISABLE_JIT else _lane_of
"""lane_of(array, lane): one lane of an array of lanes, as an array of slots."""
