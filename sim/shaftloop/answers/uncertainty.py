"""How sure torque, speed, power, losses and efficiency are: budgets of a bench, or of any measurement."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from shaftloop.analysis.efficiency import PointBudget, WindowCurve, bench_budget, window_curve
from shaftloop.analysis.efficiency_map import EfficiencyMap, efficiency_map
from shaftloop.analysis.efficiency_points import MeasuredBench, measured_bench, stated_points
from shaftloop.analysis.uncertainty.evaluation import Evaluation, Plan, evaluate_both
from shaftloop.analysis.uncertainty.reading import MeasurementFile
from shaftloop.answers.base import Answer
from shaftloop.scenario.reading import Scenario
from shaftloop.scenario.uncertainty import Uncertainty

__all__ = ["MeasurementAnswer", "UncertaintyAnswer", "find_measurement", "find_uncertainty"]

TRIALS = 200_000
"""Of Monte Carlo, unless stated."""


@dataclass(frozen=True)
class UncertaintyAnswer(Answer):
    """Budgets of a bench at its operating points."""

    measured: MeasuredBench
    plan: Uncertainty
    points: tuple[tuple[PointBudget, Evaluation], ...]
    window: WindowCurve
    map: EfficiencyMap | None


@dataclass(frozen=True)
class MeasurementAnswer:
    """A measurement file and its evaluation."""

    file: MeasurementFile
    found: Evaluation

    @property
    def notes(self) -> tuple[str, ...]:
        """What looks wrong in the file."""
        return self.file.warnings


def find_uncertainty(
    scenario: Scenario,
    points: Sequence[str] = (),
    *,
    trials: int | None = TRIALS,
    everywhere: bool = False,
) -> UncertaintyAnswer:
    """Return how sure torque, speed, power and efficiency of a bench are.

    At operating points, ``800 rpm, 90 N m``, else those of the scenario, and `everywhere` that of the
    efficiency over speed and torque, too. Trials None stands for the adaptive procedure of JCGM 101, 7.9.

    Raises
    ------
    ScenarioError
        Where a point is none.
    """
    description = scenario.description
    conditions = description.uncertainty or Uncertainty()
    measured = measured_bench(description)
    stated = stated_points(measured, points)
    plan = Plan(conditions.coverage, trials=trials, seed=description.seed)
    budgets = [bench_budget(measured, point, conditions) for point in stated]
    return UncertaintyAnswer(
        scenario,
        measured,
        conditions,
        tuple((budget, evaluate_both(budget.measurement, plan)) for budget in budgets),
        window_curve(measured, stated[0], conditions),
        efficiency_map(measured, stated, conditions) if everywhere else None,
    )


def find_measurement(file: MeasurementFile, **changes: Any) -> MeasurementAnswer:
    """Evaluate a measurement file, with changes of its plan: `trials`, `alone`."""
    return MeasurementAnswer(file, evaluate_both(file.measurement, replace(file.plan, **changes)))
