"""The metrics of a run. Their definitions stand in one table, `METRICS`.

A step or hold that the end of the run, or a trip, cuts shorter than all others is not judged.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from math import isfinite
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.atend import end_figures
from shaftloop.analysis.energymetrics import energy_values
from shaftloop.analysis.frames import frame_figures
from shaftloop.analysis.grid import link_figures
from shaftloop.analysis.heatfigures import heat_figures
from shaftloop.analysis.pulsation import pulsation_ratings
from shaftloop.analysis.ratings import rating_figures
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.steps import (
    SetpointHold,
    SetpointStep,
    find_holds,
    find_steps,
    overshoot,
    rise_time,
    settling_time,
)
from shaftloop.analysis.timeline import channels as timeline_channels
from shaftloop.analysis.timeline import timeline_figures
from shaftloop.analysis.tracking import tracking
from shaftloop.analysis.turning import angle_channel, angle_figures
from shaftloop.bench.handles import Bench, LoopHandle
from shaftloop.engine.events import OFF
from shaftloop.figures import Figure, by_name

__all__ = [
    "LOSS_PREFIX",
    "METRICS",
    "control_end",
    "metrics",
    "needed_channels",
    "torque_steps",
]

Array = NDArray[np.float64]
_T = TypeVar("_T")

LOSS_PREFIX = "loss_energy."
"""Begins the names of the losses of the elements."""

_OF_STEPS = ("rise_time", "overshoot", "settling_time", "steady_error", "ripple_rms")
"""Metrics of a torque loop whose set-point steps and rests."""
_OF_SENSOR = ("peak_true_torque", "peak_share_of_rating", "reading_error_rms", "reading_error_max")
"""Metrics of the reading."""
_BAND = 0.02
_SHORTEST = 8
"""Fewest records of a hold whose last quarter is judged."""


METRICS = (
    Figure(
        "torque_rise_time",
        "s",
        "from 10 % to 90 % of a step of the torque set-point, true torque; "
        "the slowest step while no other set-point moves",
    ),
    Figure(
        "torque_overshoot",
        "%",
        "how far the true torque passes a step of the set-point before the next change, of the height "
        "of the step; the worst step while no other set-point moves",
    ),
    Figure(
        "torque_settling_time",
        "s",
        "from a step of the torque set-point to the last exit of the true torque from ±2 % of the height "
        "of the step, until the next change; the slowest step while no other set-point moves",
    ),
    Figure(
        "torque_steady_error",
        "N m",
        "mean of set-point minus true torque in the last quarter of a hold in which no set-point moves; "
        "the worst hold",
    ),
    Figure(
        "torque_ripple_rms",
        "N m",
        "rms of the true torque around its mean in the last quarter of a hold in which no set-point moves; "
        "the worst hold",
    ),
    Figure("peak_true_torque", "N m", "largest true torque, either sign, from inside the steps"),
    Figure("peak_share_of_rating", "1", "peak_true_torque over the rated torque of the sensor"),
    Figure("reading_error_rms", "N m", "rms of reading minus true torque over the run, latency included"),
    Figure("reading_error_max", "N m", "largest reading minus true torque, either sign"),
    Figure(
        "speed_deviation_max",
        "rad/s",
        "largest speed minus set-point, either sign, while the set-point rests and once it has been reached",
    ),
    *(
        Figure(
            f"{quantity}_tracking_{name}", unit or own, f"{meaning}, over sines and traces of the set-point"
        )
        for quantity, own in (("torque", "N m"), ("speed", "rad/s"))
        for name, unit, meaning in (
            ("rms", "", f"rms of set-point minus true {quantity}"),
            ("max", "", f"largest set-point minus true {quantity}, either sign"),
            ("lag", "s", f"how late the true {quantity} is"),
        )
    ),
    Figure("drive_energy", "J", "drawn from the link by the first machine; negative: returned"),
    Figure("load_energy", "J", "drawn from the link by the other machines; negative: returned"),
    Figure("grid_energy", "J", "supplied by the grid"),
    Figure(
        "fed_back_power",
        "W",
        "largest power that one machine gives to the link, mean over a record interval",
    ),
    Figure("fed_back_energy", "J", "given to the link by all machines, each as long as it gives"),
    Figure(
        "grid_returned_power",
        "W",
        "largest power that all machines together give to the grid, mean over a record interval",
    ),
    Figure("grid_returned_energy", "J", "given to the grid by all machines together, as long as they do"),
    Figure(
        "returned_share",
        "1",
        "energy that the absorbing machine gives to the link over the energy that the driving one takes, "
        "each over the whole run",
    ),
    Figure(
        "loss_energy", "J", "all losses; each one by the name of its meter, e.g. loss_energy.drive.copper"
    ),
    Figure("stored_energy", "J", "change of the energy stored in speeds, twists and currents"),
    Figure(
        "energy_residual",
        "1",
        "energy that does not close, over the circulated energy, or over what the grid exchanged with a "
        "supply where that is more",
    ),
    Figure("step", "s", "longest step of the integration"),
)
"""The metrics of every run, besides one loss per element."""

_Found = tuple[float | None, str | None, float | None]
"""Value, reason, instant."""


def metrics(simulation: Simulation, names: Collection[str] | None = None) -> dict[str, Figure]:
    """Return the metrics of a run by name.

    Parameters
    ----------
    names : collection of str, optional
        At least these are returned, in less time than all.
    """
    names = [*_GROUPS, LOSS_PREFIX, ""] if names is None else names
    found: dict[str, _Found] = {}
    for name in names:
        if name in _GROUPS and name not in found:
            found |= _GROUPS[name](simulation)
    losses = any(name.startswith(LOSS_PREFIX) for name in names)
    result = {}
    for entry in METRICS:
        if entry.name in found:
            value, reason, at = found[entry.name]
            result[entry.name] = replace(entry, reason=reason or "").found(value, at)
        if entry.name == "loss_energy" and losses:
            result |= _losses(simulation)
    if all(name in _GROUPS or name.startswith(LOSS_PREFIX) for name in names):
        return result
    further = (
        link_figures(simulation),
        rating_figures(simulation),
        heat_figures(simulation),
        end_figures(simulation),
        timeline_figures(simulation),
        angle_figures(simulation),
        frame_figures(simulation),
    )
    return result | by_name(figure for group in further for figure in group)


def needed_channels(bench: Bench) -> set[str]:
    """Return the names of the recorded channels from which the metrics of a bench are taken."""
    names = {"true_torque", "reading", *(f"{name}_setpoint" for name in bench.loops), "grid_energy"}
    names |= {f"{name}_energy" for name in bench.machines} | timeline_channels(bench)
    names |= {entry.peak for entry in pulsation_ratings(bench)} | {angle_channel(bench) or "reading"}
    loop = bench.speed_loop()
    return names if loop is None else names | {f"{_measured_machine(bench, loop)}_speed"}


def control_end(simulation: Simulation) -> int:
    """Return the number of records until a trip takes the torque away; all where nothing trips."""
    off = min((event.time for event in simulation.events if event.kind in OFF), default=np.inf)
    return int(np.searchsorted(simulation.time, off))


def torque_steps(simulation: Simulation) -> list[SetpointStep]:
    """Return the steps on which the torque loop is judged, until a trip."""
    loop = simulation.bench.torque_loop()
    if loop is None:
        return []
    end = control_end(simulation)
    holds = find_holds(simulation.traces[f"{loop.parameters.name}_setpoint"][:end])
    return _judged(holds, _moves_of_others(simulation, loop.parameters.name, end))


def _torque(simulation: Simulation) -> dict[str, _Found]:
    """Return how the torque loop follows its set-point."""
    names = [f"torque_{name}" for name in _OF_STEPS]
    loop = simulation.bench.torque_loop()
    if loop is None:
        return dict.fromkeys(names, _nothing("no loop controls a torque"))
    end = control_end(simulation)
    time, true = simulation.time[:end], simulation.traces["true_torque"][:end]
    holds = find_holds(simulation.traces[f"{loop.parameters.name}_setpoint"][:end])
    moves = _moves_of_others(simulation, loop.parameters.name, end)
    steps = _judged(holds, moves)
    calm = _whole([hold for hold in holds if _is_calm(hold, moves)], lambda hold: hold, end)

    def error(hold: SetpointHold) -> float:
        return hold.value - float(np.mean(true[hold.last_quarter()]))

    def ripple(hold: SetpointHold) -> float:
        return float(np.std(true[hold.last_quarter()]))

    found: tuple[_Found, ...] = (
        _worst_step(steps, time, lambda step: rise_time(step, time, true), "reach 90 %"),
        _worst_step(steps, time, lambda step: 100.0 * overshoot(step, true), ""),
        _worst_step(steps, time, lambda step: settling_time(step, time, true, _BAND), "settle to ±2 %"),
        _worst_hold(calm, time, error),
        _worst_hold(calm, time, ripple),
    )
    if end < len(simulation.time):
        found = tuple(_before_trip(*entry) for entry in found)
    return dict(zip(names, found, strict=True))


def _moves_of_others(simulation: Simulation, loop: str, end: int) -> NDArray[np.int64]:
    """Return how often the set-points of the other loops moved before each record, shape (end + 1,)."""
    moved = np.zeros(end, dtype=np.int64)
    for name in simulation.bench.loops:
        setpoint = simulation.traces.get(f"{name}_setpoint")
        if setpoint is not None and name != loop and end:
            moved[1:] += np.diff(setpoint[:end]) != 0.0
    return np.concatenate(([0], np.cumsum(moved)))


def _judged(holds: list[SetpointHold], moves: NDArray[np.int64]) -> list[SetpointStep]:
    """Return the steps during which no other set-point moves; all where there is none.

    A speed ramp acts on the torque as well.
    """
    steps = find_steps(holds)
    steps = [step for step in steps if moves[step.hold.end] == moves[step.hold.first]] or steps
    return _whole(steps, lambda step: step.hold, len(moves) - 1)


def _whole(found: list[_T], hold_of: Callable[[_T], SetpointHold], end: int) -> list[_T]:
    """Return what is found without the last one, where the records end before it is as long as the others."""
    lengths = [hold_of(entry).end - hold_of(entry).first for entry in found]
    if len(found) > 1 and hold_of(found[-1]).end == end and lengths[-1] < min(lengths[:-1]):
        return found[:-1]
    return found


def _is_calm(hold: SetpointHold, moves: NDArray[np.int64]) -> bool:
    """Return whether a hold is long enough and no other set-point moves in its last quarter."""
    part = hold.last_quarter()
    return hold.end - hold.first >= _SHORTEST and bool(moves[part.stop] == moves[part.start])


def _worst_step(
    steps: list[SetpointStep], time: Array, measure: Callable[[SetpointStep], float | None], verb: str
) -> _Found:
    """Return the largest of a measure over the steps; a step without one makes it unknown."""
    if not steps:
        return _nothing("the torque set-point makes no step")
    found = [(measure(step), float(time[step.hold.first])) for step in steps]
    for value, at in found:
        if value is None:
            reason = f"the true torque does not {verb} of the step at {at:.6g} s before the next change"
            return None, reason, at
    value, at = max(((value, at) for value, at in found if value is not None), key=lambda pair: pair[0])
    return value, None, at


def _worst_hold(holds: list[SetpointHold], time: Array, measure: Callable[[SetpointHold], float]) -> _Found:
    if not holds:
        return _nothing(f"the torque set-point never rests for {_SHORTEST} records while the others rest")
    found = [(measure(hold), float(time[hold.first])) for hold in holds]
    value, at = max(found, key=lambda pair: abs(pair[0]))
    return value, None, at


def _before_trip(value: float | None, reason: str | None, at: float | None) -> _Found:
    return value, reason and f"{reason}; judged until the trip", at


def _nothing(reason: str) -> _Found:
    return None, reason, None


def _sensor(simulation: Simulation) -> dict[str, _Found]:
    """Return peaks of the true torque and errors of the reading."""
    sensor = simulation.bench.main_sensor()
    if sensor is None:
        return dict.fromkeys(_OF_SENSOR, _nothing("the line has no torque sensor"))
    peak = max(map(abs, simulation.peaks[sensor.parameters.name]))
    error = simulation.traces["reading"] - simulation.traces["true_torque"]
    if len(error) == 0:
        rms, worst = _nothing("nothing was recorded"), _nothing("nothing was recorded")
    else:
        where = int(np.argmax(np.abs(error)))
        rms = (float(np.sqrt(np.mean(error**2))), None, None)
        worst = (float(error[where]), None, float(simulation.time[where]))
    peaks = [(peak, None, None), (peak / sensor.parameters.rated, None, None)]
    found = (*(peaks if isfinite(peak) else 2 * [_nothing("the run ended at once")]), rms, worst)
    return dict(zip(_OF_SENSOR, found, strict=True))


def _speed(simulation: Simulation) -> dict[str, _Found]:
    """Return how far the speed strays from a resting set-point that it has reached."""
    name = "speed_deviation_max"
    loop = simulation.bench.speed_loop()
    if loop is None:
        return {name: _nothing("no loop controls a speed")}
    bench, end = simulation.bench, control_end(simulation)
    machine = _measured_machine(bench, loop)
    setpoint = simulation.traces[f"{loop.parameters.name}_setpoint"][:end]
    deviation = simulation.traces[f"{machine}_speed"][:end] - setpoint
    reached = np.zeros(end, dtype=np.bool_)
    for hold in find_holds(setpoint, _SHORTEST):
        reached[_from_reached(hold, deviation)] = True
    if not reached.any():
        return {name: _nothing("the speed never reaches a resting set-point")}
    where = int(np.argmax(np.abs(deviation) * reached))
    return {name: (float(deviation[where]), None, float(simulation.time[where]))}


def _tracking(simulation: Simulation) -> dict[str, _Found]:
    """Return how the first torque loop and the first speed loop follow sines and traces."""
    bench, end = simulation.bench, control_end(simulation)
    found: dict[str, _Found] = {}
    for quantity, loop in (("torque", bench.torque_loop()), ("speed", bench.speed_loop())):
        values: Sequence[_Found] = 3 * [_nothing(f"no loop controls a {quantity}")]
        if loop is not None:
            channel = "true_torque" if quantity == "torque" else f"{_measured_machine(bench, loop)}_speed"
            kept = tracking(simulation, loop, simulation.traces[channel][:end])
            values = 3 * [_nothing(f"the {quantity} set-point follows no sine and no trace")]
            values = [(value, None, at) for value, at in kept] if kept else values
        names = (f"{quantity}_tracking_{name}" for name in ("rms", "max", "lag"))
        found |= zip(names, values, strict=True)
    return found


def _measured_machine(bench: Bench, loop: LoopHandle) -> str:
    """Return the machine whose speed a loop controls."""
    return loop.source if loop.source in bench.machines else loop.parameters.acts_on


def _from_reached(hold: SetpointHold, deviation: Array) -> slice:
    """Return the records of a hold from the first at which the speed has met or crossed the set-point."""
    part = deviation[hold.first : hold.end]
    met = part * np.sign(part[0]) <= 0.0
    return slice(hold.first + int(np.argmax(met)) if met.any() else hold.end, hold.end)


def _losses(simulation: Simulation) -> dict[str, Figure]:
    """Return the loss of every element, in the order of the meters."""
    meanings = {meter.name: meter.meaning for meter in simulation.bench.model.plant.network.meters}
    return {
        LOSS_PREFIX + name: Figure(LOSS_PREFIX + name, "J", meanings[name], better="lower").found(energy)
        for name, energy in simulation.energies.losses.items()
    }


def _step(simulation: Simulation) -> dict[str, _Found]:
    return {"step": (simulation.step, None, None)}


_GROUPS: dict[str, Callable[[Simulation], dict[str, _Found]]] = {
    **{entry.name: energy_values for entry in METRICS},
    **dict.fromkeys((f"torque_{name}" for name in _OF_STEPS), _torque),
    **dict.fromkeys(_OF_SENSOR, _sensor),
    **{entry.name: _tracking for entry in METRICS if "_tracking_" in entry.name},
    "speed_deviation_max": _speed,
    "step": _step,
}
"""What finds each of the metrics."""
