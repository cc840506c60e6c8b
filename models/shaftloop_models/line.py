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
    """``first·sin(θ + phase) + second·sin 2(θ + phase)``: how far the right hub leads by misalignment."""

    first: float
    """[rad]"""
    second: float
    """[rad]"""
    phase: float
    """[rad]"""


@dataclass(frozen=True)
class Spring:
    """A torsion spring with damping in parallel."""

    stiffness: float
    """Static stiffness [N m/rad]."""
    damping: float = 0.0
    """Viscous damping in parallel [N m s/rad]."""
    branches: tuple[MaxwellBranch, ...] = ()
    error: TransmissionError | None = None


Element = Inertia | Spring
