"""Kernels of guards: levels that are watched, of slots behind their tasks and of the plant all the time."""

from shaftloop.engine import at
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import lane_of, one_by_one

__all__ = ["look", "look_inside"]


@helper
def look(it: Ints, ft: Floats, s: Floats, seen: Floats, z: int, task: int, ends: Ints, tick: int) -> None:
    """Let guards look at their quantities: those of a sampled task at slots, the others at z."""
    for k in range(it[at.GUARDS]):
        entry = it[at.GUARD_INT] + 2 * k
        if it[entry + 1] == task:
            one_by_one(_compare, (it, ft, s, seen, k, z + it[entry], ends, tick))


@routine
def _compare(
    lane: int, it: Ints, ft: Floats, s: Floats, seen: Floats, guard: int, place: int, ends: Ints, tick: int
) -> None:
    """Compare an armed guard with its level, and end the lane where the outcome changed."""
    u, slot = lane_of(s, lane), it[at.GUARD_SLOT] + 2 * guard
    p, f = lane_of(ft, lane), it[at.GUARD_FLOAT] + 2 * guard
    above = 1.0 if abs(lane_of(seen, lane)[place] - p[f + 1]) > p[f] else 0.0
    if u[slot + 1] > 0.0 and above != u[slot]:
        u[slot] = above
        if ends[at.WOKE, lane] < 0:
            ends[at.WOKE, lane] = tick


@helper
def look_inside(
    it: Ints, ft: Floats, s: Floats, w: Floats, z: tuple[int, int, int], ends: Ints, tick: int
) -> None:
    """Let continuous guards look at start, middle and end of a substep and at what lies between."""
    for k in range(it[at.GUARDS]):
        entry = it[at.GUARD_INT] + 2 * k
        if it[entry + 1] == at.ALWAYS:
            places = z[0] + it[entry], z[1] + it[entry], z[2] + it[entry]
            one_by_one(_pass, (it, ft, s, w, k, places, ends, tick))


@routine
def _pass(
    lane: int,
    it: Ints,
    ft: Floats,
    s: Floats,
    w: Floats,
    guard: int,
    z: tuple[int, int, int],
    ends: Ints,
    tick: int,
) -> None:
    """End the lane where an armed guard may change inside a substep.

    The vertex of the parabola through it counts with a sixteenth of the bend on top, more than it differs
    from an oscillation of up to 2 rad.
    """
    u, v, slot = lane_of(s, lane), lane_of(w, lane), it[at.GUARD_SLOT] + 2 * guard
    if u[slot + 1] == 0.0 or ends[at.WOKE, lane] >= 0:
        return
    p, f = lane_of(ft, lane), it[at.GUARD_FLOAT] + 2 * guard
    level, centre = p[f], p[f + 1]
    a, b, c = v[z[0]] - centre, v[z[1]] - centre, v[z[2]] - centre
    top, bottom, bend = max(a, b, c), min(a, b, c), a - 2.0 * b + c
    if abs(c - a) < 2.0 * abs(bend):
        vertex, more = b - (c - a) * (c - a) / (8.0 * bend), abs(bend) / 16.0
        top, bottom = max(top, vertex + more), min(bottom, vertex - more)
    if u[slot] == 0.0:
        passes = top > level or bottom < -level
    else:
        passes = bottom <= level and top >= -level
    if passes:
        ends[at.WOKE, lane] = tick
