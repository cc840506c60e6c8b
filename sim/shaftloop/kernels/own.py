"""Tasks and terms that a part brings along: kernels call them by their address.

So a new part needs no edit of a kernel, and no kernel is compiled anew for it. The price is an indirect call
and copies into room on the stack: what is read, numbers, and what is written.
"""

from collections.abc import Callable
from threading import Lock
from typing import Any

import numpy as np

from shaftloop.kernels.arrays import Floats
from shaftloop.kernels.decorators import interpreted
from shaftloop.kernels.store import KEPT, load, machine_code

__all__ = ["ROOM", "Equation", "address_of", "call_at", "room"]

ROOM = 24
"""Most values that an equation reads, most numbers, and most values that it writes."""

Equation = Callable[[Floats, Floats, Floats], None]
"""Takes what is read, numbers, and what is written, which holds the values of before; compiled by numba."""

_LOCK = Lock()
"""Made twice, an equation would leave the address of the one that is dropped in somebody's tables."""
_MADE: dict[Equation, tuple[int, Any]] = {}
"""Address, and what must live as long as it is in use."""


def address_of(equation: Equation) -> int:
    """Return where the compiled equation is, the same each time.

    Parameters
    ----------
    equation : callable
        Pure Python within what numba compiles; it may call functions decorated with `equation`.
    """
    with _LOCK:
        if equation not in _MADE:
            _MADE[equation] = _made(equation)
        return _MADE[equation][0]


def _made(equation: Equation) -> tuple[int, Any]:
    if interpreted():
        return len(_MADE), equation

    ours = equation.__module__.startswith(KEPT)

    def compiled() -> tuple[str, bytes]:
        from shaftloop.kernels.compiler import compile_equation

        return compile_equation(equation, not ours)

    return load(*(machine_code(equation, "own", compiled) if ours else compiled()))


def room() -> Floats:
    """Return three times `ROOM` floats: read, numbers, written."""
    return np.zeros(3 * ROOM)


def call_at(address: int, values: Floats) -> None:
    """Run the equation at an address, in a `room`."""
    _, equation = list(_MADE.values())[address]
    equation(values[:ROOM], values[ROOM : 2 * ROOM], values[2 * ROOM :])
