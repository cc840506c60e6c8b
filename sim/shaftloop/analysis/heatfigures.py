"""What temperatures and currents say of a run, as metrics."""

import math
from collections.abc import Iterator

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.figures import Figure

__all__ = ["heat_figures", "known_figures"]


def heat_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield what temperatures and currents say, as metrics.

    Parameters
    ----------
    simulation : Simulation
        Finished run.
    """
    values: dict[str, tuple[float | None, float | None]] = {}
    trace = simulation.heat
    if trace is not None:
        for number, body in enumerate(trace.heat.bodies):
            warm = trace.temperature[:, number]
            values[f"end_temperature.{body.name}"] = float(warm[-1]), None
            values[f"peak_temperature.{body.name}"] = float(warm.max()), float(trace.time[warm.argmax()])
            if body.limit is not None:
                values[f"time_to_limit.{body.name}"] = trace.reached(warm, body.limit), None
        for number, budget in enumerate(trace.heat.budgets):
            spent = trace.spent[:, number]
            values[f"use.{budget.name}"] = float(spent.max()), float(trace.time[spent.argmax()])
    energies = simulation.energies.meters
    for name, machine in simulation.bench.machines.items():
        for meter in machine.squared_current():
            squared = energies[meter] / simulation.duration if simulation.duration else 0.0
            values[f"rms_current.{name}"] = math.sqrt(squared), None
    for figure in known_figures(simulation.bench):
        yield figure.found(*values[figure.name])


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the same figures, not looked for yet.

    Parameters
    ----------
    bench : Bench
        The bench.
    """
    for body in bench.thermal.bodies:
        of = " of ".join(reversed(body.name.split(".")))
        yield Figure(f"end_temperature.{body.name}", "degC", f"of the {of} at the end", better="lower")
        yield Figure(f"peak_temperature.{body.name}", "degC", f"largest of the {of}", better="lower")
        if body.limit is not None:
            yield Figure(
                f"time_to_limit.{body.name}",
                "s",
                f"from the start until the {of} passes its limit of {body.limit:g} degC",
                reason=f"it stays below {body.limit:g} degC",
                better="higher",
            )
    for budget in bench.thermal.budgets:
        yield Figure(
            f"use.{budget.name}",
            "1",
            f"largest share of the current over time that {budget.name.split('.')[0]} may take beyond its "
            "continuous current",
            better="lower",
        )
    for name, machine in bench.machines.items():
        if machine.squared_current():
            yield Figure(f"rms_current.{name}", "A", "rms over the run of the peak phase current")
