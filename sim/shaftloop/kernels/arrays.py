"""Arrays of the kernels."""

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

__all__ = ["LINE", "Ends", "Floats", "Ints", "Numbers", "Phasors", "Products", "Recording", "aligned"]

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]
Ints = NDArray[np.int64]
Ends = Annotated[Ints, 2]
"""How lanes end; as every argument of a kernel whose annotation states it, with this many dimensions."""
Recording = Annotated[Floats, 3]
"""Rows of the recorder, per lane and channel."""
Numbers = tuple[Floats, Floats, Ints, Ints]
"""What kernels take besides integers: floats, entries of matrices, keys of the noise, blocks of matrices."""
Products = tuple[Floats, Ints]
"""Entries and blocks of the matrices (`kernels.blocks`)."""

LINE = 8
"""Floats in a cache line."""


def aligned(count: int) -> Floats:
    """Return zeros that start at a cache line: a vector that straddles two lines costs twice the time."""
    raw = np.zeros(count + LINE)
    first = (-raw.ctypes.data // raw.itemsize) % LINE
    return raw[first : first + count]
