"""Metrics of energy: what machines draw from the link and give to it."""

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation

__all__ = ["energy_values"]

Array = NDArray[np.float64]

_UNFELT = 1e-11
"""Share of the energy that goes through the supply below which that of a record interval is no energy."""
_Found = tuple[float | None, str | None, float | None]
"""Value, reason, instant."""


def energy_values(simulation: Simulation) -> dict[str, _Found]:
    """Return value, reason and instant of every metric of energy but the single losses, by name."""
    energies = simulation.energies
    order = [part.name for part in simulation.bench.description.line if part.name in energies.links]
    taken = sum(max(energy, 0.0) for energy in energies.links.values())
    returned = -sum(min(energy, 0.0) for energy in energies.links.values())
    share: _Found = (None, "no machine returned more energy than it took", None)
    if taken > 0.0 and returned > 0.0:
        share = (returned / taken, None, None)
    load: _Found = (None, "the line has only one machine", None)
    if len(order) > 1:
        load = (sum(energies.links[name] for name in order[1:]), None, None)
    return {
        "drive_energy": (energies.links[order[0]], None, None),
        "load_energy": load,
        "grid_energy": (energies.grid, None, None),
        **_given(simulation),
        "returned_share": share,
        "loss_energy": (energies.loss, None, None),
        "stored_energy": (energies.stored, None, None),
        "energy_residual": (energies.residual, None, None),
    }


def _given(simulation: Simulation) -> dict[str, _Found]:
    """Return what machines give to the link and what goes on to the grid, from the recorded energies."""
    traces = simulation.traces
    given = [
        -np.diff(traces[f"{name}_energy"])
        for name, machine in simulation.bench.machines.items()
        if machine.fed
    ]
    to_grid = -np.diff(traces["grid_energy"])
    # Where diodes cease to conduct, the parabola of their fading current may dip below zero.
    to_grid[np.abs(to_grid) <= _UNFELT * np.abs(to_grid).sum()] = 0.0
    if len(to_grid) == 0:
        names = ("fed_back_power", "fed_back_energy", "grid_returned_power", "grid_returned_energy")
        return dict.fromkeys(names, (None, "nothing was recorded", None))
    return {
        "fed_back_power": max((_largest(simulation, energy) for energy in given), key=_value),
        "fed_back_energy": (sum(_positive(energy) for energy in given), None, None),
        "grid_returned_power": _largest(simulation, to_grid),
        "grid_returned_energy": (_positive(to_grid), None, None),
    }


def _largest(simulation: Simulation, energy: Array) -> _Found:
    """Return the largest power of energies per record interval, 0 where none is given."""
    where = int(np.argmax(energy))
    if energy[where] <= 0.0:
        return 0.0, None, None
    return float(energy[where]) / float(simulation.bench.record_period), None, float(simulation.time[where])


def _value(found: _Found) -> float:
    return found[0] or 0.0


def _positive(energy: Array) -> float:
    return float(np.sum(energy, where=energy > 0.0))
