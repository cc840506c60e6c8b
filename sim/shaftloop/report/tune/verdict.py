"""The answer of a tuning in words."""

import numpy as np

from shaftloop.answers.tuning import TuneAnswer
from shaftloop.cautions import CAUTIONS
from shaftloop.report.quantities import show
from shaftloop.studies.tuning.results import Design, LoopTuning
from shaftloop.studies.tuning.search import Objective

__all__ = ["area", "gained", "verdict"]


def verdict(answer: TuneAnswer) -> list[str]:
    """Return whether the gains may be used, and what binds them."""
    said = [f"{answer.verdict[0].upper()}{answer.verdict[1:]}."]
    for name, found in answer.tuning.loops.items():
        design = found.chosen.design
        if design is not None:
            binding = f", held back by {found.binding[0]}" if found.binding else ""
            kp, ki = design.loop.kp, design.loop.ki
            said.append(
                f"Loop {name}: kp {kp.value:.4g} {kp.unit if kp.unit != '1' else ''}".rstrip()
                + f" and ki {ki.value:.4g} {ki.unit} ({found.chosen.title}){binding}."
            )
    if answer.tuning.recommended:
        said.append(CAUTIONS["gains"])
    return said


def gained(entry: LoopTuning, objective: Objective) -> str:
    """Return what tuning gained for a loop, in words.

    Parameters
    ----------
    objective : str
        What was optimised.
    """
    design, before = entry.chosen.design, entry.before
    assert design is not None, "the chosen option has a design"
    if objective == "disturbance":
        what, now = f"|error| after 1 {design.loop.unit} on the command adds up to", area(design)
        was = None if before is None else area(before)
    elif objective == "integral_gain":
        what, now = "ki is", f"{design.loop.ki.value:.4g} {design.loop.ki.unit}"
        was = None if before is None else f"{before.loop.ki.value:.4g}"
    else:
        what, now = "|error| after a step of the set-point adds up to", _late(design)
        was = None if before is None else _late(before)
    kept = "" if entry.feasible else "; bounds are NOT kept"
    return f"Loop {entry.name}: {what} {now}, before {was or 'unstable'}{kept}"


def _late(design: Design) -> str:
    step = design.step
    return f"{show(float(np.trapezoid(np.abs(1.0 - step.reading), step.time)), 's', 4)} of it"


def area(design: Design) -> str:
    """Return the integral of the size of the error after a unit step on the command, with its unit."""
    unit = {"torque": "N m s", "speed": "rad", "voltage": "V s"}[design.analysis.margins.quantity]
    return f"{design.error_area:.4g} {unit}"
