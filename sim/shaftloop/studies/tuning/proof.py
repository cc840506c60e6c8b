"""The proof: the tuned bench in the time simulation against what the linear loop predicts.

One experiment, run twice by the same kernel: small and on the smooth bench, which is the prediction, and at
full size on the full bench with noise, quantiser, clamps and rate limits. Where a figure differs by more
than a tenth the experiment is repeated with one effect after the other switched off; the effects that bring
the figure back are named.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.handles import Bench
from shaftloop.engine import at
from shaftloop.engine.model import Segment
from shaftloop.engine.setpoints import HOLD
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop_models.encoder import Encoder
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["DIFFERENT", "Compared", "Experiment", "Proof", "Trace", "prove"]

Array = NDArray[np.float64]

DIFFERENT = 0.1
"""Difference between predicted and simulated from which on it is explained."""
_SMALL = 1e-3
"""Size of the predicted experiment over that of the simulated one."""
_BAND = 0.02
_FLOORS = {"s": 1.0, "%": 2.0, "N m": 0.0, "rad/s": 0.0}
"""Least difference that counts: ticks for times, percentage points of the step for overshoot."""
_FINE_EDGES = 10**7
_NO_CLAMP = 1e9
_EXPLAINS = 0.5
"""Share of a difference that an effect must take away to count as its cause."""


@dataclass(frozen=True)
class Experiment:
    """What is done to a bench: a step of the set-point, then one of torque on the command."""

    loop: str
    quantity: str
    """``torque`` or ``speed``."""
    step: float
    """Of the set-point; it ends at the operating point. [N m] or [rad/s]"""
    torque: float
    """Added to the command. [N m]"""
    horizon: float
    """Time after each step. [s]"""


@dataclass(frozen=True)
class Trace:
    """The loop over the time of an experiment, at its ticks; the set-point steps at 0."""

    time: Array
    """Shape (n,). [s]"""
    true: Array
    """Change of the true quantity, shape (n,). [N m] or [rad/s]"""
    command: Array
    """What the controller asks for, shape (n,). [N m]"""


@dataclass(frozen=True)
class Compared:
    """A figure, predicted and simulated."""

    name: str
    unit: str
    predicted: float | None
    simulated: float | None
    different: bool
    """Whether they differ by more than `DIFFERENT`."""
    explanation: str
    """Why they do; empty where they do not."""


@dataclass(frozen=True)
class Proof:
    """The comparison of an experiment."""

    experiment: Experiment
    rows: tuple[Compared, ...]
    predicted: Trace
    simulated: Trace


def prove(description: Description, experiment: Experiment, point: OperatingPoint) -> Proof:
    """Return the proof of a tuned bench.

    Parameters
    ----------
    description : Description
        The bench with its tuned gains.
    experiment : Experiment
        What is done.
    point : OperatingPoint
        Constant set-points after the step.
    """
    small = replace(experiment, step=_SMALL * experiment.step, torque=_SMALL * experiment.torque)
    simulated = _run(description, experiment, point, smooth=False)
    before = float(np.mean(simulated.command[simulated.time < -1e-12]))
    predicted = _scaled(_run(description, small, point, smooth=True), 1.0 / _SMALL, before)
    expected, found = _figures(predicted, experiment), _figures(simulated, experiment)
    period = float(1 / loop_named(description, experiment.loop).rate)
    rows = []
    others: dict[str, dict[str, tuple[float | None, str]]] = {}
    for name, (value, unit) in expected.items():
        other = found[name][0]
        far = _differs(value, other, unit, period)
        why = ""
        if far:
            others = others or _without_effects(description, experiment, point)
            why = _explained(name, value, other, others)
        rows.append(Compared(name, unit, value, other, far, why))
    return Proof(experiment, tuple(rows), predicted, simulated)


def _run(description: Description, experiment: Experiment, point: OperatingPoint, smooth: bool) -> Trace:
    """Run an experiment from the steady state before the step."""
    name = experiment.loop
    start = {**point.setpoints, name: point.setpoints[name] - experiment.step}
    before = replace(point, setpoints=start)
    if experiment.quantity == "speed":
        before = replace(before, speed=start[name])
    reference = HyperMap(description)
    state = held_state(reference, before)
    bench, run = standing_run(description, reference, state, start, smooth=smooth, records=1 << 16)
    loop = bench.loops[name]
    rate = float(loop.parameters.rate)
    ticks = max(int(experiment.horizon * rate), 8)
    period = run.clock.ticks(1 / loop.parameters.rate)
    first = max(ticks // 10, 4)
    values = np.empty((first + 2 * ticks, 2))
    true = _reader(bench, name)
    for k in range(len(values)):
        if k == first:
            segment = Segment(period * k, HOLD, (), (point.setpoints[name],))
            run.set_profile(loop.profile, segment)
        if k == first + ticks:
            run.state[loop.break_slot + 1] = experiment.torque
        values[k, 0] = true(run.state)
        run.advance(period * (k + 1))
        values[k, 1] = run.state[loop.break_slot]
        run.counters[at.WRITTEN] = 0
    level = float(np.mean(values[: first + 1, 0]))
    return Trace((np.arange(len(values)) - first) / rate, values[:, 0] - level, values[:, 1])


def _reader(bench: Bench, name: str) -> Callable[[Array], float]:
    """Return what gives the true quantity of a loop from a state."""
    loop = bench.loops[name]
    if loop.quantity == "torque":
        row = bench.model.plant.c[bench.model.plant.rows[bench.sensors[loop.source].true_torque]]
        return lambda state: float(state[: len(row)] @ row)
    if loop.source in bench.machines:
        slot = bench.machines[loop.source].node.speed.index
    else:
        slot = bench.line.nodes[bench.line.places[loop.source].body].speed.index
    return lambda state: float(state[slot])


def _scaled(trace: Trace, factor: float, level: float) -> Trace:
    """Return a small experiment at full size, its command beginning where that of the large one does."""
    change = factor * (trace.command - trace.command[0])
    return Trace(trace.time, factor * trace.true, level + change)


def _figures(trace: Trace, experiment: Experiment) -> dict[str, tuple[float | None, str]]:
    """Return the figures of a trace with their units."""
    unit = "N m" if experiment.quantity == "torque" else "rad/s"
    first = int(np.searchsorted(trace.time, -1e-12))
    half = first + (len(trace.time) - first) // 2
    time, answer = trace.time[first:half], trace.true[first:half] / experiment.step
    outside = np.flatnonzero(np.abs(answer - 1.0) > _BAND)
    last = int(outside[-1]) if len(outside) else 0
    settled = last < 0.98 * (len(time) - 1)
    rest = trace.true[half:] - experiment.step
    return {
        "rise time": (_between(time, answer, 0.1, 0.9), "s"),
        "overshoot": (100.0 * max(float(answer.max()) - 1.0, 0.0), "%"),
        "settling time": (float(time[last + 1]) if settled else None, "s"),
        "disturbance dip": (float(np.max(np.abs(rest))), unit),
    }


def _between(time: Array, answer: Array, low: float, high: float) -> float | None:
    """Return the time from the first crossing of one level to that of another, interpolated [s]."""
    instants = []
    for level in (low, high):
        above = np.flatnonzero(answer >= level)
        if not len(above) or above[0] == 0:
            return None
        i = int(above[0])
        share = (level - answer[i - 1]) / (answer[i] - answer[i - 1])
        instants.append(float(time[i - 1] + share * (time[i] - time[i - 1])))
    return instants[1] - instants[0]


def _differs(predicted: float | None, simulated: float | None, unit: str, period: float) -> bool:
    if predicted is None or simulated is None:
        return predicted is not simulated
    floor = _FLOORS[unit] * (period if unit == "s" else 1.0)
    return abs(simulated - predicted) > max(DIFFERENT * abs(predicted), floor)


_EFFECTS: dict[str, Callable[[Description, str], Description]] = {
    "limit on the rate of the set-point": lambda d, name: with_loop(
        d, replace(loop_named(d, name), setpoint_rate=None)
    ),
    "clamp of the command": lambda d, name: with_loop(
        d, replace(loop_named(d, name), clamp=_NO_CLAMP * loop_named(d, name).clamp)
    ),
    "noise of the torque sensor": lambda d, _: _with_sensors(d, noise_density=None),
    "quantiser of the torque sensor": lambda d, _: _with_sensors(d, bits=None),
    "edges of the encoder": lambda d, _: replace(
        d, line=tuple(replace(p, lines=_FINE_EDGES) if isinstance(p, Encoder) else p for p in d.line)
    ),
}
_SIZE = "size of the step: what is small-signal in the prediction is not in the plant (drag, saliency)"
_LIMITS = "what the smooth bench leaves out: ripple, cogging, hysteresis, limits of machines and sensor"


def _with_sensors(description: Description, **changes: object) -> Description:
    line = tuple(
        replace(part, **changes) if isinstance(part, TorqueSensor) else part  # type: ignore[arg-type]
        for part in description.line
    )
    return replace(description, line=line)


def _without_effects(
    description: Description, experiment: Experiment, point: OperatingPoint
) -> dict[str, dict[str, tuple[float | None, str]]]:
    """Return the figures of the experiment with one effect after the other switched off.

    The last two are cumulative: all effects off, and the smooth bench at full size.
    """
    found, quiet = {}, description
    for effect, off in _EFFECTS.items():
        changed = off(description, experiment.loop)
        quiet = off(quiet, experiment.loop)
        if changed != description:
            found[effect] = _tried(changed, experiment, point, False)
    found[""] = _tried(quiet, experiment, point, False)
    found[_SIZE] = _tried(description, experiment, point, True)
    return found


def _tried(
    description: Description, experiment: Experiment, point: OperatingPoint, smooth: bool
) -> dict[str, tuple[float | None, str]]:
    try:
        return _figures(_run(description, experiment, point, smooth), experiment)
    except SimulationError:
        return {}


def _explained(
    name: str,
    predicted: float | None,
    simulated: float | None,
    others: dict[str, dict[str, tuple[float | None, str]]],
) -> str:
    """Return which effects make the difference of a figure."""

    def left(effect: str) -> float:
        """Return the share of the difference that stays without an effect."""
        other = others[effect].get(name, (None, ""))[0]
        if predicted is None or other is None:
            return 0.0 if predicted is other else 1.0
        if simulated is None:
            return 0.0
        return abs(other - predicted) / abs(simulated - predicted)

    single = [effect for effect in others if effect not in ("", _SIZE) and left(effect) < _EXPLAINS]
    if single:
        return "due to: " + ", ".join(single)
    if left("") < _EXPLAINS:
        return "due to several together: " + ", ".join(e for e in others if e not in ("", _SIZE))
    if left(_SIZE) < _EXPLAINS:
        return "due to: " + _LIMITS
    return "due to: " + _SIZE
