"""What surrounds a tuned loop: the experiment of its proof, the bounds that it touches."""

from dataclasses import replace

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.scenario import description as stated
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.bounds import Excursion, reached
from shaftloop.studies.tuning.closedloop import closed_loop
from shaftloop.studies.tuning.controller import most_ki
from shaftloop.studies.tuning.plant import LoopPlant
from shaftloop.studies.tuning.proof import Experiment
from shaftloop.studies.tuning.results import Design
from shaftloop.studies.tuning.search import Search

__all__ = ["binding", "distance", "excursion", "experiment"]

_LESS = 0.99
"""Cost over that of before from which on another anti-windup is worth a word."""
_TOUCHES = 0.995
"""Share of a bound from which on it binds."""


def distance(old: Loop, new: Loop) -> float:
    """Return the largest relative change of the gains; infinite where the filters changed.

    Parameters
    ----------
    old, new : Loop
        The same loop.
    """
    if (old.filters, old.active_damping) != (new.filters, new.active_damping):
        return float("inf")
    pairs = ((old.kp.value, new.kp.value), (old.ki.value, new.ki.value))
    return max(abs(b - a) / max(abs(a), 1e-300) for a, b in pairs)


def excursion(description: Description, loop: Loop) -> Excursion | None:
    """Return the largest step of a loop's set-point in the sequence, nothing where there is none.

    Parameters
    ----------
    description : Description
        The bench.
    loop : Loop
        A loop of it.
    """
    level, largest = 0.0, None
    for step in description.sequence:
        if getattr(step, "loop", None) != loop.name:
            continue
        moves: list[tuple[float, float]] = []
        if isinstance(step, stated.Step):
            moves = [(level, step.to)]
        elif isinstance(step, stated.PeriodicStep):
            moves = [(step.low, step.high), (step.high, step.low)]
        for start, to in moves:
            if largest is None or abs(to - start) > abs(largest.size):
                largest = Excursion(start, to - start)
        level = getattr(step, "to", level)
    return largest if largest is not None and largest.size else None


def experiment(design: Design, plant: LoopPlant, description: Description) -> Experiment:
    """Return the proof's experiment: the sequence's largest step, else one that half the clamp can follow.

    Parameters
    ----------
    design : Design
        The tuned loop.
    plant : LoopPlant
        Nominal.
    description : Description
        The bench.
    """
    loop, margins = design.loop, design.analysis.margins
    largest = excursion(description, loop)
    closed = closed_loop(plant, loop)
    peak = float(np.max(np.abs(closed.settled_step(0, 1.0).command)))
    room = 0.5 * (loop.clamp - abs(plant.command))
    level = margins.point.setpoints[loop.name]
    if largest is not None and margins.quantity == "torque":
        size = float(np.copysign(min(abs(largest.size), abs(level) or abs(largest.size)), level or 1.0))
    else:
        most = min(room / max(peak, 1e-300), _most(design, description))
        size = min(most, 0.05 * abs(level) or most)
    settling = design.step.settling_time or float(design.step.time[-1])
    horizon = float(np.clip(2.5 * settling, 40.0 * plant.period, 1.5))
    return Experiment(loop.name, margins.quantity, size, 0.1 * loop.clamp, horizon)


def _most(design: Design, description: Description) -> float:
    """Return the largest step of a speed that its machine allows, without end for other loops [rad/s]."""
    if design.analysis.margins.quantity != "speed":
        return float("inf")
    line = design.analysis.bench.bench.line
    name, source = design.loop.acts_on, design.analysis.bench.bench.loops[design.loop.name].source
    machine = next(machine for machine in description.machines() if machine.name == name)
    return 0.05 * machine.max_speed * line.pace(source) / line.pace(name)


def binding(search: Search, design: Design) -> tuple[str, ...]:
    """Return the bounds that a design touches.

    Parameters
    ----------
    search : Search
        With the bounds.
    design : Design
        The tuned loop.
    """
    bounds, worst = search.bounds, design.figures
    found = [
        f"{name} <= {bound:g}: {peak.value:.4f} at {peak.frequency:.4g} Hz, {peak.label}"
        for name, bound, peak in (("Ms", bounds.ms, worst.ms), ("Mt", bounds.mt, worst.mt))
        if peak.value >= _TOUCHES * bound
    ]
    loop = design.loop
    others = reached(search.plants, bounds, loop)
    found += [f"{bound}: {bound.value:.4g}" for bound in others if bound.touched(_TOUCHES)]
    if loop.ki.value >= _TOUCHES * most_ki(loop, loop.kp.value):
        found.append(_windup(search, loop))
    return tuple(found)


def _windup(search: Search, loop: Loop) -> str:
    """Return that the anti-windup binds, and what the other one brings."""
    text = "kp >= ki times the period of the loop, which anti-windup by back-calculation needs"
    freed = search.gains(replace(loop, anti_windup="conditional"))
    if freed is None or freed.cost > _LESS * search.cost(loop):
        return f"{text}; the conditional one brings nothing"
    kp, ki = freed.loop.kp.value, freed.loop.ki.value
    share = 100.0 * (1.0 - freed.cost / search.cost(loop))
    return f'{text}; with anti_windup = "conditional" {share:.0f} % less cost: kp {kp:.4g}, ki {ki:.4g}'
