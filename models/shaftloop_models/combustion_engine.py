"""A combustion engine: mean torque, and what cylinders make of it over the crank angle.

Mean (indicated) torque follows the command after a dead time and a lag; each tick it is held between 0 and
the largest torque, and 0 below the speed from which it fires and above the largest one: an engine does not
brake. What brakes when it is shut off is `drag`, friction and gas exchange together.

::

    torque at the crank = T + Σ over orders n of (gas without heat + T·gas with heat + ω²·masses)·cos(n·θ + φ)

The cylinders fire evenly, ``turns/z`` apart (turns per cycle: 2 with four strokes, 1 with two), so equal ones
leave orders that are multiples of z/turns; unequal ones (`shares`) leave the others as well, half orders with
four strokes. The series of one cylinder comes from its dimensions or from a table (`shaftloop_models.crank`
has the equations). Work of gas and masses on the crank is its air-gap energy; it comes from fuel, not from
the link, and fuel is not looked at.

Neglected: what `shaftloop_models.crank` neglects; cycles that differ (2 to 10 % of the mean pressure, common
practice, no source); crankshaft that twists between its throws (its first mode lies at 200 to 500 Hz, common
practice, no source); turbocharger; speed dependence of lag and dead time.

References
----------
.. [1] Torque of cylinders as orders of half a turn, summed as phasors in firing order: any textbook of
   torsional vibration of engines, e.g. E. J. Nestorides, A Handbook on Torsional Vibration. From memory.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.crank import SAMPLES, harmonics, ideal_cycle, mass_torque
from shaftloop_models.drag import Drag
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import Network, Node, Ref, TermKind
from shaftloop_models.parameters import Clock, Delay, Number, ParameterError, Quantity
from shaftloop_models.part import Machine, part_kind

__all__ = ["CombustionEngine", "EnginePorts", "GasPoint", "Order", "declare_combustion_engine"]

_SMALL = 0.005
"""Share of the largest order below which one is left out."""
_HOLE = 0.8
"""Largest angle between two points of a table. [rad]"""


@dataclass(frozen=True)
class GasPoint:
    """Gas torque of one cylinder at a crank angle."""

    angle: Annotated[float, Quantity("rad", "from the top dead centre at which it fires", ge=0.0)]
    motored: Annotated[float, Quantity("N m", "torque without combustion", ge=-1e6, le=1e6)]
    fired: Annotated[float, Quantity("N m", "torque at full load", ge=-1e6, le=1e6)]


@dataclass(frozen=True)
class Order:
    """One order of the torque at the crank."""

    order: float
    """Periods per turn."""
    motored: complex
    """Phasor without combustion. [N m]"""
    fired: complex
    """Phasor per mean torque. [1]"""
    masses: complex
    """Phasor per squared speed. [N m s^2]"""

    def phasor(self, torque: float, speed: float) -> complex:
        """Return the torque as a phasor [N m].

        Parameters
        ----------
        torque : float
            Mean torque. [N m]
        speed : float
            [rad/s]
        """
        return self.motored + torque * self.fired + speed**2 * self.masses


@part_kind
@dataclass(frozen=True)
class CombustionEngine(Machine):
    """Parameters of a combustion engine."""

    absent = {"heat": "an engine is no winding; leave it out"}  # noqa: RUF012
    part: Literal["machine"]
    model: Literal["combustion_engine"]
    name: str
    inertia: Annotated[
        float, Quantity("kg m^2", "crankshaft with flywheel and the mean share of rods and pistons", gt=0.0)
    ]
    cylinders: Annotated[int, Number("number of cylinders", ge=1, le=16)]
    max_torque: Annotated[float, Quantity("N m", "largest mean torque of all cylinders, indicated", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "above which it is not fired", gt=0.0)]
    time_constant: Annotated[float, Quantity("s", "lag of the mean torque behind the throttle", gt=0.0)]
    stroke: Annotated[float, Quantity("m", "twice the crank radius", gt=0.0, le=3.0)]
    rod_length: Annotated[float, Quantity("m", "between the centres of the rod", gt=0.0)]
    oscillating_mass: Annotated[
        float, Quantity("kg", "piston, pin and the rod's share, of each cylinder", ge=0.0)
    ]
    bore: Annotated[float | None, Quantity("m", "of a cylinder", gt=0.0)] = None
    compression_ratio: Annotated[
        float | None, Quantity("1", "largest volume over smallest", gt=1.0, le=30.0)
    ] = None
    gas: tuple[GasPoint, ...] = ()
    cycle: Annotated[
        Literal["four_stroke", "two_stroke"], Number("fires every second turn, or every turn")
    ] = "four_stroke"
    shares: Annotated[
        tuple[float, ...] | None, Number("torque of each cylinder over their mean, in firing order", ge=0.0)
    ] = None
    highest_order: Annotated[float, Number("orders above are left out", ge=1.0, le=50.0)] = 12.0
    firing_speed: Annotated[float, Quantity("rad/s", "below which it is not fired", ge=0.0)] = 15.0
    rate: Annotated[Fraction, Quantity("Hz", "rate at which it takes commands", gt=0.0)] = Fraction(200)
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    dead_time: Annotated[
        Delay, Quantity("s", "from the command to the throttle", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    rated_torque: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    drag: Drag = Drag()
    pulsating: Annotated[
        bool, Number("whether its torque follows the crank angle, or only its mean counts")
    ] = True

    @property
    def turns(self) -> int:
        """Turns of a cycle."""
        return 2 if self.cycle == "four_stroke" else 1

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        if self.rod_length <= 0.5 * self.stroke:
            raise ParameterError(
                "rod_length",
                f"{self.rod_length:g} m; allowed: above half the stroke, {0.5 * self.stroke:g} m",
            )
        if self.shares is not None and (len(self.shares) != self.cylinders or not sum(self.shares)):
            raise ParameterError(
                "shares",
                f"{len(self.shares)} values; allowed: one for each of {self.cylinders} cylinders, not all 0",
            )
        if self.gas:
            _check_table(self.gas, 2.0 * math.pi * self.turns)
        elif self.bore is None or self.compression_ratio is None:
            missing = "bore" if self.bore is None else "compression_ratio"
            raise ParameterError(
                missing, "missing: give bore and compression_ratio, or the torque as a table gas"
            )
        return [Inertia(self.inertia, self.drag, self.name)]

    def timing(self) -> Clock:
        """Return when it takes its command."""
        period = 1 / self.rate
        return Clock(period, self.phase, self.dead_time.seconds(period), ("rate", "phase", "dead_time"))

    def repeats(self) -> int:
        """Return the turns after which its torque repeats."""
        return self.turns

    def orders(self) -> list[Order]:
        """Return the orders of the torque at the crank, those that are small left out."""
        if not self.pulsating:
            return []
        radius, turns, z = 0.5 * self.stroke, self.turns, self.cylinders
        ratio = radius / self.rod_length
        if self.gas:
            cold, hot = _table(self.gas, turns)
        else:
            assert self.bore is not None and self.compression_ratio is not None, "checked by elements"
            area = 0.25 * math.pi * self.bore**2
            cold, hot = ideal_cycle(area, radius, ratio, self.compression_ratio, turns)
        motored, fired = harmonics(cold), harmonics(hot)
        masses = mass_torque(self.oscillating_mass, radius, ratio, turns)
        count = int(self.highest_order * turns)
        shares = np.array(self.shares or [1.0] * z)
        shares = shares / shares.mean()
        found = []
        for m in range(1, count + 1):
            turned = np.exp(-2j * np.pi * m * np.arange(z) / z)
            even, uneven = complex(turned.sum()), complex(shares @ turned)
            phasors = (even * complex(motored[m]), uneven / z * complex(fired[m]), even * complex(masses[m]))
            found.append(Order(m / turns, *phasors))
        sizes = [self._size(order) for order in found]
        return [order for order, size in zip(found, sizes, strict=True) if size > _SMALL * max(sizes)]

    def _size(self, order: Order) -> float:
        """Return the sum of the amplitudes at full load and speed [N m]."""
        fired = self.max_torque * abs(order.fired)
        return abs(order.motored) + fired + self.max_speed**2 * abs(order.masses)


def _check_table(points: tuple[GasPoint, ...], cycle: float) -> None:
    """Check that a table rises and covers its cycle."""
    if len(points) > SAMPLES:
        raise ParameterError("gas", f"{len(points)} points; allowed: up to {SAMPLES}")
    angles = [point.angle for point in points]
    for number, (a, b) in enumerate(zip(angles, [*angles[1:], angles[0] + cycle], strict=True), 1):
        if not 0.0 < b - a <= _HOLE:
            raise ParameterError(
                "gas",
                f"from point {number} at {math.degrees(a):g} deg to the next: {math.degrees(b - a):g} deg "
                f"(the last one goes on to the first of the next cycle, {math.degrees(cycle):g} deg later); "
                f"allowed: rising, no hole beyond {math.degrees(_HOLE):.3g} deg",
            )
    if _mean(points, cycle) <= 0.0:
        raise ParameterError("gas", "fired is not above motored in the mean: combustion would brake")


def _mean(points: tuple[GasPoint, ...], cycle: float) -> float:
    angles = np.array([*(point.angle for point in points), points[0].angle + cycle])
    added = np.array(
        [*(point.fired - point.motored for point in points), points[0].fired - points[0].motored]
    )
    return float(np.sum(0.5 * (added[1:] + added[:-1]) * np.diff(angles))) / cycle


def _table(points: tuple[GasPoint, ...], turns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what `ideal_cycle` returns, linear between the points; what is motored without its mean."""
    cycle = 2.0 * math.pi * turns
    angle, given = cycle * np.arange(SAMPLES) / SAMPLES, [point.angle for point in points]
    motored = np.interp(angle, given, [point.motored for point in points], period=cycle)
    fired = np.interp(angle, given, [point.fired for point in points], period=cycle)
    added = fired - motored
    return motored - motored.mean(), added / added.mean()


