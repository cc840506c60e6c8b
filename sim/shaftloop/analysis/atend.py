"""What is left in a bench at the end of a run: motion, energy, currents, and how long it would coast.

Coasting: the line turns as one body of inertia J, or each piece of it where it broke. Only its drags T(ω)
brake it. From ω to ω/100 that takes ``∫ J/T(ω) dω`` and turns it by ``∫ ω·J/T(ω) dω``, both integrated over
ln ω. Left out: what an inverter with blocked pulses does to a machine with magnets, and torque that a machine
still makes.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from shaftloop.analysis.drags import Drags
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.figures import Figure
from shaftloop_models.network import Balance

__all__ = ["STILL", "AtEnd", "at_end", "end_figures", "known_figures", "pieces"]

_LEFT = 0.01
"""Share of the speed at which coasting counts as over."""
STILL = math.pi / 30.0
"""Speed below which a line does not turn, for people: 1 rpm. [rad/s]"""
_NODES = 16
"""Of the quadrature; a run that coasts is met within 1e-4."""


@dataclass(frozen=True)
class AtEnd:
    """What is left at the end of a run."""

    speed: float
    """Of the line as one body, at its left end: its momentum over its inertia; of its fastest piece where it
    broke. [rad/s]"""
    kinetic: float
    """Energy of all bodies. [J]"""
    elastic: float
    """Energy of all springs. [J]"""
    windings: float
    """Energy in the windings of all machines. [J]"""
    currents: dict[str, float]
    """Amplitude by machine, as far as currents are modelled. [A]"""
    voltages: dict[str, float]
    """What the magnets of a machine make between two terminals at this speed, the peak. [V]"""
    coasting: float | None
    """Time until a hundredth of the speed is left, the longest of all pieces; nothing where no drag brakes
    one. [s]"""
    standing: float | None
    """Time until the line does not turn for people, the longest of all pieces; nothing likewise. [s]"""
    run_on: float | None
    """Angle until then, that of the left end of the line, the largest of all pieces. [rad]"""

    @property
    def turns(self) -> bool:
        """Whether the line still turns."""
        return abs(self.speed) > STILL


def at_end(simulation: Simulation) -> AtEnd:
    """Return what is left in a bench."""
    bench, run = simulation.bench, simulation.run
    net, nodes, state = run.model.plant.network, bench.line.nodes, run.state.tolist()
    stored = {balance.element: net.stored(balance, state) for balance in net.balances}
    parted = [_Piece.of(bench, simulation, bodies) for bodies in pieces(simulation)]
    machines = bench.machines
    currents = {name: machine.current(run.state) for name, machine in machines.items()}
    voltages = {
        name: machine.voltage_without_current(piece.speed * machine.node.pace)
        for piece in parted
        for name, machine in machines.items()
        if machine.body in piece.bodies
    }
    return AtEnd(
        max((piece.speed for piece in parted), key=abs),
        sum(stored[node.name] for node in nodes),
        sum(stored[edge.part] for edge in bench.line.edges),
        sum(stored[balance.element] for balance in net.balances if _of_windings(balance, bench)),
        {name: size for name, size in currents.items() if size is not None},
        {name: size for name, size in voltages.items() if size > 0.0},
        *map(_longest, zip(*(piece.coast() for piece in parted), strict=True)),
    )


def _longest(figures: Sequence[float | None]) -> float | None:
    return None if None in figures else max(figure for figure in figures if figure is not None)


def pieces(simulation: Simulation) -> list[tuple[int, ...]]:
    """Return the bodies of a line that turn as one at the end of a run: all, where no spring is broken."""
    line, net = simulation.bench.line, simulation.run.model.plant.network
    forms = [net.signals[edge.torque.index][1] for edge in line.edges]
    return line.tree.pieces([number for number, form in enumerate(forms) if not any(form.values())])


@dataclass(frozen=True)
class _Piece:
    """Bodies that turn as one."""

    bodies: tuple[int, ...]
    speed: float
    """At the left end of the line. [rad/s]"""
    inertia: float
    """[kg m^2]"""
    drags: Drags | None
    """Nothing where it cannot turn."""

    @staticmethod
    def of(bench: Bench, simulation: Simulation, bodies: tuple[int, ...]) -> "_Piece":
        """Return some bodies at the end of a run."""
        run, nodes = simulation.run, [bench.line.nodes[body] for body in bodies]
        inertia = sum(node.inertia * node.pace**2 for node in nodes)
        if any(node.fixed for node in nodes):
            return _Piece(bodies, 0.0, inertia, None)
        momentum = sum(node.inertia * node.pace * run.state[node.speed.index] for node in nodes)
        speed = float(momentum) / inertia
        return _Piece(bodies, speed, inertia, Drags(bench, run, bodies))

    def coast(self) -> tuple[float | None, float | None, float | None]:
        """Return coasting time [s], time until it stands [s] and angle until then [rad]."""
        if self.drags is None:
            return None, 0.0, 0.0
        coasting, _ = _braked(self.drags, self.inertia, self.speed, -math.log(_LEFT))
        if abs(self.speed) <= STILL:
            return coasting, 0.0, 0.0
        span = math.log(abs(self.speed) / STILL)
        return coasting, *_braked(self.drags, self.inertia, self.speed, span)


def _of_windings(balance: Balance, bench: Bench) -> bool:
    """Return whether an element is the inside of a machine; a magnet's pull over the angle is no store."""
    machine, _, inside = balance.element.partition(".")
    return machine in bench.machines and bool(inside and balance.incoming)


