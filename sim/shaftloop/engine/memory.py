"""Memory for recordings that is used again: to touch fresh pages takes longer than to run what fills them."""

import weakref
from math import prod

import numpy as np

from shaftloop.kernels.arrays import Floats

__all__ = ["Memory"]


class Memory:
    """Lends out arrays; the memory of one to which, nor to a view of it, anything refers is lent again."""

    def __init__(self) -> None:
        self._free: list[Floats] = []

    def array(self, shape: tuple[int, ...]) -> Floats:
        """Return an array of any content."""
        size = prod(shape)
        raw = self._free.pop() if self._free else np.empty(size)
        if raw.size < size:
            raw = np.empty(size)
        lent: Floats = np.frombuffer(raw.data, dtype=np.float64)  # what views of it refer to
        weakref.finalize(lent, self._free.append, raw).atexit = False
        return lent[:size].reshape(shape)
