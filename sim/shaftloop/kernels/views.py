"""Views of the arrays of a kernel, whose width is known when it is compiled.

An array of lanes holds the values of one slot next to each other: slot i of lane k lies at ``i·width + k``. A
bench that runs alone has width 1, benches that run together have width `LANES`. The width is part of
the type of a view, so one source serves both. `lane_of` shows one lane as an array of slots; `for_lanes`
runs a function of scalars once per lane. The loop tells LLVM that lanes do not touch each other, which is
what lets it turn the scalar function, branches included, into vector code. No operation is reordered or
fused by that: a lane has the bits of a single run.

Vector code comes of it only where the body has no loop and no call of a `routine` or of the C library. The
loop asks for vectors of four: the cost model of LLVM, left to itself, declines bodies with conversions or
conditional stores.

In a kernel a view is a pointer (`kernels.viewcode`). Indices are not checked, nor may they be negative. Views
that are `constant` are not written while a kernel runs, which LLVM is told, so that it reads a word of a
table once. What stands here runs where compilation is switched off: NumPy's views, which check every index.
"""

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LANES",
    "abreast",
    "alone",
    "flat",
    "for_all",
    "for_lanes",
    "lane_of",
    "numbers_abreast",
    "numbers_alone",
    "one_by_one",
    "width",
    "words",
]

LANES = 16
"""Lanes of a kernel that runs several benches; a multiple of 8."""

_T = TypeVar("_T", bound=np.generic)


def words(array: NDArray[_T]) -> NDArray[_T]:
    """Return the view of a table that all lanes share."""
    return array


def alone(array: NDArray[_T]) -> NDArray[_T]:
    """Return the view of what one bench has."""
    return array.reshape(-1, 1)


def abreast(array: NDArray[_T]) -> NDArray[_T]:
    """Return the view of what `LANES` benches have."""
    return array.reshape(-1, LANES)


def numbers_alone(array: NDArray[_T]) -> NDArray[_T]:
    """Return what `alone` does, of a table that is not written while a kernel runs."""
    return array.reshape(-1, 1)


def numbers_abreast(array: NDArray[_T]) -> NDArray[_T]:
    """Return what `abreast` does, of a table that is not written while a kernel runs."""
    return array.reshape(-1, LANES)


def for_lanes(body: Callable[..., None], values: tuple[Any, ...]) -> None:
    """Call ``body(lane, *values)`` for every lane of the views among the values."""
    for lane in range(max(v.shape[1] for v in values if getattr(v, "ndim", 0) == 2)):
        body(lane, *values)


def one_by_one(body: Callable[..., None], values: tuple[Any, ...]) -> None:
    """Do as `for_lanes`, with a `routine` that no vector code comes of."""
    for_lanes(body, values)


def for_all(body: Callable[..., None], count: int, values: tuple[Any, ...]) -> None:
    """Call ``body(lane, k, *values)`` for every lane and every k below a count.

    Neither lanes nor entries k may touch each other: for a bench that runs alone, vectors are of entries.
    """
    lanes = max((v.shape[1] for v in values if getattr(v, "ndim", 0) == 2), default=1)
    for k, lane in np.ndindex(count, lanes):
        body(lane, k, *values)


def lane_of(view: NDArray[_T], lane: int) -> NDArray[_T]:
    """Return one lane, as a view of slots."""
    return view[:, lane]


def flat(view: NDArray[_T]) -> NDArray[_T]:
    """Return the values of all lanes in a row."""
    return view.reshape(-1)


def width(view: NDArray[_T]) -> int:
    """Return the number of lanes."""
    return view.shape[1]
