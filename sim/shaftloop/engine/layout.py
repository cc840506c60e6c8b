"""The flat state vector: which slot holds what."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

__all__ = ["Layout", "Slot", "SlotKind"]


class SlotKind(Enum):
    """What a slot of the state vector is."""

    CONTINUOUS = "continuous"
    HELD = "held"
    DELAY = "delay"
    ACCUMULATOR = "accumulator"
    INTEGER = "integer"
    """Flags and tick numbers."""
    PROBE = "probe"
    """What analyses read and inject; no part of the bench's own dynamics."""


class Slot(NamedTuple):
    """One slot of the state vector."""

    name: str
    kind: SlotKind
    unit: str


@dataclass
class Layout:
    """The slots in order: plant states, plant inputs, then what the tasks and meters need."""

    slots: list[Slot] = field(default_factory=list)
    initial: list[float] = field(default_factory=list)

    def add(self, name: str, kind: SlotKind, unit: str, count: int = 1, initial: float = 0.0) -> int:
        """Add neighbouring slots and return the number of the first."""
        first = len(self.slots)
        for i in range(count):
            self.slots.append(Slot(name if count == 1 else f"{name}[{i}]", kind, unit))
        self.initial.extend([initial] * count)
        return first

    def extend(self, slots: Sequence[Slot], initial: Sequence[float]) -> int:
        """Add slots with their initial values and return the number of the first."""
        first = len(self.slots)
        self.slots.extend(slots)
        self.initial.extend(initial)
        return first

    def number(self, name: str) -> int:
        """Return the number of the slot with this name."""
        return next(i for i, slot in enumerate(self.slots) if slot.name == name)
