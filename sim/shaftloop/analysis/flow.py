"""Where the energy of a run went: from the grid over the machines through the line and back."""

from dataclasses import dataclass

from shaftloop.analysis.energy import ElementBalance
from shaftloop.analysis.simulation import Simulation

__all__ = ["Flow", "Station", "energy_flow"]


@dataclass(frozen=True)
class Station:
    """A machine with its inverter and rotor, or the stretch of line between two machines."""

    name: str
    machine: bool
    link: float
    """Taken from the link; 0 for a stretch of line. [J]"""
    loss: float
    """[J]"""
    stored: float
    """Change of the stored energy. [J]"""
    onward: float
    """Handed to the station on the right. [J]"""


@dataclass(frozen=True)
class Flow:
    """The energies of a run along the line."""

    grid: float
    """Supplied by the grid. [J]"""
    stations: tuple[Station, ...]
    """Left to right."""
    losses: tuple[tuple[str, str, float], ...]
    """(part, meaning, energy [J]), largest first."""
    stored: float
    """Change of the stored energy of the whole bench. [J]"""
    beside: tuple[tuple[str, float], ...] = ()
    """What stays at the link: heat of every brake resistor, ``loss``, ``stored`` [J]; none of a stiff one."""


def energy_flow(simulation: Simulation) -> Flow:
    """Return where the energy of a run went."""
    energies, bench = simulation.energies, simulation.bench
    balances = {balance.element: balance for balance in energies.balances}
    stations: list[Station] = []
    passed = 0.0
    for name, machine, elements in _places(simulation):
        parts = [balances.pop(element) for element in elements if element in balances]
        link = energies.links[name] if machine else 0.0
        loss, stored = _sum(parts)
        passed += link - loss - stored
        stations.append(Station(name, machine, link, loss, stored, passed))
    meanings = {meter.name: meter.meaning for meter in bench.model.plant.network.meters}
    losses = sorted(energies.losses.items(), key=lambda pair: -abs(pair[1]))
    named = tuple((name.split(".")[0], meanings[name], energy) for name, energy in losses)
    beside = [(r.parameters.name, energies.meters[f"{r.parameters.name}.heat"]) for r in bench.link.resistors]
    if bench.link.ports is not None:
        loss, stored = _sum([balances[element] for element in ("supply", "link")])
        beside += [("loss", loss - sum(heat for _, heat in beside)), ("stored", stored)]
    return Flow(energies.grid, tuple(stations), named, energies.stored, tuple(beside))


def _places(simulation: Simulation) -> list[tuple[str, bool, list[str]]]:
    """Return (name, whether a machine, elements of the balances) of every station, left to right."""
    bench, line = simulation.bench, simulation.bench.line
    elements = [balance.element for balance in simulation.energies.balances]
    places: list[tuple[str, bool, list[str]]] = []
    body = -1
    for name, machine in sorted(bench.machines.items(), key=lambda pair: pair[1].body):
        _add_stretch(simulation, places, body, machine.body)
        own = [element for element in elements if element.startswith(f"{name}.")]
        places.append((name, True, [*own, line.nodes[machine.body].name]))
        body = machine.body
    _add_stretch(simulation, places, body, len(line.nodes))
    return places


def _add_stretch(simulation: Simulation, places: list[tuple[str, bool, list[str]]], a: int, b: int) -> None:
    """Add the springs and bodies between two bodies, where there are any."""
    line = simulation.bench.line
    springs = [edge.part for edge in line.edges if max(a, 0) <= edge.left < min(b, len(line.nodes) - 1)]
    if springs:
        places.append(("shaft line", False, [*springs, *(node.name for node in line.nodes[a + 1 : b])]))


def _sum(parts: list[ElementBalance]) -> tuple[float, float]:
    return sum(part.loss for part in parts), sum(part.stored for part in parts)
