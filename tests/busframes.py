"""When frames of a bus hop arrive, in plain Python: nothing of the simulator."""

import math
from collections.abc import Callable, Sequence

__all__ = ["Lateness", "arrivals", "newest", "share"]

Lateness = Callable[[int], tuple[str, int]]
"""Takes the tick at which a frame is sent, returns how it fails, empty where it does not, and by how much."""


def _philox(counter: tuple[int, int, int, int], key: int) -> list[int]:
    """Return the words of Philox-4x32-10 (J. K. Salmon et al., SC 2011)."""
    c, k = list(counter), [key, 0]
    for _ in range(10):
        one, two = 0xD2511F53 * c[0], 0xCD9E8D57 * c[2]
        c = [(two >> 32) ^ c[1] ^ k[0], two % 2**32, (one >> 32) ^ c[3] ^ k[1], one % 2**32]
        k = [(k[0] + 0x9E3779B9) % 2**32, (k[1] + 0xBB67AE85) % 2**32]
    return c


def share(tick: int, seed: int, hop: int = 0) -> float:
    """Return by which share of the largest lateness the frame of a tick is late."""
    a, b, _, _ = _philox((tick % 2**32, tick >> 32, hop, 1), seed)
    return ((a >> 5) * 2**26 + (b >> 6)) / 2**53


def arrivals(sent: Sequence[int], transport: int, lateness: Lateness, seed: int) -> list[int]:
    """Return when frames arrive, each no sooner than the one before it [ns]."""
    found, last = [], 0
    for tick in sent:
        kind, late = lateness(tick)
        if kind == "jittering":
            late = math.ceil(late * share(tick, seed) - 1e-6)
        last = max(last, tick + transport + late)
        found.append(last)
    return found


def newest(come: Sequence[int], tick: int) -> int:
    """Return the number of the last frame that has arrived at a tick, -1 for none."""
    return sum(time <= tick for time in come) - 1
