"""What a run says of every rating, limit and interlock of its bench."""

from collections.abc import Iterator

from shaftloop.analysis.ratings import Load, loads
from shaftloop.answers.run import RunAnswer
from shaftloop.report.judgement import Judgement
from shaftloop.report.quantities import percent, show

__all__ = ["judgements"]


def judgements(answer: RunAnswer) -> Iterator[Judgement]:
    """Yield whether every part stays inside what it states, and which interlocks trip."""
    simulation = answer.simulation
    for load in loads(simulation):
        if load.rated:
            yield Judgement(
                "rating", not load.beyond_rating, _load(load, "rating", load.rated), load.share(load.rated)
            )
        if load.limit:
            yield Judgement(
                "limit", not load.beyond_limit, _load(load, "limit", load.limit), load.share(load.limit)
            )
    trips = {event.name: event.time for event in reversed(simulation.events) if event.kind == "tripped"}
    for entry in answer.scenario.description.limit:
        at = trips.get(entry.name)
        key, bounds = entry.level
        unit = answer.scenario.description.limit_unit(entry)
        stated = " to ".join(show(bound, unit) for bound in bounds)
        level = f"{entry.quantity.replace('_', ' ')} of {entry.watches} {_PAST[key]} {stated}"
        does = "does not trip" if at is None else f"trips at {at:.4g} s"
        yield Judgement("interlock", at is None, f"interlock {entry.name} ({level}) {does}")


_PAST = {"above": "above", "below": "below", "jump": "jumps by more than", "outside": "outside"}


def _load(load: Load, what: str, bound: float) -> str:
    seen, quantity = show(load.peak, load.unit), load.quantity.replace("_", " ")
    base = f" from {show(load.base, load.unit)} on" if load.base else ""
    return (
        f"{load.part} sees a {quantity} of up to {seen}, {percent(load.share(bound))} of its {what} of "
        f"{show(bound, load.unit)}{base}"
    )
