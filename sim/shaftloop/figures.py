"""What every analysis states its numbers in: figures with a name, a unit and a meaning.

Checks, studies, tables and documents are generic over them. A figure that has not been looked for yet has no
value; its reason is then what will be said where there is none.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, Self

__all__ = ["Better", "Figure", "Side", "by_name", "grouped", "number"]

Side = Literal["", "above", "below"]
"""Of a bound."""
Better = Literal["", "lower", "higher"]
"""Which way of a figure is the good one; nothing where neither is."""


@dataclass(frozen=True)
class Figure:
    """A figure of a bench."""

    name: str
    unit: str
    meaning: str
    value: float | None = None
    """In `unit`; nothing where it does not exist."""
    reason: str = ""
    """Why there is no value."""
    better: Better = ""
    """Which way is the good one."""
    beyond: Side = ""
    """Where there is no value because no bound limits it: the side of every bound on which it lies."""
    group: str = ""
    """What it belongs to, e.g. a loop, where several have figures of the same name."""
    at: float | None = None
    """Where several are compared: instant of the worst. [s]"""
    failed: bool = False
    """Whether the analysis itself failed, and `reason` says how."""

    def found(self, value: float | None, at: float | None = None) -> Self:
        """Return the figure with what was found; without a value it keeps its reason.

        Parameters
        ----------
        value : float or None
            In `unit`.
        at : float, optional
            Instant of the worst. [s]
        """
        if value is None:
            return replace(self, value=None, at=at)
        if not math.isfinite(value):
            return self.absent("no finite number came out")
        return replace(self, value=float(value), reason="", beyond="", at=at)

    def absent(
        self, reason: str, beyond: Side = "", *, at: float | None = None, failed: bool = False
    ) -> Self:
        """Return the figure without a value.

        Parameters
        ----------
        reason : str
            Why there is none.
        beyond : {"", "above", "below"}
            Side of every bound on which it lies.
        at : float, optional
            Instant that the reason is about. [s]
        failed : bool
            Whether the analysis itself failed.
        """
        return replace(self, value=None, reason=reason, beyond=beyond, at=at, failed=failed)

    def document(self) -> dict[str, Any]:
        """Return the figure as a document: value and unit, or the reason, the meaning, and when."""
        document = number(self.value, self.unit, self.reason) | {"meaning": self.meaning}
        return document if self.at is None else document | {"at": number(self.at, "s")}


def number(value: float | None, unit: str, reason: str | None = None) -> dict[str, Any]:
    """Return a physical number of a document.

    Parameters
    ----------
    value : float or None
        In `unit`.
    unit : str
        Unit.
    reason : str, optional
        Why there is no value.
    """
    if value is not None and not math.isfinite(value):
        value, reason = None, reason or "not a finite number"
    document: dict[str, Any] = {"value": value, "unit": unit}
    return document if value is not None else document | {"reason": reason or "not known"}


def grouped(group: str, figures: Mapping[str, Figure]) -> dict[str, Figure]:
    """Return figures by their names behind that of their group, e.g. ``torque.ms``.

    Parameters
    ----------
    group : str
        For example a loop.
    """
    return {f"{group}.{name}": replace(figure, group=group) for name, figure in figures.items()}


def by_name(figures: Iterable[Figure]) -> dict[str, Figure]:
    """Return figures by their names.

    Parameters
    ----------
    figures : iterable of Figure
        Each with a name of its own.
    """
    return {figure.name: figure for figure in figures}
