"""Lateral critical speeds of the parts that say how they bend, and their residual unbalance."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shaftloop.bench.parts.ratings import rotors
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.description import Description
from shaftloop_models.lateral import Criticals, Rotor, critical_speeds, residual_unbalance, unbalance_force

__all__ = ["Bending", "bending_figures", "find_bending"]


@dataclass(frozen=True)
class Bending:
    """A part that bends between its ends."""

    part: str
    rotor: Rotor
    criticals: Criticals
    service: float
    """Highest speed of service: that of the part, else of the machines. [rad/s]"""
    grade: float | None
    """Balance quality grade; nothing where none is stated. [m/s]"""

    @property
    def unbalance(self) -> float | None:
        """Permissible residual unbalance; nothing without a grade [kg m]."""
        return None if self.grade is None else residual_unbalance(self.grade, self.rotor.mass, self.service)

    @property
    def stiff_ends(self) -> tuple[str, ...]:
        """Supported ends that count as carried stiffly, because no radial stiffness is stated."""
        ends = {"left": self.rotor.left, "right": self.rotor.right}
        return tuple(side for side, (kind, radial) in ends.items() if kind == "supported" and radial is None)


def find_bending(description: Description) -> tuple[Bending, ...]:
    """Return what bends, left to right."""
    top = max(part.stands().max_speed or 0.0 for part in description.line if part.drives)
    found = rotors(description.line)
    return tuple(
        Bending(
            part.name,
            found[part.name],
            critical_speeds(found[part.name]),
            part.stands().max_speed or top,
            part.lateral.balance_grade,
        )
        for part in description.line
        if part.lateral is not None
    )


def bending_figures(found: Sequence[Bending]) -> dict[str, Figure]:
    """Return the figures of what bends by name, e.g. ``ts.critical_speed``.

    Parameters
    ----------
    found : sequence of Bending
        From `find_bending`.
    """
    return by_name(figure for entry in found for figure in _figures(entry))


def _figures(entry: Bending) -> Iterator[Figure]:
    values: list[tuple[str, str, str, float | None]] = [
        ("critical_speed", "rad/s", "lowest lateral critical speed", entry.criticals.lowest),
        ("rayleigh", "rad/s", "bound of the lowest lateral critical speed from above", entry.criticals.above),
        (
            "dunkerley",
            "rad/s",
            "bound of the lowest lateral critical speed from below",
            entry.criticals.below,
        ),
        ("second_critical_speed", "rad/s", "second lateral critical speed", entry.criticals.second),
    ]
    for name, unit, meaning, value in values:
        figure = Figure(f"{entry.part}.{name}", unit, meaning, better="higher", group=entry.part)
        yield figure.found(value) if value is not None else figure.absent("a single mass has no other")
    unbalance, force = entry.unbalance, None
    if unbalance is not None:
        force = unbalance_force(unbalance, entry.service)
    at = "at the highest speed of service"
    values = [
        (
            "residual_unbalance",
            "kg m",
            f"permissible residual unbalance by its balance grade, {at}",
            unbalance,
        ),
        ("unbalance_force", "N", f"radial force of that unbalance on a rigid rotor, {at}", force),
    ]
    for name, unit, meaning, value in values:
        figure = Figure(f"{entry.part}.{name}", unit, meaning, better="lower", group=entry.part)
        yield figure.found(value) if value is not None else figure.absent("no balance_grade is stated")