def _braked(drags: Drags, inertia: float, speed: float, span: float) -> tuple[float | None, float | None]:
    """Return time [s] and angle [rad] until a line that turns as one is slower by a factor of exp(span)."""
    if speed == 0.0:
        return 0.0, 0.0
    points, weights = np.polynomial.legendre.leggauss(_NODES)
    time = angle = 0.0
    for point, weight in zip(points.tolist(), weights.tolist(), strict=True):
        now = speed * math.exp(-0.5 * span * (1.0 - point))
        torque = sum(drags.torques(now).values()) * math.copysign(1.0, speed)
        if torque <= 0.0:
            return None, None
        time += weight * abs(now) / torque
        angle += weight * now**2 / torque
    return inertia * 0.5 * span * time, inertia * 0.5 * span * angle


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield what is left at the end of a run as metrics, not looked for yet."""
    yield Figure("at_end.speed", "rad/s", "speed of the line at the end of the run")
    yield Figure("at_end.kinetic_energy", "J", "energy of what turns at the end of the run")
    yield Figure("at_end.elastic_energy", "J", "energy of what is twisted at the end of the run")
    yield Figure("at_end.winding_energy", "J", "energy in the windings of the machines at the end of the run")
    yield Figure(
        "at_end.coasting_time",
        "s",
        "from the end of the run, with all torque away, until 1 % of the speed is left: braked by drag alone",
        reason="no drag brakes the line: it would turn on",
    )
    yield Figure(
        "at_end.standing_time",
        "s",
        "from the end of the run, with all torque away, until the line turns below 1 rpm",
        reason="no drag brakes the line: it would turn on",
    )
    for name in bench.machines:
        yield Figure(
            f"at_end.current.{name}",
            "A",
            f"amplitude of the current of {name} at the end of the run",
            reason="its currents are not modelled",
        )
        yield Figure(
            f"at_end.voltage.{name}",
            "V",
            f"what the magnets of {name} make between two terminals at the end of the run, the peak",
            reason="it has no magnets that are modelled",
        )


def end_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield what is left at the end of a run as metrics."""
    found = at_end(simulation)
    values = {
        "speed": found.speed,
        "kinetic_energy": found.kinetic,
        "elastic_energy": found.elastic,
        "winding_energy": found.windings,
        "coasting_time": found.coasting,
        "standing_time": found.standing,
        **{f"current.{name}": size for name, size in found.currents.items()},
        **{f"voltage.{name}": size for name, size in found.voltages.items()},
    }
    for figure in known_figures(simulation.bench):
        yield figure.found(values.get(figure.name.removeprefix("at_end.")))
