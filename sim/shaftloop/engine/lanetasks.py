"""The sampled tasks in all lanes; rows and meaning as in `engine.tasks`.

`run_task_lanes` takes any kind: without more, it runs the task of the single run once per lane, which gives
the right bits slowly. The kinds that benches spend their time in have a form of their own, in which what
depends on the lane is free of loops and calls.
"""

from shaftloop.control.reading import count_edges, digitise
from shaftloop.engine import at
from shaftloop.engine.cache import helper, routine
from shaftloop.engine.lanesteps import copy_slots
from shaftloop.engine.laneviews import LANES, for_lanes, lane_of
from shaftloop.engine.setpoints import setpoint
from shaftloop.engine.tasks import run_task
from shaftloop.engine.types import Floats, Ints

__all__ = ["run_task_lanes", "set_points"]


@routine
def run_task_lanes(it: Ints, lt: Ints, ft: Floats, fl: Floats, s: Floats, w: Floats, z: int, task: int, tick: int, alike: int) -> None:
    """Run one task that is due at a tick, in all lanes."""
    a = it[at.TASK_INT] + task * at.TASK_WIDTH
    f = it[at.TASK_FLOAT] + task * at.TASK_WIDTH
    kind = it[a]
    if kind == at.DELIVER:
        line, depth, wide, receiver = it[a + 1], it[a + 2], it[a + 3], it[a + 4]
        copy_slots(s, line, s, receiver, wide)
        copy_slots(s, line + wide, s, line, (depth - 1) * wide)
    elif kind == at.HOP:
        copy_slots(s, it[a + 1], s, it[a + 2], 1)
    elif kind == at.SAMPLE:
        for_lanes(_sample, (fl, s, w, f, z + it[a + 1], it[a + 2]))
    elif kind == at.ENCODER:
        for_lanes(_encoder, (fl, s, w, f, it[a + 1], z + it[at.R] + it[a + 1], it[a + 2]))
    else:
        for_lanes(_any_task, (it, fl, s, w, z, task, tick))


@helper
def _any_task(
    lane: int, it: Ints, fl: Floats, s: Floats, w: Floats, z: int, task: int, tick: int
) -> None:
    run_task(it, lane_of(fl, lane), lane_of(s, lane), lane_of(w, lane), z, task, tick)


@helper
def _sample(lane: int, fl: Floats, s: Floats, w: Floats, f: int, seen: int, emit: int) -> None:
    p, value = lane_of(fl, lane), lane_of(w, lane)[seen]
    lane_of(s, lane)[emit] = digitise(value, p[f], p[f + 1], p[f + 2], p[f + 3], p[f + 4], p[f + 5])


@helper
def _encoder(lane: int, fl: Floats, s: Floats, w: Floats, f: int, angle: int, seen: int, emit: int) -> None:
    p, u = lane_of(fl, lane), lane_of(s, lane)
    u[emit], rest = count_edges(u[angle], p[f], p[f + 1])
    u[angle] = rest
    lane_of(w, lane)[seen] = rest


@helper
def set_points(
    it: Ints, ft: Floats, fl: Floats, w: Floats, profile: int, tick: int, place: int, alike: int
) -> None:
    """Write the set-points of all lanes to a slot of w; once for all where they are equal."""
    if alike > 0:
        value = setpoint(it, ft, profile, tick)
        for lane in range(LANES):
            w[place * LANES + lane] = value
    else:
        for lane in range(LANES):
            w[place * LANES + lane] = setpoint(it, lane_of(fl, lane), profile, tick)
