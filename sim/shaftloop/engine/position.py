"""Where a run stands, and all that it needs to go on from there."""

from dataclasses import dataclass

from shaftloop.kernels.arrays import Floats, Ints

__all__ = ["CREEPS", "Position", "Saved", "Slip"]

CREEPS = -2
"""Gap of a run that stands between instants and goes on in steps of `engine.compiled.kernel.creep`."""


@dataclass(frozen=True)
class Position:
    """Where a run stands."""

    tick: int
    instant: int
    gap: int
    """-1 at an instant whose tasks have not run, or `CREEPS`; otherwise the gap that leads on from here."""


@dataclass(frozen=True)
class Slip:
    """A body that comes to rest or breaks loose."""

    tick: int
    body: str
    way: int
    """0 where it comes to rest, else the sign of its speed."""


@dataclass(frozen=True)
class Saved:
    """Everything that a run needs to go on from here."""

    state: Floats
    position: Position
    records: int
    segment_count: Ints
    slips: tuple[Slip, ...]
