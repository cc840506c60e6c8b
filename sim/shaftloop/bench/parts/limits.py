"""What a part cannot do, in a form that every analysis shows alike."""

from dataclasses import dataclass

__all__ = ["Violation"]


@dataclass(frozen=True)
class Violation:
    """A limit that prevents an operating point."""

    limit: str
    """Which, in words."""
    value: float
    """What the point needs. [unit]"""
    allowed: float
    """[unit]"""
    unit: str
    advice: str
    """What to do."""

    def __str__(self) -> str:
        """Return the limit with value and unit."""
        return f"{self.limit}: needs {self.value:.5g} {self.unit}, allowed {self.allowed:.5g} {self.unit}"
