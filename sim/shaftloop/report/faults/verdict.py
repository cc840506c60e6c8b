"""The answer about faults in words."""

from shaftloop.analysis.ratings import Load
from shaftloop.answers.faults import FaultsAnswer
from shaftloop.report.quantities import show
from shaftloop.scenario.faults import said
from shaftloop.studies.faults import FaultRun

__all__ = ["bound", "damage", "seen", "verdict"]


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
    return [first, _caught(answer), *_remedy(damaging)]


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
        return f"where {said(run.fault)}" + (f": {run.error}" if run.error else "")
    return f"where {said(run.fault)}: {seen(run.worst)}"


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
        return "The interlocks are left out here."
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
        return f"{text}; one that does damage goes unnoticed: {said(missed[0].fault)}."
    return f"{text}; {len(missed)} that do damage go unnoticed, the first: {said(missed[0].fault)}."


def _remedy(damaging: list[FaultRun]) -> list[str]:
    """Return what to do about what does damage, in one sentence for each way out."""
    if not damaging:
        return []
    loads = [(run, run.worst) for run in damaging if run.worst is not None]
    fast = next((load for _, load in loads if load.quantity == "speed"), None)
    found = []
    if any(load.quantity != "speed" and run.tripped is not None for run, load in loads):
        found.append(
            "An interlock cannot be faster than the shaft: a softer or stronger coupling, or one that slips "
            "or breaks first, protects the line."
        )
    if fast is not None:
        found.append(
            f'Watch the speed with an interlock, e.g. [[limit]] with watches = "{fast.part}" and above = '
            f'"{show(0.95 * (fast.limit or fast.peak), "rad/s", 3)}", or take a machine that stands it.'
        )
    if any(load.quantity != "speed" and run.tripped is None for run, load in loads):
        found.append("Watch the torque with an interlock, or take a part that stands it.")
    return [" ".join(found) or "Look at the worst run first."]
