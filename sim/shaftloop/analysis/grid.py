"""What a run asks of the grid, and what its DC link went through where its voltage is a state."""

import math
from collections.abc import Iterator

import numpy as np

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.figures import Figure

__all__ = ["known_figures", "link_figures"]


def link_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield the figures of grid, link and brake resistors."""
    values = _grid(simulation) | _link(simulation)
    for figure in known_figures(simulation.bench):
        yield figure.found(values[figure.name])


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the same figures, not looked for yet."""
    short = "the run ended before a second record"
    yield Figure(
        "grid_power_max", "W", "largest power from the grid, mean of a record interval", reason=short
    )
    price = bench.description.supply.price
    if price is not None:
        money = price.unit.partition("/")[0]
        yield Figure("energy_bill", money, "price of the energy from the grid, what is returned taken off")
        yield Figure(
            "energy_bill_without_return", money, "price of the energy from the grid alone", better="lower"
        )
    link = bench.link
    if link.ports is None:
        return
    yield Figure(
        "link_voltage_max", "V", "highest voltage of the DC link, from inside the steps", better="lower"
    )
    yield Figure(
        "link_voltage_min", "V", "lowest voltage of the DC link, from inside the steps", better="higher"
    )
    yield Figure("at_end.link_voltage", "V", "voltage of the DC link at the end of the run")
    yield Figure("at_end.link_energy", "J", "energy in the capacitor of the DC link at the end of the run")
    for place, words in [
        ("supply", "the supply"),
        *((name, f"the inverter of {name}") for name in link.drains),
    ]:
        yield Figure(f"{place}_link_current_max", "A", f"largest current of {words} at the link, either sign")
        yield Figure(f"{place}_link_current_rms", "A", f"rms current of {words} at the link")
    for resistor in link.resistors:
        name = resistor.parameters.name
        yield Figure(f"{name}_energy", "J", f"heat in the brake resistor {name}")
        yield Figure(f"{name}_pulse_energy", "J", f"largest energy of a pulse of {name}", better="lower")


def _grid(simulation: Simulation) -> dict[str, float | None]:
    """Return powers and energy by the records of the grid's energy."""
    energy = simulation.traces["grid_energy"]
    passed = np.diff(energy)
    power = passed / float(simulation.bench.record_period)
    returned = float(-np.minimum(passed, 0.0).sum())
    values: dict[str, float | None] = {
        "grid_power_max": float(power.max()) if len(power) else None,
    }
    price = simulation.bench.description.supply.price
    if price is not None:
        net, duty = simulation.energies.grid, simulation.duty
        if duty is not None:
            # What is returned is known of the cycles that were run: the first, the others by their mean.
            bench, length = simulation.bench, len(passed) // duty.run
            first = float(-np.minimum(passed[:length], 0.0).sum())
            returned = first + (returned - first) * (duty.cycles - 1) / max(duty.run - 1, 1)
            meters = bench.model.plant.network.meters
            net = sum(duty.meters[meters[i].name] for i in bench.link.grid_meters(bench.link_meters))
        values["energy_bill"] = price.value * net
        values["energy_bill_without_return"] = price.value * (net + returned)
    return values


def _link(simulation: Simulation) -> dict[str, float | None]:
    link, peaks = simulation.bench.link, simulation.peaks
    if link.ports is None:
        return {}
    low, high = peaks["link.voltage"]
    values: dict[str, float | None] = {"link_voltage_min": low, "link_voltage_max": high}
    values["at_end.link_voltage"] = left = float(simulation.run.state[link.ports.voltage.index])
    values["at_end.link_energy"] = 0.5 * link.ports.supply.capacitance * left**2
    squares = {"supply": ("supply.current", link.source.square)}
    squares |= {name: (f"{name}.link_current", square) for name, square in link.squares.items()}
    for place, (peak, square) in squares.items():
        values[f"{place}_link_current_max"] = max(map(abs, peaks[peak]))
        mean = simulation.energies.squares[square] / simulation.duration if simulation.duration else 0.0
        values[f"{place}_link_current_rms"] = math.sqrt(mean)
    for resistor in link.resistors:
        name = resistor.parameters.name
        values[f"{name}_energy"] = simulation.energies.meters[f"{name}.heat"]
        values[f"{name}_pulse_energy"] = peaks[f"{name}.pulse_energy"][1]
    return values
