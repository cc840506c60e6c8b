"""Tasks and terms that a part brings along: kernels call them by their address.

So a new part needs no edit of a kernel, and no kernel is compiled anew for it. The price is an indirect call
and copies into room on the stack: what is read, numbers, and what is written.
"""

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from shaftloop.engine.types import Floats
from shaftloop.engine.views import View

__all__ = ["ROOM", "Equation", "address_of", "call_at", "room"]

ROOM = 24
"""Most values that an equation reads, most numbers, and most values that it writes."""

Equation = Callable[[Floats, Floats, Floats], None]
"""Takes what is read, numbers, and what is written, which holds the values of before; compiled by numba."""

_POINTER = ir.DoubleType().as_pointer()
_VIEW = View(types.float64, 1, False)
_MADE: dict[Equation, tuple[int, Any]] = {}
"""Address and compiled function, which must live as long as its address is in use."""


def address_of(equation: Equation) -> int:
    """Return where the compiled equation is, the same each time.

    Parameters
    ----------
    equation : callable
        Pure Python within what numba compiles; it may call functions decorated with `equation`.
    """
    if equation not in _MADE:
        _MADE[equation] = _made(equation)
    return _MADE[equation][0]


def _made(equation: Equation) -> tuple[int, Any]:
    if numba.config.DISABLE_JIT:
        return len(_MADE), equation
    inner = numba.njit(error_model="numpy")(equation)

    def call(x: Any, p: Any, y: Any) -> None:
        inner(numba.carray(x, (ROOM,)), numba.carray(p, (ROOM,)), numba.carray(y, (ROOM,)))

    compiled = numba.cfunc(types.void(*[types.CPointer(types.float64)] * 3))(call)  # type: ignore[attr-defined]
    return int(compiled.address), compiled


@intrinsic
def _room(_: Any) -> Any:
    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return cgutils.alloca_once(builder, ir.DoubleType(), size=3 * ROOM)

    return _VIEW(), generate


@intrinsic
def _call_at(_: Any, address: Any, values: Any) -> Any:
    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(ir.VoidType(), [_POINTER] * 3)
        function = builder.inttoptr(args[0], kind.as_pointer())
        places = [builder.gep(args[1], [ir.IntType(64)(i * ROOM)]) for i in range(3)]
        builder.call(function, places)
        return context.get_dummy_value()

    return types.none(types.int64, _VIEW), generate


def _python_call_at(address: int, values: Floats) -> None:
    _, equation = list(_MADE.values())[address]
    equation(values[:ROOM], values[ROOM : 2 * ROOM], values[2 * ROOM :])


room = (lambda: np.zeros(3 * ROOM)) if numba.config.DISABLE_JIT else _room
"""room(): three times `ROOM` floats: read, numbers, written."""

call_at = _python_call_at if numba.config.DISABLE_JIT else _call_at
"""call_at(address, room): run the equation at an address."""
