"""What every part of the line says of itself, and the kinds of parts there are.

A part is a frozen dataclass of parameters. Whoever works with the line asks what stands in `Part` and never
for the class. Sampling, slots and whatever else a part is on a bench stands in `shaftloop.bench.parts`.
"""

import importlib
import pkgutil
from abc import abstractmethod
from dataclasses import dataclass
from functools import cache
from math import lcm
from pathlib import Path
from typing import Annotated, ClassVar, NamedTuple, TypeVar, get_args, get_type_hints

from shaftloop_models.drag import Drag
from shaftloop_models.harmonics import Cogging, Ripple
from shaftloop_models.heat import Heat
from shaftloop_models.lateral import Lateral, Rotor
from shaftloop_models.line import Element, Spring
from shaftloop_models.parameters import Checked, Clock, Number, Sampled

__all__ = ["Filed", "Machine", "Part", "Placed", "Sensor", "Stands", "kind_of", "kinds", "part_kind"]


class Stands(NamedTuple):
    """What a part stands; nothing where that is not stated."""

    rated: float | None = None
    """Torque that it carries, or makes, for good. [N m]"""
    limit: float | None = None
    """Torque beyond which its spring is damaged. [N m]"""
    max_speed: float | None = None
    """Largest speed. [rad/s]"""
    alternating: float | None = None
    """Amplitude of an alternating torque that it carries for good. [N m]"""
    heat: float | None = None
    """Power that its damping may turn into heat for good. [W]"""


class Filed(NamedTuple):
    """A file of numbers that a part names."""

    keys: tuple[str, ...]
    """That name it, inside the part."""
    file: str
    columns: tuple[tuple[str, str], ...]
    """Name and SI unit of each that it must have."""


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where something sits in the line."""

    after: Annotated[str | None, Number("part above whose right end it comes after, for a branch")] = None


class Part(Checked, Placed):
    """A part of the line."""

    part: str
    """Kind of part, as a scenario says it."""
    name: str
    signal: ClassVar[str] = ""
    """What a loop controls that reads it, ``torque`` or ``speed``; empty where there is nothing to read."""
    samples: ClassVar[bool] = False
    """Whether what is read of it is taken at instants of its own."""
    drives: ClassVar[bool] = False
    """Whether a loop can act on it."""
    absent: ClassVar[dict[str, str]] = {}
    """Keys that it cannot have although others of its kind do, and why."""
    wound: ClassVar[bool] = False
    """Whether it has terminals that can be shorted: voltages and currents, not only a torque."""
    heat: Heat | None = None
    """How its winding warms up; nothing where that is not modelled."""
    counts: bool | None = None
    """Whether it counts an angle, nothing where it sees none."""
    range: float | None = None
    """Largest reading, either sign, where there is one."""
    radial_stiffness: float | None = None
    """With which it carries the part beside it, where that is stated. [N/m]"""
    lateral: Lateral | None = None
    """How it bends between its ends, where that is stated."""

    @abstractmethod
    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""

    def check(self) -> None:
        """Run the checks that concern several parameters.

        Raises
        ------
        ParameterError
            Naming the parameter at fault.
        """
        self.elements()

    def warnings(self) -> list[tuple[tuple[str, ...], str]]:
        """Return what is allowed but looks wrong: keys inside the part, and the words."""
        return []

    def filed(self) -> Filed | None:
        """Return the file of numbers that it names, nothing where there is none to be read."""
        return None

    def filled(self, rows: tuple[tuple[float, ...], ...]) -> "Part":
        """Return it with what that file holds.

        Parameters
        ----------
        rows : tuple of tuple of float
            Of the columns of `filed`, in their units. [1]
        """
        raise NotImplementedError

    def stands(self) -> Stands:
        """Return what it stands, as far as that is stated."""
        return Stands()

    def stress(self, torque: float) -> float | None:
        """Return the largest shear stress of its section [Pa], nothing where its dimensions are not known.

        Parameters
        ----------
        torque : float
            That it carries. [N m]
        """
        return None

    def rotor(self, beside: tuple[float | None, float | None]) -> Rotor | None:
        """Return what of it bends between its ends, nothing where that is not stated.

        Parameters
        ----------
        beside : tuple of (float or None, float or None)
            Radial stiffness with which the parts left and right of it carry it. [N/m]
        """
        return None

    def timing(self) -> Clock | None:
        """Return when its sampled side is due, nothing where it has none."""
        return None

    def repeats(self) -> int:
        """Return the smallest number of turns after which all that depends on its angle repeats."""
        springs = [element for element in self.elements() if isinstance(element, Spring)]
        orders = [spring.error.order for spring in springs if spring.error is not None]
        return lcm(*(order.denominator for order in orders))


class Sensor(Sampled, Part):
    """A part that takes samples of torque or speed."""


class Machine(Part):
    """A machine: what a loop acts on, and whose speed can be read as it is."""

    signal = "speed"
    drives = True
    inertia: float
    """[kg m^2]"""
    max_speed: float
    """[rad/s]"""
    rated_torque: float | None = None
    """[N m]"""
    drag: Drag = Drag()
    ripple: tuple[Ripple, ...] = ()
    cogging: tuple[Cogging, ...] = ()

    @abstractmethod
    def timing(self) -> Clock:
        """Return when it takes its command."""

    def stands(self) -> Stands:
        """Return its rated torque and its largest speed."""
        return Stands(rated=self.rated_torque, max_speed=self.max_speed)

    def repeats(self) -> int:
        """Return the smallest number of turns after which ripple and cogging repeat."""
        orders = [*(entry.order for entry in self.ripple), *(entry.order for entry in self.cogging)]
        return lcm(*(order.denominator for order in orders))


_Kind = TypeVar("_Kind", bound=type[Part])

_KINDS: dict[type[Part], str] = {}


def part_kind(cls: _Kind) -> _Kind:
    """Make a part known to whoever reads scenarios.

    Parameters
    ----------
    cls : type
        Dataclass of its parameters.
    """
    _KINDS[cls] = get_args(get_type_hints(cls)["part"])[0]
    return cls


def kinds() -> tuple[type[Part], ...]:
    """Return the kinds of parts in alphabetical order: those of this package, and what was made known."""
    _load()
    return tuple(sorted(_KINDS, key=lambda cls: (_KINDS[cls], cls.__name__)))


def kind_of(cls: type[Part]) -> str:
    """Return what a scenario calls a kind of part.

    Parameters
    ----------
    cls : type
        One of `kinds`.
    """
    return _KINDS[cls]


@cache
def _load() -> None:
    """Import every file of this package, so that its parts make themselves known."""
    for module in pkgutil.iter_modules([str(Path(__file__).parent)], f"{__package__}."):
        importlib.import_module(module.name)
