"""The answer of a run in words."""

import math
from collections.abc import Iterator

import numpy as np

from shaftloop.analysis.metrics import LOSS_PREFIX
from shaftloop.analysis.overlay import Difference
from shaftloop.analysis.ratings import Load, continuous, loads, runaway, strained, surged
from shaftloop.answers.run import RunAnswer
from shaftloop.control.parameters import UNIT_OF
from shaftloop.engine.events import SEQUENCE, Event
from shaftloop.report.quantities import percent, readable, show
from shaftloop.report.run.heat import heat_words, span
from shaftloop.scenario.description import LEVEL_UNITS, Settle
from shaftloop.scenario.faults import said
from shaftloop.words import figure_words

__all__ = ["finding", "verdict"]


def verdict(answer: RunAnswer) -> list[str]:
    """Return what the run says: what was asked besides first, then the run in at most three sentences."""
    heat = heat_words(answer)
    # Of a duty, how warm things become is asked; the steps of its cycle stand in the table.
    torque = heat if heat and answer.simulation.duty else " ".join(_torque(answer))
    return [*_measured(answer), *_verified(answer), finding(answer), torque, _energy(answer)]


def finding(answer: RunAnswer) -> str:
    """Return what became of the run and of its parts."""
    fast = runaway(answer.simulation)
    return _failed(answer) + _unmet(answer) + (f"{fast}. " if fast else "") + _end(answer)


def _measured(answer: RunAnswer) -> Iterator[str]:
    """Yield how far the run is from the measured one, the channel that is furthest off first."""
    if answer.overlay is None:
        return

    def off(entry: Difference) -> float:
        largest = float(np.max(np.abs(entry.measured)))
        return entry.rms / largest if largest else math.inf

    name, worst = max(answer.overlay.channels.items(), key=lambda item: off(item[1]))
    share = "" if math.isinf(off(worst)) else f", {percent(off(worst), 1)} of the largest that was measured"
    count = len(answer.overlay.channels)
    most = "" if count == 1 else f", of {count} channels furthest off"
    yield f"Simulated and measured {name}{most}, differ by {show(worst.rms, worst.unit, 3)} rms{share}."


def _verified(answer: RunAnswer) -> Iterator[str]:
    """Yield how far finer steps move the metrics."""
    found = answer.verification
    if found is None:
        return
    if found.largest is None:
        yield f"With steps {found.factor} times finer no metric can be compared."
        return
    name, moved = found.largest
    most = f"by at most {moved:.1e} of their value, {figure_words(f'simulate.{name}')} most"
    yield f"Steps {found.factor} times finer move the metrics {most}."


def _failed(answer: RunAnswer) -> str:
    """Return what fails in the run, as the scenario wants it."""
    simulation = answer.simulation
    times = {event.name: event.time for event in simulation.events if event.kind == "failed"}
    faults = [fault for fault in simulation.bench.description.fault if fault.name in times]
    return "".join(f"{said(fault)} at {times[fault.name]:.6g} s. " for fault in faults)


def _unmet(answer: RunAnswer) -> str:
    """Return which faults do not happen for their conditions, and how near they came where it is known."""
    simulation, said = answer.simulation, ""
    happened = {event.name for event in simulation.events if event.kind == "failed"}
    for fault in simulation.bench.description.fault:
        if fault.when is None or fault.name in happened:
            continue
        quantity, of = fault.when.quantity, fault.when.watches
        low, high = simulation.peaks.get(f"{of}.{quantity}", (math.nan, math.nan))
        ends = [show(end, LEVEL_UNITS.get(quantity, "")) for end in (low, high)]
        near = "" if math.isnan(low) else f" ({ends[0]} to {ends[1]})"
        what = quantity.replace("_", " ")
        said += (
            f"Fault {fault.name} does not happen: its condition on the {what} of {of} is never met{near}. "
        )
    return said


