"""Gaussian noise from a counter: a function of (key, tick, number), with no state.

Philox-4x32-10 turns the counter into random bits, Box and Muller's transform into normal values.

References
----------
.. [1] J. K. Salmon et al., "Parallel random numbers: as easy as 1, 2, 3", SC 2011. The tests check the
   published known answers of the algorithm.
"""

import math

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import lane_of

__all__ = ["add_noise", "normal_pair", "philox", "uniform"]

_MASK = 0xFFFFFFFF
_M0, _M1 = 0xD2511F53, 0xCD9E8D57
_W0, _W1 = 0x9E3779B9, 0xBB67AE85


@helper
def philox(c0: int, c1: int, c2: int, c3: int, k0: int, k1: int) -> tuple[int, int, int, int]:
    """Return four random 32-bit words for a counter of four words and a key of two."""
    for _ in range(10):
        high0, low0 = _multiply(_M0, c0)
        high1, low1 = _multiply(_M1, c2)
        c0, c1, c2, c3 = high1 ^ c1 ^ k0, low1, high0 ^ c3 ^ k1, low0
        k0, k1 = (k0 + _W0) & _MASK, (k1 + _W1) & _MASK
    return c0, c1, c2, c3


@helper
def _multiply(a: int, b: int) -> tuple[int, int]:
    """Return high and low word of a 32-bit product, by halves, so that no sum passes 63 bits."""
    low = a * (b & 0xFFFF)
    high = a * (b >> 16) + (low >> 16)
    return high >> 16, ((high & 0xFFFF) << 16) | (low & 0xFFFF)


@helper
def normal_pair(key: int, tick: int, number: int) -> tuple[float, float]:
    """Return two independent standard normal values.

    Parameters
    ----------
    key : int
        Seed and channel, below 2^63.
    tick : int
        Instant.
    number : int
        Number of the pair at that instant.
    """
    a, b, c, d = philox(tick & _MASK, (tick >> 32) & _MASK, number, 0, key & _MASK, (key >> 32) & _MASK)
    first = ((a >> 5) * 67108864.0 + (b >> 6) + 0.5) / 9007199254740992.0
    second = ((c >> 5) * 67108864.0 + (d >> 6)) / 9007199254740992.0
    radius = math.sqrt(-2.0 * math.log(first))
    angle = 2.0 * math.pi * second
    return radius * math.cos(angle), radius * math.sin(angle)


@helper
def uniform(seed: int, tick: int, number: int) -> float:
    """Return a value from 0 to 1, evenly spread and independent of all noise.

    Parameters
    ----------
    seed : int
        Below 2^32.
    tick : int
        Instant.
    number : int
        Of what asks at that instant.
    """
    a, b, _, _ = philox(tick & _MASK, (tick >> 32) & _MASK, number, 1, seed, 0)
    return ((a >> 5) * 67108864.0 + (b >> 6)) / 9007199254740992.0


@routine
def add_noise(
    lane: int, it: Ints, ft: Floats, keys: Ints, s: Floats, w: Floats, place: tuple[int, int], tick: int
) -> None:
    """Add the noise of one gap to the filter states of a lane: a lower-triangular matrix times normal values.

    The place is that of z at the end of the gap, and the number of the gap; the tick is that of its start.
    """
    (z, gap), p, u, v = place, lane_of(ft, lane), lane_of(s, lane), lane_of(w, lane)
    root = it[at.GAP_NOISE] + gap * it[at.GAP_NOISE_SIZE]
    for channel in range(it[at.NOISES]):
        first, order = it[it[at.NOISE_INT] + 2 * channel], it[it[at.NOISE_INT] + 2 * channel + 1]
        second = 0.0
        for j in range(order):
            value = second
            if j % 2 == 0:
                value, second = normal_pair(lane_of(keys, lane)[channel], tick, j // 2)
            for i in range(j, order):
                u[first + i] += p[root + i * order + j] * value
        for i in range(order):
            v[z + it[at.R] + first + i] = u[first + i]
        root += order * order
