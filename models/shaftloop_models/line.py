"""The mechanical elements that a part of the line consists of, left to right.

A part is a short sequence of `Inertia` and `Spring`. Neighbouring inertias are bolted together and
move as one; two springs need an inertia between them.
"""

from dataclasses import dataclass

from shaftloop_models.drag import Drag

__all__ = ["Element", "Inertia", "MaxwellBranch", "Spring", "TransmissionError"]


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
    order: float = 1.0
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
    play: float = 0.0
    """Angle that it turns without any torque; then without branches and viscous damping. [rad]"""
    pressed_damping: float = 0.0
    """Viscous damping per torque that presses its flanks, with a play. [s/rad]"""
    outputs: int = 1
    """Right ends: two of a differential, which get equal torques; then without error and play."""


Element = Inertia | Spring
