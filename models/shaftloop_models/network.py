"""The equations of a bench, declared part by part.

A `Network` collects ``x' = A x + B u + G N(C x, u)`` entry by entry, with the energy meters that
belong to it. It holds no arrays and takes no time steps: the bench turns it into arrays, the engine
integrates them.

Every meter is the integral of a sum of powers, each a product of two quantities of the network, and
none is computed from other meters: a forgotten entry shows as an energy that does not close.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, NamedTuple

__all__ = [
    "ONE",
    "Balance",
    "Feed",
    "Meter",
    "Network",
    "Node",
    "OwnKind",
    "Potential",
    "Power",
    "PowerKind",
    "Ref",
    "Rub",
    "Term",
    "TermKind",
    "Warmth",
]


@dataclass(frozen=True, slots=True)
class Ref:
    """Handle of one quantity of a network."""

    kind: str
    """``state``, ``held``, ``signal``, ``output``, ``aside``, ``potential`` or ``one``."""
    index: int


ONE = Ref("one", 0)
"""The constant 1, for powers and forms with a constant part."""


class TermKind(IntEnum):
    """The nonlinear terms that kernels know; the equation of each stands in the file of its part."""

    COULOMB = 0
    WINDAGE = 1
    DQ_COUPLING = 2
    RELUCTANCE_TORQUE = 3
    RIPPLE = 4
    MISALIGNMENT = 5
    LINK = 6
    """What a machine draws from the DC link"""
    BRIDGE = 7
    CHOPPER = 8
    INVERTER = 9
    """What the inverter of a machine on a DC link loses"""
    SWITCHES = 10
    """What the switches of a two-way supply carry"""


@dataclass(frozen=True)
class OwnKind:
    """A kind of nonlinear term that a part brings along, beside the closed set."""

    name: str
    equation: Callable[[Any, Any, Any], None]
    """Takes what is read, the parameters and the outputs, which it writes; numba compiles it."""
    remedy: str = "lower what makes it steep"
    """What to change where its terms make steps short, as a sentence goes on."""
    angle: float | None = None
    """Where the slope of its terms is a rate of rotation: angle that one step may turn. [rad]"""


class PowerKind(IntEnum):
    """How a power follows from the two quantities a and b it is declared with."""

    PRODUCT = 0
    """coefficient·a·b"""
    AMPLITUDE = 1
    """coefficient·sqrt(a² + b²)"""
    LINK = 2
    """a·b divided by the coefficient (an efficiency) where a·b > 0, times the coefficient elsewhere"""
    CONVERSION_LOSS = 3
    """|power of kind LINK minus a·b|"""


@dataclass(frozen=True)
class Term:
    """One nonlinear term: outputs as a function of the quantities it reads."""

    kind: TermKind | OwnKind
    reads: tuple[Ref, ...]
    parameters: tuple[float, ...]
    outputs: tuple[Ref, ...]
    slope: float
    """Rate of change that the step rule must follow, in the operating range.

    A drag: bound of d torque/d speed [N m s/rad]. The dq coupling: the electrical speed, at which the
    currents rotate [rad/s]. A torque that depends on the angle: its highest order times the speed [rad/s].
    Zero where the term asks for no shorter step.
    """
    choices: tuple[int, ...] = ()
    """Integers that say how it is evaluated."""


@dataclass(frozen=True)
class Power:
    """One summand of a meter."""

    meter: int
    kind: PowerKind
    coefficient: float
    a: Ref
    b: Ref


@dataclass(frozen=True)
class Meter:
    """Integral of a power from the start of the run [J], or of a square of a current."""

    name: str
    meaning: str
    unit: str = "J"


@dataclass(frozen=True)
class Balance:
    """Energy balance of one element: in = out + loss + change of stored."""

    element: str
    incoming: tuple[int, ...]
    outgoing: tuple[int, ...]
    losses: tuple[int, ...]
    stored: tuple[tuple[float, Ref, Ref], ...]
    """Stored energy as a sum of coefficient·a·b, of states, signals and potentials [J]."""
    switched: bool = False
    """Whether steps pass over instants at which it switches, so that its gap is more than rounding."""


@dataclass(frozen=True)
class Potential:
    """Energy that is no sum of products of states."""

    reads: tuple[Ref, ...]
    """States."""
    energy: Callable[[Sequence[float]], float]
    """Takes what is read and returns the energy [J]."""


@dataclass(frozen=True)
class Node:
    """A rigid body of the line: every part bolted together without a spring between."""

    name: str
    inertia: float
    """Without end where the body is a fixed end of the line. [kg m^2]"""
    speed: Ref
    """State: speed of the body [rad/s]."""
    pace: float = 1.0
    """Its speed over that of the leftmost body while no spring strains: other than 1 behind a gear."""

    @property
    def fixed(self) -> bool:
        """Whether it never moves."""
        return math.isinf(self.inertia)


@dataclass(frozen=True)
class Rub:
    """Dry friction on a body that sticks at rest."""

    node: Node
    held: Ref
    """Held input: its torque against positive speed, ± `coulomb`, 0 while the body stands. [N m]"""
    coulomb: float
    """[N m]"""
    breakaway: float
    """Torque beyond which the body does not stand any more. [N m]"""
    meter: int
    """What it takes from the body."""


@dataclass(frozen=True)
class Feed:
    """The DC link that the machines of a network draw from."""

    nominal: float = math.nan
    """Voltage that it has, or has without load. [V]"""
    voltage: Ref | None = None
    """State: its voltage; nothing where it is stiff. [V]"""
    lowest: float = 0.0
    """Voltage below which inverters are off, where it is a state. [V]"""


class Warmth(NamedTuple):
    """A number of a term that follows a temperature: ``offset + gain·(T − reference)``."""

    term: int
    """Number of the term in the network."""
    parameter: int
    """Number of its parameter."""
    body: str
    """Which of the bodies of the machine: ``winding`` or ``housing``."""
    gain: float
    offset: float
    reference: float
    """[degC]"""

    def at(self, temperature: float) -> float:
        """Return the number at a temperature [degC]."""
        return self.offset + self.gain * (temperature - self.reference)


@dataclass
class Network:
    """Collector of the equations of a bench."""

    states: list[tuple[str, str]] = field(default_factory=list)
    """(name, unit) of every continuous state, in order."""
    initial: dict[str, float] = field(default_factory=dict)
    """Value at the start of states and held inputs that do not begin with 0, by name."""
    helds: list[tuple[str, str]] = field(default_factory=list)
    """(name, unit) of every input that is constant between task instants."""
    outputs: list[str] = field(default_factory=list)
    asides: list[str] = field(default_factory=list)
    """Results of terms that drive no state, for meters and peaks."""
    signals: list[tuple[str, dict[Ref, float]]] = field(default_factory=list)
    """(name, linear form of states)."""
    linear: list[tuple[int, Ref, float]] = field(default_factory=list)
    """(row, source, coefficient): d state[row]/dt += coefficient·source."""
    terms: list[Term] = field(default_factory=list)
    meters: list[Meter] = field(default_factory=list)
    powers: list[Power] = field(default_factory=list)
    balances: list[Balance] = field(default_factory=list)
    potentials: list[Potential] = field(default_factory=list)
    rubs: list[Rub] = field(default_factory=list)
    warmths: list[tuple[Warmth, str]] = field(default_factory=list)
    """Numbers of terms that follow a temperature, beside those that parts state, and whose."""
    feed: Feed = Feed()

    def state(self, name: str, unit: str, initial: float = 0.0) -> Ref:
        """Add a continuous state and return its handle."""
        self._begin(name, initial)
        self.states.append((name, unit))
        return Ref("state", len(self.states) - 1)

    def held(self, name: str, unit: str, initial: float = 0.0) -> Ref:
        """Add a held input and return its handle."""
        self._begin(name, initial)
        self.helds.append((name, unit))
        return Ref("held", len(self.helds) - 1)

    def _begin(self, name: str, value: float) -> None:
        if value:
            self.initial[name] = value

    def signal(self, name: str, form: dict[Ref, float]) -> Ref:
        """Add a linear form of states and return its handle."""
        self.signals.append((name, form))
        return Ref("signal", len(self.signals) - 1)

    def derivative(self, state: Ref, source: Ref, coefficient: float) -> None:
        """Add coefficient·source to the derivative of a state.

        A signal is expanded into its states here, so that ``A`` holds states only.
        """
        if source.kind == "signal":
            for part, weight in self.signals[source.index][1].items():
                self.linear.append((state.index, part, coefficient * weight))
        else:
            self.linear.append((state.index, source, coefficient))

    def torque(self, node: Node, source: Ref, coefficient: float = 1.0) -> None:
        """Let coefficient·source act as a torque on a node [N m]."""
        self.derivative(node.speed, source, coefficient / node.inertia)

    def term(
        self,
        kind: TermKind | OwnKind,
        reads: Sequence[Ref],
        parameters: Sequence[float],
        names: Sequence[str],
        slope: float,
    ) -> tuple[Ref, ...]:
        """Add a nonlinear term and return the handles of its outputs."""
        outputs = tuple(self.output(name) for name in names)
        self.terms.append(Term(kind, tuple(reads), tuple(parameters), outputs, slope))
        return outputs

    def output(self, name: str) -> Ref:
        """Return the handle of an output whose term is added later."""
        self.outputs.append(name)
        return Ref("output", len(self.outputs) - 1)

    def aside(self, name: str) -> Ref:
        """Return the handle of a result that drives no state, whose term is added later."""
        self.asides.append(name)
        return Ref("aside", len(self.asides) - 1)

    def potential(self, reads: Sequence[Ref], energy: Callable[[Sequence[float]], float]) -> Ref:
        """Add an energy as a function of states, for a balance, and return its handle."""
        self.potentials.append(Potential(tuple(reads), energy))
        return Ref("potential", len(self.potentials) - 1)

    def meter(
        self, name: str, meaning: str, powers: Iterable[tuple[float, Ref, Ref]] = (), unit: str = "J"
    ) -> int:
        """Add a meter with the products it integrates and return its number."""
        self.meters.append(Meter(name, meaning, unit))
        number = len(self.meters) - 1
        for coefficient, a, b in powers:
            self.power(number, PowerKind.PRODUCT, coefficient, a, b)
        return number

    def meter_number(self, name: str) -> int:
        """Return the number of the meter of a name."""
        return next(i for i, meter in enumerate(self.meters) if meter.name == name)

    def power(self, meter: int, kind: PowerKind, coefficient: float, a: Ref, b: Ref) -> None:
        """Add one summand to a meter."""
        self.powers.append(Power(meter, kind, coefficient, a, b))

    def failure(self, element: str) -> int:
        """Add the meter of what an element loses at the instant at which it fails, and return its number.

        No power is integrated: whoever lets it fail adds the energy.
        """
        return self.meter(f"{element}.failure", "energy lost at the instant of a failure")

    def stored(self, balance: Balance, state: Sequence[float]) -> float:
        """Return the stored energy of an element at a state vector [J].

        Parameters
        ----------
        state : sequence of float
            Continuous states, in order.
        """
        return sum(c * self._value(a, state) * self._value(b, state) for c, a, b in balance.stored)

    def _value(self, ref: Ref, state: Sequence[float]) -> float:
        """Return a state, signal or potential at a state vector."""
        if ref.kind == "signal":
            form = self.signals[ref.index][1]
            return sum(weight * state[part.index] for part, weight in form.items())
        if ref.kind == "potential":
            potential = self.potentials[ref.index]
            return potential.energy([state[part.index] for part in potential.reads])
        return 1.0 if ref.kind == "one" else state[ref.index]

    def balance(
        self,
        element: str,
        incoming: Sequence[int],
        outgoing: Sequence[int],
        losses: Sequence[int],
        stored: Sequence[tuple[float, Ref, Ref]],
        *,
        switched: bool = False,
    ) -> None:
        """State the energy balance of an element."""
        found = Balance(element, tuple(incoming), tuple(outgoing), tuple(losses), tuple(stored), switched)
        self.balances.append(found)