def _strain(answer: RunAnswer) -> str:
    """Return what is asked of the parts against what they stand."""
    found = [entry for entry in loads(answer.simulation) if entry.rated or entry.limit]
    strains = strained(answer.simulation)
    if strains:
        return f"but {strains[0]}"
    steady = continuous(answer.simulation)
    if not found and not steady:
        return "no part states what it stands"

    shares = [
        (entry.share(bound), entry.part, f"{_words(entry)} {what}")
        for entry in found
        for what, bound in (("rating", entry.rated), ("limit", entry.limit))
        if bound
    ]
    shares += [(entry.share(entry.rated), entry.part, "rated torque, rms") for entry in steady if entry.rated]
    share, part, what = max(shares)
    return f"every part stays inside its ratings, {part} nearest with {percent(share)} of its {what}"


def _words(entry: Load) -> str:
    """Return the quantity in words; a temperature counts from the ambient."""
    words = entry.quantity.replace("_", " ")
    return words.replace("temperature", "temperature rise") if entry.unit == "degC" else words


def _end(answer: RunAnswer) -> str:
    events = answer.simulation.events
    tripped = [event for event in events if event.kind == "tripped"]
    if tripped:
        others = f" and {len(tripped) - 1} more" if len(tripped) > 1 else ""
        trip = f"interlock {tripped[0].name} trips at {tripped[0].time:.4g} s{others}{_left(answer)}"
        if _failed(answer):
            more = f" and {len(answer.overloads) - 1} more" if len(answer.overloads) > 1 else ""
            saw = f"{answer.overloads[0]}{more}" if answer.overloads else "no part passes its limit"
            return f"{trip[0].upper()}{trip[1:]}; {saw}."
        return f"The run does not hold: {trip}; look at what it watches, then at the set-points and gains."
    if answer.overloads:
        more = f" and {len(answer.overloads) - 1} more" if len(answer.overloads) > 1 else ""
        cause = surged(answer.simulation) or "Lower the demand, slow it, or choose another part"
        return f"The run does not hold: {answer.overloads[0]}{more}. {cause[0].upper()}{cause[1:]}."
    late = [event for event in events if event.kind == "not_settled"]
    if late:
        return (
            f"The run ends, but {len(late)} wait{'s' if len(late) > 1 else ''} for settling ran into the "
            f"timeout, the first at {late[0].time:.4g} s: {_waited(answer, late[0])}; {_strain(answer)}."
        )
    off, begin = answer.off, "The run"
    if off is not None and off.name == SEQUENCE:
        begin = f"The sequence takes the torque away at {off.time:.4g} s{_left(answer)}; the run"
    length, duty = f"{answer.simulation.duration:.4g} s", answer.simulation.duty
    if duty is not None:
        begin, length = "The duty", f"{span(duty.cycles * duty.cycle)} ({duty.cycles} cycles)"
    return f"{begin} of {length} ends with no interlock tripped; {_strain(answer)}."


def _waited(answer: RunAnswer, event: Event) -> str:
    """Return what a wait for settling asked for."""
    bench = answer.simulation.bench
    waits = [step for step in bench.description.sequence if isinstance(step, Settle)]
    ended = [other for other in answer.simulation.events if other.kind in ("settled", "not_settled")]
    step = waits[ended.index(event)]
    amounts = (
        (step.within, UNIT_OF[bench.loops[step.loop].quantity]),
        (step.dwell, "s"),
        (step.timeout, "s"),
    )
    within, dwell, most = ("{:.4g} {}".format(*readable(float(value), unit)) for value, unit in amounts)
    asked = (
        f"loop {step.loop} was to stay within {within} of its set-point for {dwell}, and did not in {most}"
    )
    near = f"{_nearest(answer, step, event.time)}; slow the ramps, tune the loop or widen the band"
    return asked + (_stalled(answer, step, event.time) or near)


