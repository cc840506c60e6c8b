"""What misaligned couplings and meshes add to the torque at the sensor and to its reading.

A coupling, or a mesh whose teeth are not perfect, with a transmission error ``ε(θ)``
(`shaftloop_models.misalignment`: order 2 from an angle between the shafts, order 1 from an offset that its
elements share unevenly, the order of the teeth of a mesh) carries ``k·(φ + ε)`` and hands ``T·(1 + dε/dθ)``
to its left hub. Linearised at the operating point, with ``ε = E·e^{inθ}`` and θ' = ω:

- ``∓k·E`` on its hubs, ``kᵢ·E'`` into its Maxwell branches;
- ``−T0·i·n·E`` on its left hub, T0 the mean torque.

The bench answers as to any sinusoidal torque (`ForcedBench`), so size and place of the lines in the reading,
folding included, are those of the closed bench. Second order in the offsets is left out.

The bending load of a coupling beside the sensor is fixed in space; the turning strain gauge sees it once per
turn. What it makes of it is its *crosstalk*, reading per bending moment at the measuring section:
``crosstalk·(M + F·lever)``, with the radial force F of the coupling at a distance `lever`. Usual: 0.1 to 1 %,
from the data sheet; common practice, no source.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.bench.parts.part import BenchPart, make_part
from shaftloop.errors import ScenarioError
from shaftloop_models.bodies import befores
from shaftloop_models.line import Spring

__all__ = ["CouplingError", "OrderError", "misalignment"]

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
    """Whether it is a mesh, which has no bending load here."""


def misalignment(
    found: Fidelity, crosstalk: float | None = None, lever: float = 0.0
) -> tuple[CouplingError, ...]:
    """Return what every coupling with an offset, and every mesh with an error, does, left to right.

    Parameters
    ----------
    crosstalk : float, optional
        Reading of the sensor per bending moment. [N m/N m]
    lever : float
        From the coupling to the measuring section. [m]

    Raises
    ------
    ScenarioError
        Where a coupling has an offset and the bench stands still, or crosstalk or lever are out of range.
    """
    if crosstalk is not None and not 0.0 <= crosstalk <= 1.0:
        raise ScenarioError([f"`crosstalk`: {crosstalk:g} is outside 0 to 1; e.g. 0.005 for 0.5 %"])
    if not 0.0 <= lever <= 10.0:
        raise ScenarioError([f"`lever`: {lever:g} m is outside 0 to 10 m"])
    parts = [make_part(part) for part in found.description.line]
    crooked = [part for part in parts if part.misalignment(0.0, found.point.speed) is not None]
    if crooked and found.point.speed == 0.0:
        names = " and ".join(part.name for part in crooked)
        raise ScenarioError(
            [f"the error of {names} turns with the shaft: it has no frequency at rest; give `speed`"]
        )
    return tuple(_coupling(found, part, crosstalk, lever) for part in crooked)


def _coupling(found: Fidelity, part: BenchPart[Any], crosstalk: float | None, lever: float) -> CouplingError:
    torque = _mean_torque(found, part)
    load = part.misalignment(torque, found.turning(part.name))
    assert load is not None, "only for a part out of line"
    waves = ((load.order, load.error_1x), (2 * load.order, load.error_2x))
    beside = part.name in _neighbours(found)
    moment = load.bending_moment
    if moment is not None or load.radial_force is not None:
        moment = (moment or 0.0) + (load.radial_force or 0.0) * lever
    known = crosstalk is not None and beside and moment is not None
    return CouplingError(
        part.name,
        tuple(_order(found, part, torque, order, error) for order, error in waves if error),
        load.bending_moment,
        load.radial_force,
        beside,
        crosstalk * moment if known and crosstalk is not None and moment is not None else None,
        not part.flexes,
    )


def _order(found: Fidelity, part: BenchPart[Any], torque: float, order: Fraction, error: float) -> OrderError:
    frequency = order * abs(found.turning(part.name)) / (2.0 * math.pi)
    bench = found.closed or found.held
    source = _source(found, part, torque, order)
    response = bench.respond(np.array([frequency]), source)
    line = next(line for line in bench.lines(frequency, source=source) if line.direct)
    true = float(abs(response.true[0])) * error
    return OrderError(order, frequency, error, true, line.size * error, line.frequency)


def _source(
    found: Fidelity, part: BenchPart[Any], torque: float, order: Fraction
) -> Callable[[Array], Complex]:
    """Return what a transmission error of amplitude 1 does to the derivatives of the plant states."""
    bench = found.bench.bench
    place = bench.line.places[part.name]
    assert place.spring is not None, "a coupling has a spring"
    edge = bench.line.edges[place.spring]
    left, right = (bench.line.nodes[body] for body in (edge.left, *edge.rights))
    spring = next(element for element in part.parameters.elements() if isinstance(element, Spring))
    names = [name for name, _ in bench.model.plant.network.states]
    branches = [names.index(f"{part.name}.branch{i + 1}") for i in range(len(spring.branches))]

    def drive(omega: Array) -> Complex:
        rows = np.zeros((len(names), len(omega)), dtype=np.complex128)
        rows[left.speed.index] = -(spring.stiffness + 1j * float(order) * torque) / left.inertia
        rows[right.speed.index] = spring.ratio * spring.stiffness / right.inertia
        for row, branch in zip(branches, spring.branches, strict=True):
            rows[row] = 1j * omega * branch.stiffness
        return rows

    return drive


def _mean_torque(found: Fidelity, part: BenchPart[Any]) -> float:
    """Return the torque that a coupling carries at the operating point [N m]."""
    bench, plant = found.bench.bench, found.bench.bench.model.plant
    spring = bench.line.places[part.name].spring
    assert spring is not None, "a coupling has a spring"
    row = plant.c[plant.rows[bench.line.edges[spring].torque]]
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
