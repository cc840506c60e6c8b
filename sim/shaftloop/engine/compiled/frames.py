"""Kernels of bus frames that know when they arrive: those that may be late, and those whose age is watched.

A frame waits in a queue with the tick at which it arrives. Its reader compares that with its own tick, so no
instant is needed for it. Frames never overtake: one that is there sooner than the one ahead waits for that.
"""

import math

from shaftloop.engine import at
from shaftloop.engine.compiled.noise import uniform
from shaftloop.engine.rows import SEND, SEND_NUMBERS
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper

__all__ = ["FRAME", "LAST_STAMP", "QUEUE", "receive", "send"]

QUEUE = 2
"""Slots ahead of the frames of a queue: their number, and the stamp of the last one."""
LAST_STAMP = 1
"""Of these, the one of the stamp."""
FRAME = 3
"""Slots of a frame: value, stamp, arrival [tick]; the stamp is the tick at which its value was taken."""


@helper
def send(it: Ints, p: Floats, u: Floats, a: int, f: int, tick: int) -> None:
    """Put a frame on its way, then hand over what has arrived."""
    n, queue, stamp, ticks = SEND_NUMBERS, it[a + SEND.queue], it[a + SEND.stamp], it[at.TICKS_PER_SECOND]
    late = p[f + n.late]
    if p[f + n.jitters] > 0.0:
        late *= uniform(int(p[f + n.seed]), tick, int(p[f + n.number]))
    # Whole ticks but for rounding; what is none is late until the next one.
    arrival = tick + math.floor(p[f + n.transport] * ticks + 0.5) + math.ceil(late * ticks - 1e-6)
    u[queue + LAST_STAMP] = float(tick) if stamp < 0 else u[stamp]
    frame = queue + QUEUE + FRAME * int(u[queue])
    u[frame], u[frame + 1], u[frame + 2] = u[it[a + SEND.source]], u[queue + LAST_STAMP], float(arrival)
    u[queue] += 1.0
    receive(it, u, a, tick)


@helper
def receive(it: Ints, u: Floats, a: int, tick: int) -> None:
    """Hand the last frame that has arrived to its receiver, with its stamp; note its age and the largest."""
    queue, held = it[a + SEND.queue], it[a + SEND.held]
    first, waiting, arrived = queue + QUEUE, int(u[queue]), 0
    while arrived < waiting and u[first + FRAME * arrived + 2] <= tick:
        arrived += 1
    if arrived > 0:
        last = first + FRAME * (arrived - 1)
        u[it[a + SEND.receiver]], u[held] = u[last], u[last + 1]
        for i in range(first, first + FRAME * (waiting - arrived)):
            u[i] = u[i + FRAME * arrived]
        u[queue] = float(waiting - arrived)
    u[held + 1] = (tick - u[held]) / it[at.TICKS_PER_SECOND]
    u[held + 2] = max(u[held + 2], u[held + 1])
