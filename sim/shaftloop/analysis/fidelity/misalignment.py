"""What misaligned couplings, universal joints and meshes add to the torque at the sensor and to its reading.

A coupling, a joint, or a mesh whose teeth are not perfect, with a transmission error ``ε(θ)``
(`shaftloop_models.misalignment`: order 2 from an angle between the shafts, order 1 from an offset that its
elements share unevenly, the order of the teeth of a mesh) carries ``k·(φ + ε)`` and hands ``T·(1 + dε/dθ)``
to its left hub. Linearised at the operating point, with ``ε = E·e^{inθ}`` and θ' = ω:

- ``∓k·E`` on its hubs, ``kᵢ·E'`` into its Maxwell branches;
- ``−T0·i·n·E`` on its left hub, T0 the mean torque.

The bench answers as to any sinusoidal torque (`ForcedBench`), so size and place of the lines in the reading,
folding included, are those of the closed bench. Errors of one order on one shaft are looked at together as
well, with their phases: two joints can cancel each other. At twice an order what it makes of itself counts
in second order: ``ε'·δ``, δ being how unevenly the left end turns, and ``T'·ε'``. What else is of second
order, and all of third, is left out.

The bending load of a coupling beside the sensor is fixed in space; the turning strain gauge sees it once per
turn. What it makes of it is its *crosstalk*, reading per bending moment at the measuring section:
``crosstalk·(M + F·lever)``, with the radial force F of the coupling at a distance `lever`. Usual: 0.1 to 1 %,
from the data sheet; common practice, no source.
"""

import cmath
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.forced import SampledLine, Source
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.bench.parts.part import BenchPart, make_part
from shaftloop.errors import ScenarioError
from shaftloop_models.bodies import befores
from shaftloop_models.line import Spring

