"""The mechanical elements that a part of the line consists of, left to right.

A part is a short sequence of `Inertia` and `Spring`. Neighbouring inertias are bolted together and
move as one; two springs need an inertia between them.
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from shaftloop_models.drag import Drag
from shaftloop_models.network import Network, Node, Ref

__all__ = [
    "SWING_STEP",
    "Element",
    "Inertia",
    "Laid",
    "Law",
    "MaxwellBranch",
    "Spring",
    "SpringSite",
    "TransmissionError",
]

SWING_STEP = 0.3
"""Product of substep and `SpringSite.swing` (or what else of a law is faster), at most."""


@dataclass(frozen=True)
class Inertia:
    """A rigid body, or a drag without inertia of its own."""

    value: float
    """[kg m^2]"""
    drag: Drag = Drag()
    drag_label: str = ""
    """Name of the drag in the energy table, e.g. ``drive``."""


@dataclass(frozen=True)
class MaxwellBranch:
    """A spring in series with a damper, parallel to the main spring."""

    stiffness: float
    """[N m/rad]"""
    time_constant: float
    """Damping over stiffness of the branch [s]."""


@dataclass(frozen=True)
class TransmissionError:
    """``first·sin(n·θ + phase) + second·sin 2(n·θ + phase)``: how far the right end leads, n the order."""

    first: float
    """[rad]"""
    second: float
    """[rad]"""
    phase: float
    """[rad]"""
    order: Fraction = Fraction(1)
    """Periods per turn of the left end."""


@dataclass(frozen=True)
class Spring:
    """A torsion spring with damping in parallel; all of it is seen from its left end."""

    stiffness: float
    """Static stiffness [N m/rad]."""
    damping: float = 0.0
    """Viscous damping in parallel [N m s/rad]."""
    branches: tuple[MaxwellBranch, ...] = ()
    error: TransmissionError | None = None
    ratio: float = 1.0
    """Speed of its left end over that of its right end while it does not strain: other than 1 in a gear."""
    law: "Law | None" = None
    """What makes it other than linear; then without viscous damping, which the law has."""
    outputs: int = 1
    """Right ends: two of a differential, which get equal torques; then without error and law."""
    creep: float = 0.0
    """Share of the speed lost per torque, of a belt; then without viscous damping, error, law. [1/(N m)]"""


class SpringSite(NamedTuple):
    """Where a law acts: a spring with its linear equations, but for those of its damper."""

    net: Network
    """Equations to extend."""
    part: str
    """Name of the part, under which they go."""
    spring: Spring
    """That has this law."""
    left: Node
    """Body on its left."""
    right: Node
    """Body on its right."""
    twist: Ref
    """State. [rad]"""
    forces: tuple[Ref, ...]
    """States: of its Maxwell branches, which have their linear equations already. [N m]"""

    @property
    def rates(self) -> dict[Ref, float]:
        """Rate of the twist as a form of states [rad/s]."""
        return {self.left.speed: 1.0, self.right.speed: -self.spring.ratio}

    def swing(self, stiffness: float) -> float:
        """Return how fast its ends swing against each other alone, √(k·(1/J1 + i²/J2)) [rad/s].

        Parameters
        ----------
        stiffness : float
            k. [N m/rad]
        """
        return math.sqrt(stiffness * (1.0 / self.left.inertia + self.spring.ratio**2 / self.right.inertia))


class Laid(NamedTuple):
    """What a law makes of a spring, in equations."""

    taken: Ref
    """State: what of the twist carries nothing, so that the torque shown is k·(twist − taken) [rad]"""
    lost: Ref
    """Output: by how much the torque is below that of the linear spring. [N m]"""
    pulls: list[tuple[float, Ref]]
    """Further summands of the torque, weight and quantity. [N m]"""
    losses: list[tuple[str, str, list[tuple[float, Ref, Ref]]]]
    """Meters of what becomes heat: name, meaning, powers."""
    stored: tuple[float, Ref, Ref]
    """Elastic energy as coefficient·a·b. [J]"""
    outputs: tuple[Ref, ...]
    """Of its term."""


class Law(ABC):
    """How the torque of a spring differs from ``k·twist + d·rate``."""

    @abstractmethod
    def declare(self, at: SpringSite) -> Laid:
        """Add it to the equations."""

    def strain(self, stiffness: float, torque: float) -> float:
        """Return the twist under a steady torque, without what carries nothing [rad].

        Parameters
        ----------
        stiffness : float
            At zero torque. [N m/rad]
        torque : float
            [N m]
        """
        return torque / stiffness

    def free(self) -> float:
        """Return the angle that it turns without any torque [rad]."""
        return 0.0

    def words(self, stiffness: float) -> str:
        """Return what it is, for people.

        Parameters
        ----------
        stiffness : float
            At zero torque. [N m/rad]
        """
        return ""


Element = Inertia | Spring
