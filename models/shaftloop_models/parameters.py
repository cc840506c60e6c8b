"""How a part declares its parameters: once, with unit and range.

A parameter is a field of a frozen dataclass, annotated with a `Quantity` (a number with a unit) or
a `Number` (a bare number). The scenario reader and the JSON Schema are derived from these
annotations. Values arrive here in SI units: the unit text is read at the door and nowhere else.

`Fraction` instead of `float` marks a quantity that must stay exact (periods, phases, latencies).
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

__all__ = ["Checked", "Clock", "Delay", "Gain", "Number", "ParameterError", "Quantity", "Sampled"]


class ParameterError(ValueError):
    """A parameter, or a combination of parameters, outside what the model allows.

    Attributes
    ----------
    key : str
        Name of the parameter at fault.
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(key, message)
        self.key = key
        self.message = message

    def __str__(self) -> str:
        """Return the message behind the name of the parameter."""
        return f"{self.key}: {self.message}"


class Checked:
    """Parameters with checks beyond those of each field."""

    def check(self) -> None:
        """Run them.

        Raises
        ------
        ParameterError
            Naming the parameter at fault.
        """
        raise NotImplementedError


@dataclass(frozen=True)
class Quantity:
    """Annotation of a field that holds a physical quantity.

    Parameters
    ----------
    unit : str
        SI unit of the stored value, as a person would write it, e.g. ``"N m/rad"``.
    doc : str
        One line for the schema and the error messages.
    gt, ge, lt, le : float, optional
        Bounds of the stored value. [unit]
    also : tuple of str, optional
        Further units of another dimension that the field admits (see `Gain` and `Delay`).
    """

    unit: str
    doc: str
    gt: float | None = None
    ge: float | None = None
    lt: float | None = None
    le: float | None = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class Number:
    """Annotation of a field that holds a bare number, a count, a flag, a choice or a name.

    Parameters
    ----------
    doc : str
        One line for the schema and the error messages.
    gt, ge, lt, le : float, optional
        Bounds, for numbers.
    """

    doc: str
    gt: float | None = None
    ge: float | None = None
    lt: float | None = None
    le: float | None = None


@dataclass(frozen=True)
class Delay:
    """A latency stated either as a time or as a number of samples of the task it belongs to."""

    value: Fraction
    """Seconds, or samples. [s] or [sample]"""
    in_samples: bool = False
    """True where `value` counts samples."""

    def seconds(self, period: Fraction) -> Fraction:
        """Return the latency of a task with this period [s]."""
        return self.value * period if self.in_samples else self.value


@dataclass(frozen=True)
class Gain:
    """A controller gain whose dimension depends on the quantity that its loop controls."""

    value: float
    """Value in SI units of `unit`."""
    unit: str
    """The unit, of those that the field admits, whose dimension the text had."""


@dataclass(frozen=True)
class Clock:
    """When something sampled is due, and the keys that state it."""

    period: Fraction
    """[s]"""
    phase: Fraction
    """First instant. [s]"""
    latency: Fraction = Fraction(0)
    """From an instant to the moment when its result is there. [s]"""
    keys: tuple[str, str, str] = ("sampling", "phase", "latency")
    """Of rate or period, of phase, and of latency; the last one empty where none can be stated."""
    table: tuple[str, ...] = ()
    """Tables inside the item that hold the keys."""
    free_running: bool = False
    """Whether it is not synchronised to the rest."""


class Sampled:
    """Takes readings at instants of its own and hands each over later."""

    sampling: Fraction
    """[Hz]"""
    phase: Fraction
    """[s]"""
    latency: Delay
    """[s] or [sample]"""
    free_running: bool = False
    samples: ClassVar[bool] = True

    def timing(self) -> Clock:
        """Return when it takes its readings."""
        period = 1 / self.sampling
        latency = self.latency.seconds(period)
        return Clock(period, self.phase, latency, free_running=self.free_running)