__all__ = ["CouplingError", "OrderError", "crooked_parts", "misalignment"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class OrderError:
    """Torque of one order from a misaligned coupling or a mesh."""

    order: Fraction
    """Periods per turn."""
    frequency: float
    """At the operating speed. [Hz]"""
    error: float
    """Amplitude of the transmission error. [rad]"""
    true: float
    """Amplitude of the true torque at the sensor. [N m]"""
    reading: float
    """Amplitude in the reading. [N m]"""
    place: float
    """Where it appears in the samples. [Hz]"""
    received: SampledLine | None = None
    """Largest line in what the torque loop receives, its size in N m; nothing without such a loop."""


@dataclass(frozen=True)
class CouplingError:
    """What the offsets of a coupling, or the teeth of a mesh, do."""

    coupling: str
    orders: tuple[OrderError, ...]
    """Orders 1 and 2, those that its offsets make; of a mesh that of its teeth."""
    bending_moment: float | None
    """At the coupling, fixed in space; None where its bending stiffness is not stated. [N m]"""
    radial_force: float | None
    """None where its radial stiffness is not stated. [N]"""
    beside: bool
    """Whether it stands next to the sensor, so that its bending load reaches the measuring section."""
    bending_error: float | None
    """Amplitude once per turn in the reading, by crosstalk; None where it is not known. [N m]"""
    mesh: bool = False
    """Whether it is a mesh or a joint, which has no bending load here."""
    title: str = ""
    """What it is, with its name."""


def crooked_parts(found: Fidelity) -> list[BenchPart[Any]]:
    """Return the parts with an error that turns with the shaft, left to right."""
    parts = [make_part(part) for part in found.description.line]
    return [part for part in parts if part.misalignment(0.0, found.point.speed) is not None]


def misalignment(
    found: Fidelity, crosstalk: float | None = None, lever: float = 0.0
) -> tuple[CouplingError, ...]:
    """Return what every coupling with an offset, and every mesh with an error, does, left to right.

    None of it has a frequency at rest. `crosstalk` is the reading of the sensor per bending moment [N m/N m],
    `lever` reaches from the coupling to the measuring section. [m]

    Raises
    ------
    ScenarioError
        Where crosstalk of a coupling with an offset is asked for and the bench stands still, or crosstalk or
        lever are out of range.
    """
    if crosstalk is not None and not 0.0 <= crosstalk <= 1.0:
        raise ScenarioError([f"`crosstalk`: {crosstalk:g} is outside 0 to 1; e.g. 0.005 for 0.5 %"])
    if not 0.0 <= lever <= 10.0:
        raise ScenarioError([f"`lever`: {lever:g} m is outside 0 to 10 m"])
    crooked = crooked_parts(found)
    if crooked and found.point.speed == 0.0:
        if crosstalk is None:
            return ()
        names = " and ".join(part.name for part in crooked)
        raise ScenarioError(
            [f"the error of {names} turns with the shaft: it has no frequency at rest; give `speed`"]
        )
    waves = {part.name: _waves(found, part) for part in crooked}
    each = [_coupling(found, part, waves[part.name], crosstalk, lever) for part in crooked]
    all_waves = [wave for part in waves.values() for wave in part]
    groups: dict[tuple[int, float], list[_Wave]] = {}
    for wave in all_waves:
        groups.setdefault((wave.shaft, round(wave.frequency, 9)), []).append(wave)
    shared = [group for group in groups.values() if len({wave.part for wave in group}) > 1]
    if shared:
        names = " and ".join(dict.fromkeys(wave.part for group in shared for wave in group))
        orders = tuple(_order(found, group, all_waves) for group in shared)
        each.append(CouplingError(names, orders, None, None, False, None, True, f"Together: {names}"))
    return tuple(each)


@dataclass(frozen=True)
class _Wave:
    """A transmission error of one order."""

    part: str
    order: Fraction
    frequency: float
    """At the operating speed. [Hz]"""
    shaft: int
    """Leftmost body of its shaft."""
    phasor: complex
    """Of a sine that begins at angle 0 of its shaft. [rad]"""
    joint: "_Uneven"


def _waves(found: Fidelity, part: BenchPart[Any]) -> list[_Wave]:
    """Return the errors of a part, turned by the twists between it and the angle of its shaft."""
    line, torque = found.bench.bench.line, _mean_torque(found, part)
    edge = line.edge(part.name)
    shaft = line.shafts[edge.left]
    way = line.tree.way(edge.left)[: line.tree.apart(shaft, edge.left)]
    behind = sum(float(found.state[line.edges[number].twist.index]) for number in way)
    error = _spring(part).error
    assert error is not None, "only for a part with a transmission error"
    turns = abs(found.turning(part.name)) / (2.0 * math.pi)
    waves = ((1, error.first), (2, error.second))
    return [
        _Wave(
            part.name,
            many * error.order,
            float(many * error.order) * turns,
            shaft,
            size * cmath.exp(1j * many * (error.phase - float(error.order) * behind)),
            _Uneven(found, part, torque),
        )
        for many, size in waves
        if size
    ]


def _coupling(
    found: Fidelity, part: BenchPart[Any], waves: list[_Wave], crosstalk: float | None, lever: float
) -> CouplingError:
    load = part.misalignment(_mean_torque(found, part), found.turning(part.name))
    assert load is not None, "only for a part out of line"
    beside = part.name in _neighbours(found)
    moment = load.bending_moment
    if moment is not None or load.radial_force is not None:
        moment = (moment or 0.0) + (load.radial_force or 0.0) * lever
    known = crosstalk is not None and beside and moment is not None
    return CouplingError(
        part.name,
        tuple(_order(found, [wave], waves) for wave in waves),
        load.bending_moment,
        load.radial_force,
        beside,
        crosstalk * moment if known and crosstalk is not None and moment is not None else None,
        not part.flexes,
        f"{part.uneven} {part.name}",
    )


def _order(found: Fidelity, waves: list[_Wave], all_waves: list[_Wave]) -> OrderError:
    """Return what errors of one frequency do together, with what those of half of it make of themselves."""
    frequency, bench = waves[0].frequency, found.closed or found.held
    half = [
        wave
        for wave in all_waves
        if wave.shaft == waves[0].shaft and math.isclose(2.0 * wave.frequency, frequency, rel_tol=1e-9)
    ]
    swing = bench.states(half[0].frequency, _joined(half)) if half else None

    def source(omega: Array) -> Complex:
        made = _joined(waves)(omega)
        if swing is not None:
            for wave in half:
                made += wave.joint.second(omega, wave, swing)
        return made

    true = float(abs(bench.respond(np.array([frequency]), source).true[0]))
    line = next(line for line in bench.lines(frequency, source=source) if line.direct)
    received = None
    if bench.loop is not None:
        received = bench.lines(frequency, received=True, source=source)[0]
    error = abs(sum(wave.phasor for wave in waves))
    return OrderError(waves[0].order, frequency, error, true, line.size, line.frequency, received)


def _joined(waves: list[_Wave]) -> Source:
    """Return what errors of one frequency do to the derivatives of the plant states."""

    def drive(omega: Array) -> Complex:
        return np.asarray(
            sum(
                wave.joint.strained(omega, wave.phasor)
                + wave.joint.pushed(omega, -1j * float(wave.order) * wave.joint.torque * wave.phasor)
                for wave in waves
            )
        )

    return drive


class _Uneven:
    """A part with a transmission error, in the equations of the plant."""

    def __init__(self, found: Fidelity, part: BenchPart[Any], torque: float) -> None:
        bench = found.bench.bench
        edge = bench.line.edge(part.name)
        self.torque = torque
        self._left, self._right = (bench.line.nodes[body] for body in (edge.left, *edge.rights))
        self._spring = _spring(part)
        self._row = bench.model.plant.c[bench.model.plant.rows[edge.torque]]
        names = [name for name, _ in bench.model.plant.network.states]
        self._branches = [
            names.index(f"{part.name}.branch{i + 1}") for i in range(len(self._spring.branches))
        ]
        self._count = len(names)

    def strained(self, omega: Array, error: complex) -> Complex:
        """Return what an error does to the derivatives of the plant states by its spring."""
        rows = self.pushed(omega, -self._spring.stiffness * error)
        rows[self._right.speed.index] = (
            error * self._spring.ratio * self._spring.stiffness / self._right.inertia
        )
        for row, branch in zip(self._branches, self._spring.branches, strict=True):
            rows[row] = 1j * omega * branch.stiffness * error
        return rows

    def pushed(self, omega: Array, torque: complex) -> Complex:
        """Return what a torque on its left end does to the derivatives of the plant states."""
        rows = np.zeros((self._count, len(omega)), dtype=np.complex128)
        rows[self._left.speed.index] = torque / self._left.inertia
        return rows

    def second(self, omega: Array, wave: _Wave, swing: Complex) -> Complex:
        """Return what its error makes at twice its frequency, where its left end does not turn evenly.

        ``ε(θ + δ)`` is ``ε + ε'·δ``, and the left end takes ``T·ε'``; of two sines A and B the product holds
        ``-i·A·B/2`` at twice their frequency.
        """
        n, error = float(wave.order), wave.phasor
        uneven = swing[self._left.speed.index] / (2j * math.pi * wave.frequency)
        alternating = self._row @ swing[: len(self._row)] + self._spring.stiffness * error
        left = 0.5 * n * error * (1j * n * self.torque * uneven + alternating)
        return self.strained(omega, 0.5 * n * error * uneven) + self.pushed(omega, -left)


def _spring(part: BenchPart[Any]) -> Spring:
    return next(element for element in part.parameters.elements() if isinstance(element, Spring))


def _mean_torque(found: Fidelity, part: BenchPart[Any]) -> float:
    """Return the torque that a coupling carries at the operating point [N m]."""
    bench, plant = found.bench.bench, found.bench.bench.model.plant
    row = plant.c[plant.rows[bench.line.edge(part.name).torque]]
    return float(row @ found.state[: len(row)])


def _neighbours(found: Fidelity) -> tuple[str, ...]:
    """Return the couplings next to the sensor, one on each side at most, or one of each branch."""
    line, before = found.description.line, befores(found.description.line)
    flex = [part.name for part in line if make_part(part).flexes]
    lefts = {name: _nearest(before, name, {*flex, found.sensor.name}) for name in (found.sensor.name, *flex)}
    left = lefts[found.sensor.name]
    return (*((left,) if left else ()), *(name for name in flex if lefts[name] == found.sensor.name))


def _nearest(before: dict[str, str], name: str, among: set[str]) -> str:
    """Return the nearest part left of one that is among some, empty where none is."""
    name = before.get(name, "")
    while name and name not in among:
        name = before.get(name, "")
    return name
