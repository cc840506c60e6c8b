"""The answer about uncertainty in words."""

from shaftloop.answers.uncertainty import UncertaintyAnswer
from shaftloop.report.quantities import show
from shaftloop.report.uncertainty.tables import stated_text

__all__ = ["verdict"]

_SAID = ("torque", "efficiency")


def verdict(answer: UncertaintyAnswer) -> list[str]:
    """Return how sure torque and efficiency are, a sentence for each point.

    Parameters
    ----------
    answer : UncertaintyAnswer
        What was found.
    """
    said = []
    for budget, found in answer.points:
        where = f"{show(budget.point.speed, 'rad/s')} and {show(budget.point.torque, 'N m')}"
        parts = []
        for stated, sampled in zip(found.stated, found.sampled.results, strict=True):
            if sampled.name in _SAID and sampled.name not in budget.unmeasured:
                parts.append(f"{sampled.name} is {stated_text(stated, sampled.unit)}")
        rules = next(
            (
                entry.contributions[0].name
                for entry in budget.propagation.budgets
                if entry.name == "torque" and entry.contributions
            ),
            "",
        )
        coverage = f"{100.0 * found.sampled.coverage:.4g} %"
        text = (
            f"At {where} {' and '.join(parts)} ({coverage} coverage)"
            if parts
            else f"At {where} nothing is sure"
        )
        said.append(f"{text}; {rules} rules the torque." if rules and parts else f"{text}.")
    left_out = {text for budget, _ in answer.points for text in budget.left_out}
    if left_out:
        said.append(f"{len(left_out)} effects have no data and are left out, so all of it may be larger.")
    return said
