"""A fixed end: what holds one end of the line still, such as a wall, a vice or a locked rotor.

Neglected: that a real one gives; a coupling or shaft beside it may hold its stiffness.
"""

import math
from dataclasses import dataclass
from typing import Literal

from shaftloop_models.line import Element, Inertia
from shaftloop_models.part import Part, part_kind

__all__ = ["FixedEnd"]


@part_kind
@dataclass(frozen=True)
class FixedEnd(Part):
    """Parameters of a fixed end."""

    part: Literal["fixed_end"]
    name: str

    def elements(self) -> list[Element]:
        """Return a body that no torque moves."""
        return [Inertia(math.inf)]
