"""What changed gains do to a loop: its step and its sensitivity, before and now."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.metrics import torque_steps
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.steps import SetpointStep, overshoot
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.control.parameters import UNIT_OF
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.checks.gains import GainsFile, gains_of, with_gains
from shaftloop.studies.checks.run import AS_STATED, CheckedScenario

__all__ = ["LoopComparison", "Side", "compare_gains"]

Array = NDArray[np.float64]

_LEAD = 0.05
"""Shown before the step, as a share of the hold after it."""


@dataclass(frozen=True)
class Side:
    """A loop with one set of gains."""

    margins: Margins
    time: Array
    """Since the step, shape (n,). [s]"""
    step: Array
    """True torque or speed, shape (n,), as a share of the step: 0 before it, 1 where it leads. [1]"""


@dataclass(frozen=True)
class LoopComparison:
    """A loop before and now."""

    loop: str
    size: float
    """Height of the step. [N m] or [rad/s]"""
    unit: str
    """Of `size`."""
    before: Side
    now: Side
    limit: float | None
    """Largest sensitivity that is expected; nothing where none is. [1]"""


def compare_gains(checked: CheckedScenario) -> LoopComparison:
    """Return the loop whose gains have changed; the torque loop where several have.

    The step is the one of the simulated sequence that overshoots most now, for the torque loop on which the
    metrics are taken; for any other loop it is a small one on the smooth bench.

    Raises
    ------
    ScenarioError
        Where no gain has changed of a loop that can be shown, or those of the baseline cannot be put back.
    SimulationError
        Where one of the two benches cannot be analysed.
    """
    now, before = checked.scenario.description, _before(checked)
    loops = {path.split(".")[1] for path in checked.gain_changes}
    shown = [loop for loop in now.loop if loop.name in loops and loop.limiter_of is None]
    if not shown:
        raise ScenarioError(["no gain of a loop has changed, so there is nothing to draw"])
    loop = next((loop for loop in shown if loop.kp.unit == "1"), shown[0]).name
    sides = [analyse_loops(description, [loop])[loop] for description in (before, now)]
    quantity = sides[1].margins.quantity
    steps = _simulated(simulate(before), simulate(now), loop) if quantity == "torque" else None
    size, curves = steps or _small(*sides)
    limits = [
        verdict.expectation.at_most
        for verdict in checked.verdicts
        if verdict.expectation.metric == f"margins.{loop}.ms"
    ]
    return LoopComparison(
        loop,
        size,
        UNIT_OF[quantity],
        Side(sides[0].margins, *curves[0]),
        Side(sides[1].margins, *curves[1]),
        limits[0] if limits else None,
    )


def _before(checked: CheckedScenario) -> Description:
    """Return the bench with the gains of the reference."""
    reference, path = checked.reference, checked.scenario.path
    if reference is None or not checked.gain_changes:
        raise ScenarioError(["no gain has changed, so there is nothing to draw"])
    if reference.label == AS_STATED:
        return read_scenario(path).description
    added = sorted(set(gains_of(read_scenario(path).description)) - set(reference.gains))
    if added:
        raise ScenarioError(
            [f"{reference.label} does not hold {', '.join(added)}, so the gains of then cannot be put back"]
        )
    settings = tuple((name, value, 1) for name, value in reference.gains.items())
    return with_gains(path, (), GainsFile(reference.label, settings)).description


_Curves = tuple[float, list[tuple[Array, Array]]]


def _simulated(before: Simulation, now: Simulation, loop: str) -> _Curves | None:
    """Return the simulated step that overshoots most now; nothing where there is none in both runs."""
    torque = now.bench.torque_loop()
    if torque is None or torque.parameters.name != loop:
        return None
    steps, then = torque_steps(now), torque_steps(before)
    if not steps or len(then) != len(steps):
        return None
    true = now.traces["true_torque"]
    worst = max(range(len(steps)), key=lambda i: overshoot(steps[i], true))
    return abs(steps[worst].height), [_curve(before, then[worst]), _curve(now, steps[worst])]


def _curve(run: Simulation, step: SetpointStep) -> tuple[Array, Array]:
    first, end = step.hold.first, step.hold.end
    shown = slice(max(first - int(_LEAD * (end - first)), 0), end)
    share = (run.traces["true_torque"][shown] - step.before) / step.height
    return run.time[shown] - run.time[first], share


def _small(before: LoopAnalysis, now: LoopAnalysis) -> _Curves:
    found = [side.small_step() for side in (before, now)]
    return abs(found[1].size), [(step.time, step.true) for step in found]
