"""The tables and lines of a run."""

from collections.abc import Iterator, Sequence

from shaftloop.analysis.metrics import LOSS_PREFIX
from shaftloop.analysis.overlay import Overlay
from shaftloop.analysis.ratings import held, loads, overloads, strained
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.verify import Verification
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.events import Event
from shaftloop.figures import Figure
from shaftloop.report.logs import tell_log
from shaftloop.report.quantities import percent, show
from shaftloop.report.run.heat import HEAT_METRICS, tell_heat
from shaftloop.report.run.timeline import tell_timeline
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.words import spoken

__all__ = ["CAUTIONS", "details", "end_caution", "speed"]

CAUTIONS = (
    "Not modelled: the voltage swing of a link stated as stiff; saturation of PM machines, backlash, "
    "temperature, ripple and cogging where no part states them. "
    "Trust grows with `verify` (steps) and `overlay` measured.csv (model)."
)

_WORTH_A_LINE = 0.01
_MOST_EVENTS = 8
_LITTLE = 1e-6
"""Share of the energy of motion below which another is not worth a line."""
_NO_CURRENT = 1e-3
"""Below it a current is what control leaves of none. [A]"""
_APART = ("load.", "twist.", "load_of_", "limited.", "at_end.", "timeline.", *HEAT_METRICS)
"""Metrics that have a table of their own where they matter."""


