"""What a bench hands to the engine: plant, slots, sampled tasks, profiles and what to record."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine.heat import Heat
from shaftloop.engine.layout import Layout
from shaftloop.engine.plant import Plant
from shaftloop_models.network import Ref

__all__ = [
    "Channel",
    "Condition",
    "Fault",
    "Guard",
    "Model",
    "NoiseChannel",
    "Range",
    "Segment",
    "Task",
    "alike",
]


@dataclass(frozen=True)
class Task:
    """One periodic task; `a` and `f` are rows of `engine.rows`."""

    name: str
    kind: int
    period: Fraction
    """[s]"""
    phase: Fraction
    """[s]"""
    priority: int
    a: tuple[int, ...] = ()
    f: tuple[float, ...] = ()


@dataclass(frozen=True)
class Segment:
    """One piece of a set-point profile; the meaning of the fields stands in `engine.compiled.setpoints`."""

    start: int
    """[tick]"""
    kind: int
    counts: tuple[int, ...] = ()
    values: tuple[float, ...] = ()


@dataclass(frozen=True)
class NoiseChannel:
    """White noise ahead of a filter ``x' = F·x + g·u``."""

    state: int
    """Slot of the first filter state."""
    f: NDArray[np.float64]
    """(k, k) [1/s]"""
    g: NDArray[np.float64]
    """(k,) [1/s]"""
    density: float
    """One-sided. [N m/rtHz]"""


@dataclass(frozen=True)
class Channel:
    """A recorded quantity: a sum of weighted entries of z (a `Ref`), the state (a slot) or a profile."""

    name: str
    unit: str
    entries: tuple[tuple[str, int | Ref, float], ...]
    """(``z``, ``state`` or ``profile``; what; weight)."""


@dataclass(frozen=True)
class Condition:
    """What an interlock watches, or what something waits for before it fails."""

    guard: int
    """Number of the guard."""
    below: bool = False
    """Whether it is met below the level, once the level has been exceeded."""
    debounce: Fraction = Fraction(0)
    """How long without a break. [s]"""
    outside: bool = False
    """Whether it is met outside a band, once inside."""


@dataclass(frozen=True)
class Fault:
    """Something that fails in a run."""

    name: str
    at: Fraction
    """[s]"""
    until: Fraction | None = None
    """When it is over; nothing where it is for good. [s]"""
    plant: "Callable[[Sequence[Fault]], tuple[Plant, tuple[int, ...]]] | None" = None
    """Takes all that has failed, itself included; returns the equations from then on, with the states and
    meters of those before, and the states that are 0 from then on."""
    changes: tuple[tuple[str, str], ...] = ()
    """What it does to these equations: kind and part."""
    words: tuple[tuple[int, int, int], ...] = ()
    """(task, column, word) of the integers of tasks that change."""
    numbers: tuple[tuple[int, int, float], ...] = ()
    """(task, column, value) of the floats of tasks that change."""
    since: tuple[tuple[int, int], ...] = ()
    """(task, column) of the floats of tasks that become the tick at which it fails."""
    shows: tuple[tuple[int, float], ...] = ()
    """(slot, value) of slots that are written once."""
    asleep: str = ""
    """Interlock that does not act."""
    when: Condition | None = None
    """When it fails, in place of `at`."""


@dataclass(frozen=True)
class Guard:
    """A level that is watched, in either direction."""

    name: str
    level: float
    task: int
    """Number of the task behind which it looks, `at.ALWAYS`, or `at.ELSEWHERE` for behind what warms up."""
    read: int | Ref
    """Slot of the state, or signal of the plant (`at.ALWAYS`)."""
    centre: float = 0.0
    """From where the level counts, either way."""
    signed: bool = False
    """Whether it counts upwards only (`at.ELSEWHERE`)."""

    def beyond(self, value: float) -> bool:
        """Return whether a value is beyond the level."""
        return (value if self.signed else abs(value - self.centre)) > self.level


@dataclass(frozen=True)
class Range:
    """The speed of a body that the step rule reckons with."""

    name: str
    """Body."""
    state: int
    """Number of the state that is its speed."""
    most: float
    """Largest size. [rad/s]"""


@dataclass
class Model:
    """A bench in the engine's terms."""

    plant: Plant
    layout: Layout
    tasks: list[Task]
    profiles: int
    """Number of set-point profiles; each starts as a hold at 0."""
    channels: list[Channel]
    peaks: list[tuple[str, Ref]]
    """Quantities whose extremes are kept, from inside the steps."""
    noises: list[NoiseChannel] = field(default_factory=list)
    guards: list[Guard] = field(default_factory=list)
    traces: list[tuple[tuple[float, ...], tuple[float, ...]]] = field(default_factory=list)
    """Recorded set-point traces: times [s] and values."""
    segments: int = 1
    """Most segments of one profile."""
    filters: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    meter_slot: int = 0
    peak_slot: int = 0
    guard_slot: int = 0
    trip_slot: int = 0
    latencies: tuple[Fraction, ...] = ()
    """Further times that must be whole ticks. [s]"""
    arrivals: dict[int, tuple[Fraction, Fraction]] = field(default_factory=dict)
    """Period and phase of the instants at which slots take what a task sends them, and hold it. [s]"""
    seed: int = 0
    stick_slot: int = 0
    ranges: tuple[Range, ...] = ()
    """Speeds that the step rule reckons with; none in a smooth bench."""
    range_slot: int = 0
    faults: tuple[Fault, ...] = ()
    """In the order of their times."""
    heat: Heat | None = None
    """What warms up; nothing in most benches."""

    def held(self, channel: Channel) -> tuple[Fraction, Fraction] | None:
        """Return period and phase [s] of the instants at which a channel changes, nothing where it flows.

        Parameters
        ----------
        channel : Channel
            Of this model.
        """
        first = len(self.plant.network.states)
        clocks = set()
        for source, what, _ in channel.entries:
            slot = first + what.index if isinstance(what, Ref) and what.kind == "held" else what
            clocks.add(self.arrivals.get(slot) if isinstance(slot, int) and source != "profile" else None)
        return clocks.pop() if len(clocks) == 1 else None

    def unmetered(self) -> "Model":
        """Return the model without meters and peaks, a quarter of its steps; their slots stay as they are."""
        network = replace(self.plant.network, meters=[], powers=[])
        return replace(self, plant=replace(self.plant, network=network), peaks=[])


def alike(one: Model, other: Model) -> bool:
    """Return whether two models differ at most in the numbers of their tasks and filters.

    Models of one plant have the same noise: it belongs to the parts of the line.
    """
    return one.plant is other.plant and _without_numbers(one) == _without_numbers(other)


def _without_numbers(model: Model) -> tuple[object, ...]:
    counts = model.seed, model.profiles, model.segments, len(model.filters), len(model.noises)
    tasks = [(task.kind, task.a, task.period, task.phase, task.priority) for task in model.tasks]
    channels = [channel.entries for channel in model.channels]
    return counts, model.layout.initial, tasks, channels, model.guards, model.traces, model.latencies
