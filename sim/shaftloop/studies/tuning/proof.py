"""The proof: the tuned bench in the time simulation against what the linear loop predicts.

One experiment, run twice by the same kernel: small and on the smooth bench, which is the prediction, and at
full size on the full bench with noise, quantiser, clamps and rate limits. Where a figure differs by more
than a tenth the experiment is repeated without one effect after the other; see `explain`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.bench.wiring import Priority
from shaftloop.control.parameters import UNIT_OF
from shaftloop.engine import at
from shaftloop.engine.compiled.setpoints import HOLD
from shaftloop.engine.model import Channel, Segment, Task
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description, Record
from shaftloop.studies.tuning.effects import Effect, present, without
from shaftloop.studies.tuning.explain import Figures, differs, explained
from shaftloop.studies.tuning.plant import loop_named
from shaftloop_models.network import Ref

__all__ = ["Compared", "Experiment", "Proof", "Trace", "prove"]

Array = NDArray[np.float64]

_SMALL = 1e-3
"""Size of the predicted experiment over that of the simulated one."""
_BAND = 0.02
_HALVINGS = 3
"""Of a step that the bench cannot begin, before that is an error."""


@dataclass(frozen=True)
class Experiment:
    """What is done to a bench: a step of the set-point, then one of torque on the command."""

    loop: str
    quantity: str
    """``torque``, ``speed`` or ``voltage``."""
    step: float
    """Of the set-point; it ends at the operating point. [N m], [rad/s] or [V]"""
    torque: float
    """Added to the command. [N m] or [W]"""
    horizon: float
    """Time after each step. [s]"""

    @property
    def unit(self) -> str:
        """Unit of the command."""
        return "W" if self.quantity == "voltage" else "N m"


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
    """Whether they differ by more than a tenth."""
    explanation: str
    """Why they do; empty where they do not."""


@dataclass(frozen=True)
class Proof:
    """The comparison of an experiment."""

    experiment: Experiment
    rows: tuple[Compared, ...]
    predicted: Trace
    simulated: Trace
    shortened: str = ""
    """Why its step is smaller than was asked for; empty where it is not."""


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
    bench, shortened = _standing(description, experiment, point)
    experiment = bench.experiment
    small = replace(experiment, step=_SMALL * experiment.step, torque=_SMALL * experiment.torque)
    simulated = bench.run(description, smooth=False)
    before = float(np.mean(simulated.command[simulated.time < -1e-12]))
    shrunk = _Standing(description, small, point).run(description, smooth=True)
    predicted = _scaled(shrunk, 1.0 / _SMALL, before)
    period = float(1 / loop_named(description, experiment.loop).rate)
    expected, found = _figures(predicted, experiment), _figures(simulated, experiment)
    far = [name for name in expected if differs(expected[name], found[name], period)]
    effects = present(description, experiment.loop)
    why = explained(far, expected, found, effects, bench.without, period) if far else {}
    rows = tuple(
        Compared(name, unit, value, found[name][0], name in far, why.get(name, ""))
        for name, (value, unit) in expected.items()
    )
    return Proof(experiment, rows, predicted, simulated, shortened)


def _standing(
    description: Description, experiment: Experiment, point: OperatingPoint
) -> tuple["_Standing", str]:
    """Return a bench before the step, and why that is smaller, where it cannot begin where it should.

    A brake does not drive, and flanks that nothing presses touch nowhere.
    """
    why = ""
    for _ in range(_HALVINGS):
        try:
            return _Standing(description, experiment, point), why
        except SimulationError as error:
            why = why or str(error).splitlines()[0]
            experiment = replace(experiment, step=0.5 * experiment.step)
    return _Standing(description, experiment, point), why


class _Standing:
    """A bench in the steady state before the step; effects do not change that state."""

    def __init__(self, description: Description, experiment: Experiment, point: OperatingPoint) -> None:
        name = experiment.loop
        self._description, self.experiment, self._point = description, experiment, point
        self._rate = loop_named(description, name).rate
        self._start = {**point.setpoints, name: point.setpoints[name] - experiment.step}
        before = replace(point, setpoints=self._start)
        if experiment.quantity == "speed":
            before = replace(before, speed=self._start[name])
        elif point.torque == point.setpoints[name]:
            before = replace(before, torque=self._start[name])
        self._reference = HyperMap(description)
        self._state = held_state(self._reference, before)

    def without(self, effects: Sequence[Effect] | None) -> Figures:
        """Return the figures without some effects, or of the smooth bench; none where the run fails."""
        smooth = effects is None
        changed = without(self._description, self.experiment.loop, effects or ())
        try:
            return _figures(self.run(changed, smooth=smooth), self.experiment)
        except SimulationError:
            return {}

    def run(self, description: Description, *, smooth: bool) -> Trace:
        """Run the experiment."""
        experiment, name, rate = self.experiment, self.experiment.loop, self._rate
        # Nothing fails on the way; every tick of the loop is recorded, on the smooth bench too.
        description = replace(description, record=Record(rate), fault=(), limit=())
        bench = build_bench(description, smooth=smooth)
        if smooth:
            bench.model.tasks.append(Task("record", at.RECORD, 1 / rate, Fraction(0), Priority.RECORD))
        bench.model.channels = _watched(bench, name)
        ticks = max(int(experiment.horizon * rate), 8)
        first = max(ticks // 10, 4)
        count = first + 2 * ticks
        run = standing_run(bench, self._reference, self._state, self._start, count + 1)
        loop, period = bench.loops[name], run.clock.ticks(1 / rate)
        run.advance(period * first)
        run.set_profile(loop.profile, Segment(period * first, HOLD, (), (self._point.setpoints[name],)))
        run.advance(period * (first + ticks))
        run.state[loop.break_slot + 1] = experiment.torque
        run.advance(period * count)
        true, command = run.recording[:count].T
        # A row shows the commands of the tick before.
        command = np.append(command[1:], run.state[loop.break_slot])
        time = (np.arange(count) - first) / float(rate)
        return Trace(time, true - float(np.mean(true[: first + 1])), command)


def _watched(bench: Bench, name: str) -> list[Channel]:
    """Return the true quantity of a loop, and its command as it sends it, as channels."""
    loop = bench.loops[name]
    entries: tuple[tuple[str, int | Ref, float], ...]
    if loop.quantity == "torque":
        entries = (("z", bench.sensors[loop.source].true_torque, 1.0),)
    elif loop.quantity == "voltage":
        entries = (("state", bench.link.voltage_slot, 1.0),)
    elif loop.source in bench.machines:
        entries = (("state", bench.machines[loop.source].node.speed.index, 1.0),)
    else:
        speed = bench.line.nodes[bench.line.places[loop.source].body].speed
        entries = (("state", speed.index, 1.0),)
    command = (("state", loop.break_slot, 1.0),)
    return [Channel("true", UNIT_OF[loop.quantity], entries), Channel("command", "N m", command)]


def _scaled(trace: Trace, factor: float, level: float) -> Trace:
    """Return a small experiment at full size, its command beginning where that of the large one does."""
    change = factor * (trace.command - trace.command[0])
    return Trace(trace.time, factor * trace.true, level + change)


def _figures(trace: Trace, experiment: Experiment) -> Figures:
    """Return the figures of a trace with their units."""
    unit = UNIT_OF[experiment.quantity]
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
