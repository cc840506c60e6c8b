"""What to record so that a log tells values of a bench."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from shaftloop.analysis.efficiency_points import read_point
from shaftloop.answers.base import Answer, Watch, unwatched
from shaftloop.cautions import cautions
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.identification.judge import Combination, untold
from shaftloop.studies.identification.plan import Plan, PlanDemand, find_plan, trace_file
from shaftloop.studies.identification.problem import Estimate
from shaftloop.studies.identification.restaged import trace_text

__all__ = ["BLIND", "PlanAnswer", "find_experiment"]

BLIND = "nothing that is logged depends on it"
"""Why a value is not told."""


@dataclass(frozen=True)
class PlanAnswer(Answer):
    """An experiment that was found for a bench."""

    plan: Plan
    unknown: tuple[Estimate, ...]
    """Parameters that its log would not tell alone."""
    combinations: tuple[Combination, ...]
    """What it would tell better than each of them alone."""

    @property
    def files(self) -> dict[str, str]:
        """The scenario that runs the experiment and the trace beside it, by name of the file."""
        best = self.plan.best
        found = {f"{self.scenario.name}-plan.toml": best.text}
        return found | ({trace_file(self.scenario): trace_text(best.stage.table)} if best.stage.table else {})

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is to be minded where an experiment moves a real line."""
        coasts = ("magnets",) if self.plan.best.experiment.kind == "coast_down" else ()
        return cautions("injection", "resonance", *coasts)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed of the log."""
        assumed = [noise.channel for noise in self.plan.best.noises if not noise.stated]
        if not assumed:
            return ()
        return (
            f"noise of {', '.join(assumed)} is not stated: beside that of the scenario a thousandth of the "
            "largest value is assumed; state what your devices have, `logged` CHANNEL=NOISE",
        )

    @property
    def figures(self) -> dict[str, Figure]:
        """Predicted standard deviations by path, and the length of the excitation."""
        best = self.plan.best
        figures = [Figure("length", "s", "of the excitation", best.experiment.length)]
        for entry, width in zip(best.wanted, best.widths(), strict=True):
            path, unit = entry.free.path, entry.free.unit
            deviation = Figure(path, unit, "predicted standard deviation", better="lower")
            share = Figure(f"{path}_within", "1", "half of its 95 % interval over its size", better="lower")
            told = entry.spread < float("inf")
            figures.append(deviation.found(entry.deviation) if told else deviation.absent(BLIND))
            figures.append(share.found(width) if told else share.absent(BLIND))
        return by_name(figures)


def find_experiment(
    scenario: Scenario,
    free: Sequence[str],
    *,
    point: str | None = None,
    watch: Watch = unwatched,
    **wishes: Any,
) -> PlanAnswer:
    """Find the experiment that makes values of a bench sure enough.

    `free` has ``PATH``, ``PATH=VALUE`` or ``PATH=VALUE ± TOLERANCE`` each; `point` is speed and highest
    torque, ``800 rpm, 90 N m``, those of the sequence where left out. Further wishes are fields of
    `shaftloop.studies.identification.plan.PlanDemand`, e.g. `within`, `kinds`.

    Raises
    ------
    ScenarioError
        Where something is asked for that is not there, or no experiment keeps what the bench stands.
    SimulationError
        Where the bench cannot be run.
    """
    demand = PlanDemand(tuple(free), **wishes)
    if point is not None:
        stated = read_point(point)
        demand = replace(demand, speed=stated.speed, torque=stated.torque)
    with watch("trying experiments") as progress:
        plan = find_plan(scenario, demand, progress)
    assert plan.best.known is not None, "what is recommended was judged"
    return PlanAnswer(scenario, plan, *untold(plan.best.known))
