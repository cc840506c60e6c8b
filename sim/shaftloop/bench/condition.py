"""What has failed of a line for good: its equations change, its states, slots and meters do not."""

from dataclasses import dataclass

__all__ = ["HEALTHY", "Condition"]


@dataclass(frozen=True)
class Condition:
    """What may fail and what has failed, by names of parts.

    Benches whose `springs` and `bodies` are equal have the same states, slots and meters.
    """

    springs: frozenset[str] = frozenset()
    """Whose spring may break: it has a meter for what it loses then."""
    bodies: frozenset[str] = frozenset()
    """Whose body may be blocked: it has such a meter, too."""
    broken: frozenset[str] = frozenset()
    """Whose spring carries nothing any more."""
    blocked: frozenset[str] = frozenset()
    """Whose body is held still."""
    off: frozenset[str] = frozenset()
    """Machines the pulses of whose inverter are blocked."""
    sticks: bool = False
    """Whether friction sticks where a drag states its breakaway torque; else it is smooth."""


HEALTHY = Condition()
"""Nothing has failed, and nothing may."""
