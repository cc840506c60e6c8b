"""Loops that are tuned anew for every candidate, so that benches are compared as they would be run."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from shaftloop.figures import Figure, by_name
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown
from shaftloop.studies.whatif.form import Tune

if TYPE_CHECKING:
    from shaftloop.control.parameters import Loop
    from shaftloop.studies.tuning.choosing import TuningDemand

__all__ = ["FEASIBLE", "PREFIX", "check_tune", "tuned", "tuned_known"]

PREFIX = "tuned."
"""Of the figures that tuning gives."""
FEASIBLE = ".feasible"
"""Ending of those that must be 1."""


def check_tune(request: Tune, description: Description, factors: Sequence[str]) -> list[tuple[str, str]]:
    """Return what is wrong with what a study asks to be tuned, as (key of the table, message).

    `factors` are the paths of the factors.
    """
    from shaftloop.studies.tuning.structures import STRUCTURES

    names = [loop.name for loop in description.loop if loop.limiter_of is None]
    wrong = []
    for name in request.loops:
        if name not in names:
            known = ", ".join(names) or "none"
            wrong.append(("loops", f"{shown(name)} is no loop to tune; known: {known}{nearest(name, names)}"))
    for gain in _demand(request).gains:
        if gain in factors:
            wrong.append(
                ("loops", f"{gain} is a factor and tuned for every candidate; leave one of them out")
            )
    if request.structure not in STRUCTURES:
        known = ", ".join(STRUCTURES)
        hint = nearest(request.structure, STRUCTURES)
        wrong.append(("structure", f"{shown(request.structure)} is no structure; known: {known}{hint}"))
    return wrong


def tuned_known(request: Tune, description: Description) -> dict[str, Figure]:
    """Return the figures that tuning gives."""
    figures = []
    for loop in _loops(request, description):
        prefix = f"{PREFIX}{loop.name}"
        figures += [
            Figure(f"{prefix}.kp", loop.kp.unit, f"tuned proportional gain of {loop.name}"),
            Figure(f"{prefix}.ki", loop.ki.unit, f"tuned integral gain of {loop.name}"),
            Figure(
                f"{prefix}{FEASIBLE}",
                "1",
                f"1 where gains of {loop.name} keep Ms and Mt, 0 where it has the nearest trade-off",
                better="higher",
            ),
        ]
    return by_name(figures)


def tuned(request: Tune, description: Description) -> tuple[Description, dict[str, Figure]]:
    """Return a candidate with its loops tuned by the `tune` command's own functions, and the figures of that.

    Raises
    ------
    SimulationError
        Where no gains make it stable, or it has no steady state.
    """
    from shaftloop.studies.tuning.choosing import tuned_bench

    bench, feasible = tuned_bench(description, _demand(request))
    values: dict[str, float] = {}
    for loop in _loops(request, bench):
        prefix = f"{PREFIX}{loop.name}"
        values[f"{prefix}.kp"], values[f"{prefix}.ki"] = loop.kp.value, loop.ki.value
        values[f"{prefix}{FEASIBLE}"] = float(feasible[loop.name])
    return bench, {name: entry.found(values[name]) for name, entry in tuned_known(request, bench).items()}


def _demand(request: Tune) -> "TuningDemand":
    from shaftloop.studies.tuning.bounds import Bounds
    from shaftloop.studies.tuning.choosing import TuningDemand

    return TuningDemand(
        request.loops, request.objective, Bounds(request.ms, request.mt), (request.structure,)
    )


def _loops(request: Tune, description: Description) -> "list[Loop]":
    return [loop for loop in description.loop if loop.name in request.loops]