@dataclass(frozen=True)
class EnginePorts:
    """What the rest of the bench connects to."""

    command: Ref
    """Held input: mean torque that is asked for [N m]."""
    torque: tuple[tuple[float, Ref], ...]
    """Torque at the crank as a sum of coefficient·quantity [N m]."""
    work: int
    """Meter: work on the crank."""


def declare_combustion_engine(
    net: Network, engine: CombustionEngine, node: Node, angle: tuple[Ref, ...] = ()
) -> EnginePorts:
    """Add lag, pulsation and meter of an engine.

    Parameters
    ----------
    net : Network
        Equations to extend.
    engine : CombustionEngine
        Parameters.
    node : Node
        Body of the line that holds the crankshaft.
    angle : tuple of Ref, optional
        Angle of the crank: the line's angle, then the twists to subtract.
    """
    name, orders = engine.name, engine.orders()
    torque, command = net.state(f"{name}.torque", "N m"), net.held(f"{name}.command", "N m")
    net.derivative(torque, torque, -1.0 / engine.time_constant)
    net.derivative(torque, command, 1.0 / engine.time_constant)
    made = [(1.0, torque)]
    if orders:
        fastest = max(order.order for order in orders) * engine.max_speed
        gas, masses = [1.0, 0.0], [0.0, 1.0]
        for order in orders:
            gas += [order.order, float(np.angle(order.motored)), abs(order.motored), 0.0]
            gas += [order.order, float(np.angle(order.fired)), 0.0, abs(order.fired)]
            masses += [order.order, float(np.angle(order.masses)), 0.0, abs(order.masses)]
        for what, numbers, q in (("gas", gas, torque), ("masses", masses, node.speed)):
            pulsation = net.term(TermKind.RIPPLE, [q, q, *angle], numbers, [f"{name}.{what}"], slope=fastest)
            made += [(1.0, output) for output in pulsation]
    for weight, source in made:
        net.torque(node, source, weight)
    work = net.meter(
        f"{name}.airgap", "work of gas and masses on the crank", [(w, s, node.speed) for w, s in made]
    )
    return EnginePorts(command, tuple(made), work)