def details(results: RunAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    yield from _tell_metrics(results.title, results.metrics)
    yield from tell_heat(results)
    yield from _tell_ratings(results.simulation)
    if results.timeline is not None:
        yield from tell_timeline(results, results.timeline)
    else:
        yield from _tell_events(results.simulation.events)
    yield from _tell_end(results)
    if results.verification is not None:
        yield from _tell_verification(results.verification)
    if results.overlay is not None:
        yield from _tell_overlay(results.overlay)
    yield CAUTIONS


def _tell_metrics(title: str, metrics: dict[str, Figure]) -> Iterator[Piece]:
    table = new_table(f"{title}: metrics", "metric", "value", "")
    loss = metrics["loss_energy"].value or 0.0
    for name, metric in metrics.items():
        if name.startswith(_APART) or (metric.value is None and "_tracking_" in name):
            continue
        if name.startswith(LOSS_PREFIX) and abs(metric.value or 0.0) <= _WORTH_A_LINE * loss:
            continue
        lost = name.startswith(LOSS_PREFIX)
        label = name.replace(LOSS_PREFIX, "  ") if lost else spoken(name)
        add_row(table, label, *_value_and_note(metric))
    yield table


def _tell_ratings(simulation: Simulation) -> Iterator[Piece]:
    """Yield what was asked of the parts, where something is exceeded or a limit acts for long."""
    if not overloads(simulation) and not strained(simulation):
        return
    table = new_table("Ratings and limits", "part", "quantity", "largest", "rated", "limit", "")
    for load in loads(simulation):
        bounds = ["-" if bound is None else show(bound, load.unit) for bound in (load.rated, load.limit)]
        mark = "BEYOND ITS LIMIT" if load.beyond_limit else "above its rating" if load.beyond_rating else ""
        add_row(table, load.part, load.quantity, show(load.peak, load.unit), *bounds, mark)
    for entry in held(simulation):
        if entry.first is not None and entry.last is not None:
            acts = f"{percent(entry.share, 2)} of the time, {entry.first:.4g} to {entry.last:.4g} s"
            allowed = show(entry.allowed, entry.unit)
            peak = f"{'lowest ' if entry.below else ''}{show(entry.peak, entry.unit)}"
            add_row(table, entry.owner, entry.limit, peak, "-", allowed, acts)
    yield table


def _tell_events(events: Sequence[Event]) -> Iterator[Piece]:
    """Yield the first events; those of a limit that chatters would fill the screen."""
    for event in events[:_MOST_EVENTS]:
        often = f", {event.count} times" if event.count > 1 else ""
        yield f"{event.time:.6g} s: {event.name} {event.kind.replace('_', ' ')}{often}"
    if len(events) > _MOST_EVENTS:
        last, more = events[-1], len(events) - _MOST_EVENTS
        what = f"{last.name} {last.kind.replace('_', ' ')}"
        yield f"... and {more} more, the last one at {last.time:.6g} s: {what}"


def _tell_end(results: RunAnswer) -> Iterator[Piece]:
    """Yield what is left where the line turns, a trip has let go of it or the link has a charge."""
    left, link = results.at_end, results.metrics.get("at_end.link_voltage")
    if results.off is None and not left.turns and link is None:
        return
    table = new_table("Left at the end of the run", "what", "value", "")
    add_row(table, "speed of the line", show(left.speed, "rad/s"), "")
    energies = (("turning", left.kinetic), ("twisted springs", left.elastic), ("windings", left.windings))
    for name, energy in energies:
        if energy > _LITTLE * left.kinetic:
            add_row(table, f"energy, {name}", show(energy, "J"), "")
    for name, current in left.currents.items():
        add_row(table, f"current of {name}", show(current, "A", 3) if current > _NO_CURRENT else "none", "")
    for name, voltage in left.voltages.items():
        add_row(table, f"voltage of {name}", show(voltage, "V"), "of its magnets, between terminals, peak")
    if link is not None:
        add_row(table, "voltage of the link", show(link.value or 0.0, "V"), "of its capacitor")
        add_row(table, "energy, link", show(results.metrics["at_end.link_energy"].value or 0.0, "J"), "")
    coasting = results.metrics["at_end.coasting_time"]
    value = "-" if coasting.value is None else show(coasting.value, "s", 3)
    add_row(
        table, "coasts for", value, coasting.reason or "without torque, by drag alone, to 1 % of its speed"
    )
    yield table
    if caution := end_caution(results):
        yield caution


def end_caution(results: RunAnswer) -> str | None:
    """Return what is to be minded where a link is charged or a rotor with magnets still turns."""
    left, charge = results.at_end, results.metrics.get("at_end.link_voltage")
    live = "" if charge is None else f"Caution: the link is left with {show(charge.value or 0.0, 'V', 3)}."
    if not left.turns or not left.voltages:
        return live or None
    said = ", ".join(f"{name} {show(volts, 'V', 3)}" for name, volts in left.voltages.items())
    link = results.scenario.description.supply.nominal()
    charges = [name for name, volts in left.voltages.items() if volts > link]
    more = f"; {' and '.join(charges)} would charge the link through the diodes" if charges else ""
    return (
        f"{live} Caution: the magnets make voltage as long as they turn (at the end {said}){more}.".lstrip()
    )


def _tell_verification(verification: Verification) -> Iterator[Piece]:
    step = show(verification.step, "s", 3)
    table = new_table(
        f"Repeated with steps {verification.factor} times finer, {step}", "metric", "change", "relative"
    )
    for name, entry in verification.changes.items():
        if name in verification.small:
            continue
        if entry.change is None or entry.relative is None:
            add_row(table, spoken(name), "-", entry.reason or "")
        else:
            add_row(table, spoken(name), show(entry.change, entry.unit, 2), f"{entry.relative:.1e}")
    yield table


def _tell_overlay(overlay: Overlay) -> Iterator[Piece]:
    measured = overlay.measurement
    yield from tell_log(measured.table.log, measured.table.columns, measured.findings)
    table = new_table(f"Simulated minus measured, {overlay.file}", "channel", "mean", "rms", "largest", "at")
    for name, entry in overlay.channels.items():
        largest, at = entry.worst
        values = [show(value, entry.unit, 3) for value in (entry.mean, entry.rms, largest)]
        add_row(table, name, *values, f"{at:.6g} s")
    yield table
    if overlay.left_out:
        yield f"not recorded by the simulation, left out: {', '.join(overlay.left_out)}"


def speed(simulation: Simulation) -> str:
    """Return how long a run took; it is no part of what was found."""
    factor, took = simulation.duration / simulation.wall_time, show(simulation.wall_time, "s", 2)
    return f"{simulation.duration:g} s of bench in {took}, {factor:.3g} x real time"


def _value_and_note(metric: Figure) -> tuple[str, str]:
    if metric.value is None:
        return "-", metric.reason or ""
    return show(metric.value, metric.unit), "" if metric.at is None else f"at {metric.at:.6g} s"
