"""The recorder: rows of channels go into a block of recent records, and the block to the recording.

The recording holds every channel by itself, which is what its readers want; to write a row at once would
touch as many cache lines as there are channels.
"""

from shaftloop.engine import at
from shaftloop.engine.compiled.setpoints import write_setpoints
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper, routine
from shaftloop.kernels.views import flat, for_lanes, lane_of, width

__all__ = ["flush", "record_row"]


@routine
def record_row(
    it: Ints, ft: Floats, s: Floats, w: Floats, z: int, record: int, tick: int, alike: bool
) -> None:
    """Write one row of channels of all lanes into the block of recent records."""
    channels = it[at.CHANNELS]
    row = it[at.RECENT] + (record & (at.BLOCK - 1)) * channels
    v = flat(w)
    for k in range(row * width(w), (row + channels) * width(w)):
        v[k] = 0.0
    i, f, local = it[at.ENTRY_INT], it[at.ENTRY_FLOAT], it[at.LOCALS]
    for _ in range(it[at.ENTRIES]):
        channel, source, index = row + it[i], it[i + 1], it[i + 2]
        if source == 0:
            for_lanes(_add_entry, (ft, w, w, f, z + index, channel))
        elif source == 1:
            for_lanes(_add_entry, (ft, s, w, f, index, channel))
        else:
            write_setpoints(it, ft, w, index, tick, local, alike)
            for_lanes(_add_entry, (ft, w, w, f, local, channel))
        i, f = i + 3, f + 1


@helper
def _add_entry(lane: int, ft: Floats, source: Floats, w: Floats, f: int, index: int, channel: int) -> None:
    lane_of(w, lane)[channel] += lane_of(ft, lane)[f] * lane_of(source, lane)[index]


@routine
def flush(it: Ints, w: Floats, recording: Floats, since: int, record: int) -> None:
    """Move the recent records from `since` to the one before `record` into the recording.

    All lie in one block: `record` is at most the first of the next.
    """
    channels, recent = it[at.CHANNELS], it[at.RECENT]
    for lane in range(len(recording)):
        v = lane_of(w, lane)
        for channel in range(channels):
            for i in range(since, record):
                recording[lane, channel, i] = v[recent + (i & (at.BLOCK - 1)) * channels + channel]
