"""Where the energy of a run went: from the grid over the machines through the line and back."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import NamedTuple

from shaftloop.analysis.energy import ElementBalance
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.line import Line

__all__ = ["LINK", "Flow", "Station", "energy_flow"]

LINK = "the link"
"""Where every machine but an engine takes its energy."""


@dataclass(frozen=True)
class Station:
    """A machine with its inverter and rotor, or the stretch of line between machines."""

    name: str
    machine: bool
    link: float
    """Taken from the link; 0 for a stretch of line. [J]"""
    loss: float
    """[J]"""
    stored: float
    """Change of the stored energy. [J]"""
    kept: float | None = None
    """Of the loss, what winding and housing keep as heat; nothing of what does not warm up. [J]"""
    source: str = LINK
    """Where it takes its energy."""


@dataclass(frozen=True)
class Flow:
    """The energies of a run along the line."""

    grid: float
    """Supplied by the grid. [J]"""
    stations: tuple[Station, ...]
    """Left to right."""
    passed: tuple[tuple[int, int, float], ...]
    """(station, station right of it or behind it in a branch, energy from the one to the other [J])."""
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
    places = sorted([*_machines(simulation), *_stretches(simulation)], key=lambda place: place.key)
    stations: list[Station] = []
    for place in places:
        parts = [balances.pop(element) for element in place.elements if element in balances]
        link = energies.links[place.name] if place.machine else 0.0
        warm = [body.stored for body in energies.heat if body.element.startswith(f"{place.name}.")]
        source = "fuel" if place.machine and not bench.machines[place.name].fed else LINK
        kept = sum(warm) if warm else None
        stations.append(Station(place.name, place.machine, link, *_sum(parts), kept, source))
    meanings = {meter.name: meter.meaning for meter in bench.model.plant.network.meters}
    losses = sorted(energies.losses.items(), key=lambda pair: -abs(pair[1]))
    named = tuple((name.split(".")[0], meanings[name], energy) for name, energy in losses)
    beside = [(r.parameters.name, energies.meters[f"{r.parameters.name}.heat"]) for r in bench.link.resistors]
    if bench.link.ports is not None:
        loss, stored = _sum([balances[element] for element in ("supply", "link")])
        beside += [("loss", loss - sum(heat for _, heat in beside)), ("stored", stored)]
    return Flow(
        energies.grid,
        tuple(stations),
        tuple(_passed(simulation, places)),
        named,
        energies.stored,
        tuple(beside),
    )


class _Place(NamedTuple):
    """A station before its energies are summed."""

    name: str
    machine: bool
    elements: list[str]
    """Of the balances."""
    key: tuple[int, int]
    """By which stations are ordered: leftmost body, and 1 for what is right of it."""
    edges: list[int]
    """Springs of a stretch of line."""


def _machines(simulation: Simulation) -> Iterator[_Place]:
    """Yield the machines."""
    bench, line = simulation.bench, simulation.bench.line
    elements = [balance.element for balance in simulation.energies.balances]
    for name, machine in bench.machines.items():
        own = [element for element in elements if element.startswith(f"{name}.")]
        yield _Place(name, True, [*own, line.nodes[machine.body].name], (machine.body, 0), [])


def _stretches(simulation: Simulation) -> Iterator[_Place]:
    """Yield the springs, with the bodies between them that hold no machine, as far as these reach."""
    line = simulation.bench.line
    held = {machine.body for machine in simulation.bench.machines.values()}
    groups: list[list[int]] = []
    for number, edge in enumerate(line.edges):
        at = {edge.left, *edge.rights} - held
        beside = [group for group in groups if any(at & _ends(line, other) for other in group)]
        groups = [group for group in groups if group not in beside] + [[*chain(*beside), number]]
    for group in groups:
        bodies = sorted(set().union(*(_ends(line, number) for number in group)) - held)
        names = [*(line.edges[number].part for number in group), *(line.nodes[body].name for body in bodies)]
        yield _Place("shaft line", False, names, (min(line.edges[number].left for number in group), 1), group)


def _ends(line: Line, number: int) -> set[int]:
    return {line.edges[number].left, *line.edges[number].rights}


def _passed(simulation: Simulation, places: list[_Place]) -> Iterator[tuple[int, int, float]]:
    """Yield what goes from station to station, from the meters of the springs beside machines."""
    line, meters = simulation.bench.line, list(simulation.energies.meters.values())
    for i, machine in enumerate(places):
        for j, stretch in enumerate(places):
            edges = [line.edges[number] for number in stretch.edges]
            into = [meters[edge.incoming] for edge in edges if edge.left == machine.key[0]]
            out = [meters[meter] for edge in edges for meter in edge.into(machine.key[0])]
            if machine.machine and into:
                yield i, j, sum(into)
            if machine.machine and out:
                yield j, i, sum(out)


def _sum(parts: list[ElementBalance]) -> tuple[float, float]:
    return sum(part.loss for part in parts), sum(part.stored for part in parts)
