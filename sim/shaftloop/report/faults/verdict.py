"""The answer about faults in words."""

from shaftloop.analysis.ratings import Load
from shaftloop.answers.faults import FaultsAnswer
from shaftloop.report.quantities import show
from shaftloop.scenario.description import Limit
from shaftloop.scenario.faults import said
from shaftloop.studies.faults import STATED, FaultRun

__all__ = ["bound", "damage", "happens", "seen", "verdict"]


def verdict(answer: FaultsAnswer) -> list[str]:
    """Return whether the bench stands its faults, what is worst and what interlocks do: three sentences."""
    runs, damaging = answer.runs, answer.damaging
    if not runs:
        return ["Nothing in this bench has a fault that is tried."]
    strained = [run for run in runs if run.strains and not run.damages]
    count = f"{len(runs)} fault{'' if len(runs) == 1 else 's'}"
    if damaging:
        first = f"The bench does not stand its faults: {damage(answer)}."
    elif strained:
        first = (
            f"No part passes its limit in {count}, but {len(strained)} "
            f"{'takes' if len(strained) == 1 else 'take'} one above its rating, worst {_worst(runs[0])}."
        )
    else:
        first = f"The bench stands all of {count} inside its ratings, nearest {_worst(runs[0])}."
    return [first, _caught(answer), *_remedy(answer)]


def damage(answer: FaultsAnswer) -> str:
    """Return how many faults do damage and the worst of them, as a clause.

    Parameters
    ----------
    answer : FaultsAnswer
        What was found: at least one does.
    """
    count, all_runs = len(answer.damaging), len(answer.runs)
    return (
        f"{count} of {all_runs} fault{'' if all_runs == 1 else 's'} {'takes' if count == 1 else 'take'} a "
        f"part beyond its limit, worst {_worst(answer.runs[0])}"
    )


def _worst(run: FaultRun) -> str:
    if run.error or run.worst is None:
        return f"where {happens(run)}" + (f": {run.error}" if run.error else "")
    return f"where {happens(run)}: {seen(run.worst)}"


def happens(run: FaultRun) -> str:
    """Return what fails, and when where the scenario says so."""
    return said(run.fault) + (f" at {float(run.fault.at):.6g} s" if run.moment == STATED else "")


def seen(load: Load) -> str:
    """Return what a part sees against what it stands."""
    return f"{load.part} sees {show(load.peak, load.unit, 3)} {bound(load)}"


def bound(load: Load) -> str:
    """Return what a part stands, as a share of it would be meant."""
    stands = load.limit or load.rated
    what = "limit" if load.limit else "rating"
    return "with nothing stated" if stands is None else f"of a {what} of {show(stands, load.unit, 3)}"


def _caught(answer: FaultsAnswer) -> str:
    if not answer.protected:
        saved = answer.saved
        if not answer.damaging or not answer.scenario.description.limit:
            return "The interlocks are left out here."
        if not saved:
            return "The interlocks are left out here; with them it would be as bad."
        more = f" and {len(saved) - 1} more" if len(saved) > 1 else ""
        return (
            f"The interlocks are left out here; they save {len(saved)} of {len(answer.damaging)}: where "
            f"{happens(saved[0])}{more}."
        )
    if not answer.scenario.description.limit:
        return "No interlock watches the bench: add [[limit]]."
    damaging = answer.damaging
    missed = [run for run in damaging if not run.tripped]
    text = (
        f"An interlock trips in {sum(run.tripped is not None for run in answer.runs)} of {len(answer.runs)}"
    )
    if not damaging:
        return f"{text}."
    if not missed:
        return f"{text}, in all that do damage."
    if len(missed) == 1:
        return f"{text}; one that does damage goes unnoticed: {happens(missed[0])}."
    return f"{text}; {len(missed)} that do damage go unnoticed, the first: {happens(missed[0])}."


def _remedy(answer: FaultsAnswer) -> list[str]:
    """Return what to do about what does damage, in one sentence for each way out."""
    if not answer.damaging:
        return []
    found, guarding = [], answer.guarding
    if any(run.worst and run.worst.quantity == "torque" and run.tripped for run in answer.damaging):
        found.append(
            "An interlock cannot be faster than the shaft: a softer or stronger coupling, or one that slips "
            "or breaks first, protects the line."
        )
    if guarding is not None:
        left = [happens(run) for run in guarding.tried if run not in guarding.saved]
        if guarding.saved:
            saves = f"{len(guarding.saved)} of {len(guarding.tried)}" if left else "all"
            more = f" and {len(left) - 1} more" if len(left) > 1 else ""
            rest = f"; not where {left[0]}{more}" if left else ""
            found.append(
                f"Add {' and '.join(map(_stated, guarding.limits))}: tried, that keeps {saves} of the faults "
                f"that come slowly enough from doing damage{rest}."
            )
        else:
            parts = ", ".join(dict.fromkeys(run.worst.part for run in guarding.tried if run.worst))
            found.append(
                f"No further interlock that was tried is fast enough where {left[0]}: stay lower, or take "
                f"another part in place of {parts}."
            )
    return [" ".join(found) or "Look at the worst run first."]


def _stated(limit: Limit) -> str:
    unit = "rad/s" if limit.quantity == "speed" else "N m"
    return (
        f'[[limit]] with watches = "{limit.watches}", quantity = "{limit.quantity}" and above = '
        f'"{show(limit.level[1][0], unit, 3)}"'
    )
