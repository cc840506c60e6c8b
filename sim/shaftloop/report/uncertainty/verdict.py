"""The answer about uncertainty in words."""

from shaftloop.analysis.efficiency import PointBudget
from shaftloop.analysis.uncertainty.propagation import Contribution
from shaftloop.answers.uncertainty import UncertaintyAnswer
from shaftloop.report.quantities import percent, show
from shaftloop.report.uncertainty.tables import stated_text

__all__ = ["advice", "verdict"]

_SAID = ("torque", "efficiency")


def verdict(answer: UncertaintyAnswer) -> list[str]:
    """Return how sure torque and efficiency are, a sentence for each point."""
    said = []
    for budget, found in answer.points:
        where = _where(budget)
        parts = []
        for stated, sampled in zip(found.stated, found.sampled.results, strict=True):
            if sampled.name in _SAID and sampled.name not in budget.unmeasured:
                parts.append(f"{sampled.name} is {stated_text(stated, sampled.unit)}")
        largest = _largest(budget)
        coverage = f"{100.0 * found.sampled.coverage:.4g} %"
        text = (
            f"At {where} {' and '.join(parts)} ({coverage} coverage)"
            if parts
            else f"At {where} nothing says how sure the torque is: no error of its sensor is stated"
        )
        if largest and parts:
            what = largest.meaning or largest.name
            text += f"; the largest share in the torque has: {what}, {percent(largest.share)}"
        said.append(f"{text}.")
    left_out = {text for budget, _ in answer.points for text in budget.left_out}
    if left_out:
        many = "effects or results are" if len(left_out) > 1 else "effect or result is"
        said.append(f"{len(left_out)} {many} left out for want of data; what is stated may be larger.")
    return said


def advice(answer: UncertaintyAnswer) -> list[str]:
    """Return what would make the torque surer, where one thing has most of the variance."""
    said: dict[str, str] = {}
    for budget, _ in answer.points:
        largest = _largest(budget)
        if largest is not None and largest.share > 0.5 and "torque" not in budget.unmeasured:
            said.setdefault(
                largest.name,
                f"A better {largest.name} makes the torque surer than anything else: it has "
                f"{percent(largest.share)} of the variance at {_where(budget)}.",
            )
    return list(said.values())


def _where(budget: PointBudget) -> str:
    return f"{show(budget.point.speed, 'rad/s')} and {show(budget.point.torque, 'N m')}"


def _largest(budget: PointBudget) -> Contribution | None:
    """Return what has the largest share in the torque."""
    entries = (
        entry for entry in budget.propagation.budgets if entry.name == "torque" and entry.contributions
    )
    return next((entry.contributions[0] for entry in entries), None)
