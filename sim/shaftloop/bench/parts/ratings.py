"""What a part stands: quantities whose peaks are held against a rating, limits that act while it runs."""

from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.bench.wiring import Wiring
from shaftloop.engine.heat import Body
from shaftloop.engine.layout import SlotKind
from shaftloop_models.bodies import befores
from shaftloop_models.lateral import CLEAR, Rotor, critical_speeds
from shaftloop_models.part import Part

__all__ = [
    "BENDING",
    "UNDERVOLTAGE",
    "WATCHED",
    "Rating",
    "Watch",
    "bending_ratings",
    "ratings",
    "rotors",
    "temperature_ratings",
    "watch",
]

BENDING = "speed_in_bending"
"""The speed of a part that is held against its lateral critical speed."""

WATCHED = 4
"""Slots of a limit that is watched: ticks at it, first and last tick at it, largest value."""
UNDERVOLTAGE = "undervoltage"
"""The limit of a machine from below: of the voltage of its link."""


@dataclass(frozen=True)
class Rating:
    """A quantity of a part that has a rating or a limit."""

    part: str
    quantity: str
    """``torque``, ``speed``, `BENDING`, or the temperature of a body."""
    unit: str
    rated: float | None
    """What it stands for good; nothing where that is not stated. [unit]"""
    limit: float | None
    """What it must never pass; nothing where that is not stated. [unit]"""
    peak: str
    """Name of the extremes that a run keeps."""
    base: float | None = None
    """Where the quantity counts from, upwards only; nothing where it counts from 0 either way. [unit]"""


@dataclass(frozen=True)
class Watch:
    """A limit that a sampled task keeps to."""

    owner: str
    """Machine or loop."""
    limit: str
    """Which, in one word."""
    unit: str
    allowed: float
    """[unit]"""
    task: int
    """Number of the task."""
    slot: int
    """First of its slots."""
    words: str
    """The owner in words."""
    lowest: str = ""
    """Name of the extremes that a limit from below is held against; empty for a limit from above."""


def ratings(part: Part, springs: bool) -> list[Rating]:
    """Return what a part states of what it stands; with `springs`, its torque counts."""
    found, stands = [], part.stands()
    if springs and (stands.rated is not None or stands.limit is not None):
        found.append(Rating(part.name, "torque", "N m", stands.rated, stands.limit, part.name))
    if stands.max_speed is not None:
        found.append(Rating(part.name, "speed", "rad/s", None, stands.max_speed, f"{part.name}.speed"))
    return found


def rotors(line: Sequence[Part]) -> dict[str, Rotor]:
    """Return what of the parts bends, by their names, each carried by the parts beside it.

    Of several that come after it the first one counts.
    """
    radial, before = {part.name: part.radial_stiffness for part in line}, befores(line)
    after = {one: name for name, one in reversed(before.items())}
    found = {
        part.name: part.rotor((radial.get(before.get(part.name, "")), radial.get(after.get(part.name, ""))))
        for part in line
    }
    return {name: rotor for name, rotor in found.items() if rotor is not None}


def bending_ratings(line: Sequence[Part]) -> list[Rating]:
    """Return how fast parts may turn in bending: for good well below their lowest critical speed."""
    lowest = {name: critical_speeds(rotor).lowest for name, rotor in rotors(line).items()}
    return [
        Rating(name, BENDING, "rad/s", speed / CLEAR, speed, f"{name}.speed")
        for name, speed in lowest.items()
    ]


def temperature_ratings(bodies: Sequence[Body]) -> list[Rating]:
    """Return how hot bodies that warm up may be."""
    return [
        Rating(owner, f"{what}_temperature", "degC", None, body.limit, body.name, body.ambient)
        for body in bodies
        for owner, _, what in (body.name.partition("."),)
        if body.limit is not None
    ]


def watch(wiring: Wiring, owner: str, limits: tuple[tuple[str, str, float], ...], words: str = "") -> int:
    """Add the slots of the limits of the task that is added next, and return the first.

    `limits` are name, unit and value of each, in the order in which the task looks after them; `words` stand
    for the owner, a machine or loop, where its name alone does not say what it is.
    """
    task, first = len(wiring.tasks), len(wiring.layout.slots)
    for limit, unit, allowed in limits:
        slot = wiring.layout.add(f"{owner}.{limit}_limit", SlotKind.ACCUMULATOR, "", WATCHED)
        wiring.layout.initial[slot + 1] = wiring.layout.initial[slot + 2] = -1.0
        lowest = "link.voltage" if limit == UNDERVOLTAGE else ""
        wiring.watches.append(Watch(owner, limit, unit, allowed, task, slot, words or owner, lowest))
    return first
