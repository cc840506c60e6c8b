"""What a run is asked to do beside its tasks, and what happens in it."""

from dataclasses import dataclass
from fractions import Fraction

from shaftloop.engine.model import Condition, Fault

__all__ = ["OFF", "SEQUENCE", "Action", "End", "Event", "Interlock", "Move", "Settle", "Trip", "Wait"]

SEQUENCE = "sequence"
"""Whose event it is where a step of the sequence made it."""
OFF = ("torque_off", "ramp_down")
"""Events at which the torque begins to go."""


@dataclass(frozen=True)
class Move:
    """Start a new piece of a set-point profile."""

    profile: int
    kind: int
    counts: tuple[Fraction, ...] = ()
    """Durations [s], or the number of a trace."""
    values: tuple[float, ...] = ()
    """As in `engine.compiled.setpoints`; a ramp states its end only."""
    event: tuple[str, str] | None = None
    """Kind and name of the event that it is, where it is one."""


@dataclass(frozen=True)
class Wait:
    """Let time pass."""

    seconds: Fraction
    """[s]"""


@dataclass(frozen=True)
class Settle:
    """Wait until an error has stayed inside its bound for a time."""

    name: str
    guard: int
    """Guard on the error; its level is the bound."""
    dwell: Fraction
    """[s]"""
    timeout: Fraction
    """[s]"""


@dataclass(frozen=True)
class Trip:
    """Take the torque away."""

    ramp: Fraction
    """Time over which the torque commands go to zero; 0 at once. [s]"""


@dataclass(frozen=True)
class End:
    """End the run."""


Action = Move | Wait | Settle | Trip | End


@dataclass(frozen=True)
class Interlock:
    """What acts once a condition is met."""

    name: str
    condition: Condition
    reaction: Fraction
    """[s]"""
    action: Trip | Fault
    """A fault: what it switches, by the name of the event."""


@dataclass(frozen=True)
class Event:
    """Something that happened in a run."""

    tick: int
    time: float
    """[s]"""
    kind: str
    """``beyond_max_speed``, ``broke_loose``, ``came_to_rest``, ``exceeded``, ``cleared``, ``tripped``,
    ``did_not_act``, ``torque_off``, ``ramp_down``, ``settled``, ``not_settled``, ``failed``,
    ``restored``, ``ended``; of the grid ``lost``, ``sags``, ``returned``; of the inverters
    ``blocked_by_undervoltage``."""
    name: str
    """Body, interlock, loop that is waited for, fault, ``grid``, ``inverters``, or `SEQUENCE`."""
    count: int = 1
    """How often it happened, at `time` first."""