def _stalled(answer: RunAnswer, step: Settle, end: float) -> str:
    """Return that the loop stood still in a wait that ended in vain, where it did."""
    begin = end - float(step.timeout)
    for fault in answer.simulation.bench.description.fault:
        times = [event.time for event in answer.simulation.events if event.name == fault.name]
        stands = (fault.on, fault.kind) == (step.loop, "stalled") and bool(times) and times[0] < end
        if stands and (len(times) == 1 or times[1] > begin):
            return f" (it is stalled from {max(times[0], begin):.4g} s on)"
    return ""


def _nearest(answer: RunAnswer, step: Settle, end: float) -> str:
    """Return how near a wait that ended in vain came, as far as records of set-point and reading show it."""
    found, bench = answer.simulation, answer.simulation.bench
    loop, main = bench.loops[step.loop], bench.main_sensor()
    seen = "reading" if main is not None and loop.source == main.name else f"{loop.source}_reading"
    seen = seen if loop.quantity == "torque" else f"{loop.source}_speed"
    seen = seen if seen in found.traces else f"{loop.source}.{loop.quantity}"
    setpoint = f"{step.loop}_setpoint"
    if setpoint not in found.traces:
        return ""
    if seen not in found.traces:
        return f" (with {seen} among the channels of [record] it is said how near it came)"
    inside = (found.time > end - float(step.timeout)) & (found.time <= end)
    apart = np.abs(found.traces[setpoint][inside] - found.traces[seen][inside])
    if not apart.size:
        return ""
    if np.min(apart) > step.within:
        return f" (it came to {show(float(np.min(apart)), UNIT_OF[loop.quantity])} of it)"
    beyond = np.flatnonzero(np.concatenate([[True], apart > step.within, [True]]))
    longest = float(np.max(np.diff(beyond)) - 1) * float(bench.record_period)
    return f" (it stayed for {show(longest, 's', 3)} at most)"


def _left(answer: RunAnswer) -> str:
    """Return how a line that a trip has let go of still turns, as a sentence goes on."""
    left = answer.at_end
    return f", and at the end the line still turns at {show(left.speed, 'rad/s')}" if left.turns else ""


def _torque(answer: RunAnswer) -> Iterator[str]:
    found = answer.metrics
    peak, share = found["peak_true_torque"], found["peak_share_of_rating"]
    rise, over, settled = (found[f"torque_{name}"] for name in ("rise_time", "overshoot", "settling_time"))
    if peak.value is not None and share.value is not None:
        of_rating = f"{percent(share.value)} of the sensor's rating"
        yield f"The true torque peaks at {show(peak.value, 'N m')}, {of_rating};"
    if rise.value is None or over.value is None:
        yield f"{'no' if peak.value is not None else 'No'} step is judged: {rise.reason or over.reason}."
        return
    how = f"settle within {show(settled.value, 's', 3)}" if settled.value is not None else "do not all settle"
    # Each figure is that of the step that is worst in it, which need not be the same.
    rises = f"its steps rise within {show(rise.value, 's', 3)}"
    yield f"{rises}, overshoot by at most {over.value:.1f} % and {how}."


def _energy(answer: RunAnswer) -> str:
    found = answer.metrics
    grid, residual = found["grid_energy"].value, found["energy_residual"].value
    losses = {name: figure.value or 0.0 for name, figure in found.items() if name.startswith(LOSS_PREFIX)}
    largest = max(losses, key=lambda name: losses[name], default=None)
    within = "In the cycles that were run the" if answer.simulation.duty else "The"
    text = f"{within} grid {'takes in' if (grid or 0.0) < 0.0 else 'supplies'} {show(abs(grid or 0.0), 'J')}"
    if largest is not None and losses[largest] > 0.0:
        text += f"; the largest loss is {largest.removeprefix(LOSS_PREFIX)}, {show(losses[largest], 'J')}"
    if answer.unclosed:
        return f"{text}. Do not trust the energies: {answer.unclosed[0]}."
    return f"{text}; energy closes to {residual:.1e} of what circulates."
