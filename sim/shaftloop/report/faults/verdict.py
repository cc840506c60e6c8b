"""The answer about faults in words."""

from shaftloop.analysis.ratings import Load
from shaftloop.answers.faults import FaultsAnswer
from shaftloop.report.quantities import show
from shaftloop.scenario.faults import said
from shaftloop.studies.faults import FaultRun

__all__ = ["bound", "seen", "verdict"]


def verdict(answer: FaultsAnswer) -> list[str]:
    """Return whether the bench stands its faults, what is worst and what interlocks do, in three sentences.

    Parameters
    ----------
    answer : FaultsAnswer
        What was found.
    """
    runs, damaging = answer.runs, answer.damaging
    if not runs:
        return ["Nothing in this bench has a fault that is tried."]
    strained = [run for run in runs if run.strains and not run.damages]
    count = f"{len(runs)} fault{'' if len(runs) == 1 else 's'}"
    if damaging:
        first = (
            f"The bench does not stand its faults: {len(damaging)} of {count} "
            f"{'takes' if len(damaging) == 1 else 'take'} a part beyond its limit, worst {_worst(runs[0])}."
        )
    elif strained:
        first = (
            f"No part passes its limit in {count}, but {len(strained)} "
            f"{'takes' if len(strained) == 1 else 'take'} one above its rating, worst {_worst(runs[0])}."
        )
    else:
        first = f"The bench stands all of {count} inside its ratings, nearest {_worst(runs[0])}."
    return [first, _caught(answer), *_remedy(damaging)]


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
    caught = [run for run in answer.runs if run.tripped]
    missed = [run for run in answer.damaging if not run.tripped]
    text = f"An interlock trips in {len(caught)} of {len(answer.runs)}"
    if not missed:
        return f"{text}."
    more = f" and {len(missed) - 1} more" if len(missed) > 1 else ""
    return f"{text}; none does where {said(missed[0].fault)}{more}."


def _remedy(damaging: list[FaultRun]) -> list[str]:
    """Return what to do about the worst, where it does damage."""
    if not damaging:
        return []
    load = damaging[0].worst
    if load is None:
        return ["Look at that run first."]
    if load.quantity == "speed":
        return [
            f'Watch the speed with an interlock, e.g. [[limit]] with watches = "{load.part}" and above = '
            f'"{show(0.95 * (load.limit or load.peak), "rad/s", 3)}", or take a machine that stands it.'
        ]
    if damaging[0].tripped is not None:
        return [
            "The interlock cannot be faster than the shaft: a softer or stronger coupling, or one that slips "
            "or breaks first, protects the line."
        ]
    return ["Watch the torque with an interlock, or take a part that stands it."]
