"""Where an excitation that turns with the line meets a mode: natural frequencies against speed.

An excitation of order n has n periods per turn, so it meets a mode of frequency f at the speed 2π·f/n.
The orders of a bench: 1 from unbalance, 2 from misaligned couplings; from the electrics of every PM machine
its pole pairs p, 2p, and 6p, the pulsation of a three-phase winding fed by an inverter; the orders of ripple
and cogging that machines state; and what the scenario states in `orders`, for instance the number of slots.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.analysis.modes import Mode
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.part import make_part
from shaftloop.scenario.description import Description
from shaftloop_models.bodies import lay_out

__all__ = [
    "Excitation",
    "Interference",
    "Meeting",
    "excitations",
    "find_meetings",
    "interference",
]


@dataclass(frozen=True)
class Excitation:
    """Something that excites the line a number of times per turn."""

    order: float
    """Per turn of the leftmost body."""
    source: str
    """In words; all sources of this order."""


@dataclass(frozen=True)
class Meeting:
    """An order meets a mode."""

    excitation: Excitation
    mode: int
    """Number of the mode, from 1."""
    frequency: float
    """[Hz]"""
    speed: float
    """[rad/s]"""
    margin: float | None
    """From the operating speed, in per cent of it; nothing where that is zero."""
    nearest: bool
    """True for the meeting nearest to the operating speed."""


@dataclass(frozen=True)
class Interference:
    """What the Campbell diagram of a bench shows."""

    excitations: tuple[Excitation, ...]
    """By rising order."""
    meetings: tuple[Meeting, ...]
    """By rising speed."""
    operating_speed: float
    """[rad/s]"""
    max_speed: float
    """End of the operating range. [rad/s]"""

    @property
    def nearest(self) -> Meeting | None:
        """The meeting nearest to the operating speed."""
        return next((meeting for meeting in self.meetings if meeting.nearest), None)


def excitations(description: Description) -> tuple[Excitation, ...]:
    """Return the excitations of a bench by rising order."""
    bodies, _, places = lay_out(description.line)
    shafts = {body.shaft for body in bodies}
    found: dict[float, dict[str, list[str]]] = {}
    for shaft in sorted(shafts):
        of = [f"of the shaft of {bodies[shaft].name}"] if len(shafts) > 1 else []
        for order, kind in ((1.0, "unbalance"), (2.0, "misalignment")):
            found.setdefault(order * bodies[shaft].pace, {}).setdefault(kind, []).extend(of)
    for part in description.line:
        for order, kind in make_part(part).excitations():
            turns = order * bodies[places[part.name].body].pace
            found.setdefault(turns, {}).setdefault(kind, []).append(part.name)
    for order, name in description.orders:
        pace = bodies[places[name].body].pace if name else 1.0
        kind = f"as stated, of the shaft of {name}" if name else "as stated"
        found.setdefault(order * pace, {}).setdefault(kind, [])
    return tuple(
        Excitation(
            order, ", ".join(" ".join([kind, " and ".join(names)]).strip() for kind, names in k.items())
        )
        for order, k in sorted(found.items())
    )


def interference(bench: Bench, modes: Sequence[Mode], operating_speed: float) -> Interference:
    """Return where the excitations of a bench meet its modes.

    Parameters
    ----------
    modes : sequence of Mode
        From `find_modes`.
    operating_speed : float
        Speed from which the margins count; its sign does not matter. [rad/s]
    """
    max_speed = 0.0 if bench.line.held else bench.fastest()
    found = excitations(bench.description)
    speed = abs(operating_speed)
    return Interference(found, find_meetings(found, modes, speed, max_speed), speed, max_speed)


def find_meetings(
    excitations: Sequence[Excitation], modes: Sequence[Mode], operating_speed: float, max_speed: float
) -> tuple[Meeting, ...]:
    """Return the meetings of orders and modes up to a speed, by rising speed.

    Parameters
    ----------
    excitations : sequence of Excitation
        Orders.
    modes : sequence of Mode
        By rising frequency.
    operating_speed, max_speed : float
        [rad/s]
    """
    crossings = [
        (2.0 * math.pi * mode.frequency / excitation.order, number, excitation, mode.frequency)
        for excitation in excitations
        for number, mode in enumerate(modes, 1)
    ]
    crossings.sort(key=lambda crossing: crossing[0])
    inside = [crossing for crossing in crossings if crossing[0] <= max_speed]
    distances = [abs(crossing[0] - operating_speed) for crossing in inside]
    turns = operating_speed > 0.0
    nearest = distances.index(min(distances)) if turns and distances else -1
    return tuple(
        Meeting(
            excitation,
            number,
            frequency,
            speed,
            100.0 * (speed - operating_speed) / operating_speed if turns else None,
            i == nearest,
        )
        for i, (speed, number, excitation, frequency) in enumerate(inside)
    )
