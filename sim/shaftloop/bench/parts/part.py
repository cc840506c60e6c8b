"""The one protocol by which everything else asks a part of the line.

A part on the bench joins its parameters and physics (`shaftloop_models`) with what is sampled
(`shaftloop.control`). It is made from its parameters alone, which suffices for questions about other forms of
it; `declare` gives it its equations, `wire` its slots and tasks. A part without a class of its own here is
mechanics and nothing else.
"""

import importlib
import pkgutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Generic, NamedTuple, TypeVar

from shaftloop.bench.parts.limits import Violation
from shaftloop.engine.heat import Thermal
from shaftloop.engine.model import Channel, NoiseChannel
from shaftloop.kernels.arrays import Floats, Phasors
from shaftloop_models.coupling import MisalignmentLoad
from shaftloop_models.network import Network, Node, Ref
from shaftloop_models.part import Part

if TYPE_CHECKING:
    from shaftloop.bench.line import Edge
    from shaftloop.bench.wiring import Wiring

__all__ = ["BEYOND", "FASTER", "BenchPart", "Ideal", "Site", "make_part", "on_bench"]

P = TypeVar("P", bound=Part)
B = TypeVar("B", bound="type[BenchPart[Any]]")

BEYOND = 1e6
"""Factor that takes a limit out of reach."""
FASTER = 16
"""How many times faster an ideal sampler or task runs."""


@dataclass(frozen=True)
class Site:
    """Where a part sits in a line that has its equations."""

    number: int
    """Of the part, from the left."""
    body: int
    """Number of the body that the part is or begins with."""
    node: Node
    """That body."""
    spring: int
    """Number of its spring, -1 where it has none."""
    edge: "Edge | None"
    """Spring of the part, where it has one."""
    angle: tuple[Ref, ...]
    """Angle of the body: that of the line, then the twists to subtract; empty where nothing needs it."""
    turned: tuple[tuple[float, Ref], ...] = ()
    """On a smooth bench with loops on positions the angle of the body in their frame, weight times state."""


class Ideal(NamedTuple):
    """One thing about a part that delays a loop, and the part without it."""

    cause: str
    """In words."""
    change: Callable[[Any], Part]
    """Takes parameters, which may be ideal in other respects already."""
    scatters: bool = False
    """Whether it is noise or rounding, which tells nothing of the bench and is no part of a sensitivity."""


class BenchPart(Generic[P]):
    """A part of the line on a bench."""

    gains: tuple[int, ...] = ()
    """Meters of the energy that it gives to its body."""
    losses: tuple[int, ...] = ()
    """Meters of the energy that it takes from its body as heat."""
    flexes: ClassVar[bool] = False
    """Whether it has hubs that may be out of line, so that it loads its neighbours by bending."""
    position_slot: int = -1
    """Angle counted since the start, as it is received; -1 where no loop controls it. [rad]"""
    position_task: int = -1
    """That counts it."""
    reading_slot: int = -1
    """Slot of what is read of it; -1 where there is nothing to read."""
    command_slot: int = -1
    """Held slot: torque command that is active; -1 where none acts on it. [N m]"""
    zero: tuple[int, int] = (-1, -1)
    """Task, and column of its floats, that hold the zero of its reading."""

    def __init__(self, parameters: P) -> None:
        self.parameters = parameters

    @property
    def name(self) -> str:
        """Name of the part."""
        return self.parameters.name

    def smooth(self) -> P:
        """Return its parameters without what depends on the angle of the line, for analyses of the map."""
        return self.parameters

    def ideals(self) -> list[Ideal]:
        """Return what of it can be made ideal on the way of a loop, in the order of the way."""
        return []

    def limits(self) -> list[Ideal]:
        """Return its limits that a linear bench has not, and it with each of them out of reach."""
        return []

    def imperfections(self) -> list[Ideal]:
        """Return what else a linear bench has not, named alike for all parts of a kind."""
        return []

    def on_stronger_link(self, factor: float) -> P | None:
        """Return it with the same behaviour on a link with a higher voltage, but for the limit of that.

        None where the link does not limit it.
        """
        return None

    def step(self, speed: float) -> float:
        """Return the step of a reading of a speed [rad/s]."""
        return 0.0

    def excitations(self) -> list[tuple[float, str]]:
        """Return the orders at which it excites the line, and what does, in words that its name follows."""
        return []

    def pulsation(self, torque: float, speed: Floats) -> dict[float, tuple[str, Phasors]]:
        """Return what its torque does over the angle: words, and phasors by order [N m].

        At a mean torque [N m], phasors at some speeds, shape (n,) [rad/s].
        """
        return {}

    def sizes(self, torque: float) -> dict[str, float]:
        """Return the usual size of its quantities by unit, where a torque of the line [N m] does not tell."""
        return {}

    uneven: ClassVar[str] = "Misaligned coupling"
    """What turns one end of it unevenly, in words that its name follows."""

    def misalignment(self, torque: float, speed: float) -> MisalignmentLoad | None:
        """Return what its offsets or its transmission error do, nothing without any.

        At the torque that it carries [N m] and a speed [rad/s].
        """
        return None

    def declare(self, net: Network, site: Site) -> None:
        """Add its equations to a network, beyond the elements of the line."""

    def signals(self) -> list[Ref]:
        """Return the signals that its tasks, guards or channels read."""
        return []

    def wire(self, wiring: "Wiring") -> None:
        """Add its slots and tasks to a bench."""

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield what is recorded of it; of names `prefix` is the part's, empty for the main sensor."""
        yield from ()

    def peaks(self) -> list[tuple[str, Ref]]:
        """Return the quantities whose extremes are kept, by name."""
        return []

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield what a steady state of the smooth bench asks of it, and what it allows, exceeded or not."""
        yield from ()

    def thermal(self) -> Thermal:
        """Return what of it warms up, or has a limit of current over time."""
        return Thermal()

    @property
    def guarded(self) -> dict[str, tuple[int, int | Ref]]:
        """What an interlock may watch: task behind which it looks, -1 for always, and slot or quantity."""
        return {}

    def noises(self) -> list[NoiseChannel]:
        """Return the noise that enters the network."""
        return []


_CLASSES: dict[type[Part], type[BenchPart[Any]]] = {}


def on_bench(kind: type[Part]) -> Callable[[B], B]:
    """Make a class known as what a kind of part, or a base of several, is on the bench."""

    def note(cls: B) -> B:
        _CLASSES[kind] = cls
        return cls

    return note


def make_part(parameters: Part) -> BenchPart[Any]:
    """Return a part on the bench, before it has equations."""
    _load()
    known = (_CLASSES[kind] for kind in type(parameters).__mro__ if kind in _CLASSES)
    return next(known, BenchPart)(parameters)


@cache
def _load() -> None:
    """Import every file of this folder, so that its classes make themselves known."""
    for module in pkgutil.iter_modules([str(Path(__file__).parent)], f"{__package__}."):
        importlib.import_module(module.name)
