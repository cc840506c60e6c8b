"""What temperatures and currents say of a run, as metrics."""

import math
from collections.abc import Iterator
from dataclasses import replace

from shaftloop.analysis.duty import Duty
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.figures import Figure

__all__ = ["heat_figures", "known_figures"]


def heat_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield what temperatures and currents say, as metrics."""
    values: dict[str, tuple[float | None, float | None]] = {}
    trace = simulation.heat
    if trace is not None:
        for number, body in enumerate(trace.heat.bodies):
            warm = trace.temperature[:, number]
            values[f"end_temperature.{body.name}"] = float(warm[-1]), None
            values[f"peak_temperature.{body.name}"] = float(warm.max()), float(trace.time[warm.argmax()])
            if body.limit is not None:
                values[f"time_to_limit.{body.name}"] = trace.reached(warm, body.limit), None
        if simulation.duty is not None:
            values |= _duty(simulation.duty)
        for number, budget in enumerate(trace.heat.budgets):
            spent = trace.spent[:, number]
            values[f"use.{budget.name}"] = float(spent.max()), float(trace.time[spent.argmax()])
    energies, length = simulation.energies.meters, simulation.duration
    if simulation.duty is not None:
        energies, length = simulation.duty.meters, simulation.duty.cycles * simulation.duty.cycle
    for name, machine in simulation.bench.machines.items():
        for meter in machine.squared_current():
            values[f"rms_current.{name}"] = math.sqrt(energies[meter] / length) if length else None, None
    why = "" if simulation.duty is None else simulation.duty.no_steady
    for figure in known_figures(simulation.bench):
        reason = why if why and figure.name.startswith("steady") else figure.reason
        yield replace(figure, reason=reason).found(*values[figure.name])


def _duty(duty: Duty) -> dict[str, tuple[float | None, float | None]]:
    """Return what a duty comes to."""
    values: dict[str, tuple[float | None, float | None]] = {
        "duty_cycles": (float(duty.cycles), None),
        "duty_error": (duty.error, None),
        "steady_error": (None if duty.steady is None else duty.steady_error, None),
    }
    for number, body in enumerate(duty.trace.heat.bodies):
        highest = None if duty.steady is None else float(duty.steady[:, number].max())
        values[f"steady_temperature.{body.name}"] = highest, None
    return values


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the same figures, not looked for yet."""
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
        if bench.description.duty is not None:
            words = f"largest of the {of} in a cycle of the steady state of the duty"
            yield Figure(f"steady_temperature.{body.name}", "degC", words, better="lower")
    if bench.description.duty is not None and (bench.thermal.bodies or bench.thermal.budgets):
        yield Figure("duty_cycles", "1", "cycles of the duty, until it ended", better="higher")
        words = "largest change of a temperature where every second cycle that was run is left out; no bound"
        yield Figure("duty_error", "K", words, better="lower")
        words = "change of the steady state by the last cycle that was run for it"
        yield Figure("steady_error", "K", words, better="lower")
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
