"""Interlocks that a bench lacks: tried on the faults that do damage before they are recommended."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.scenario.description import Description, Limit
from shaftloop.studies.faults import FaultRun, run_again

__all__ = ["Guarding", "try_interlocks"]

_BELOW = 0.95
"""Of its limit, where an interlock trips that only just protects a part."""
_ABOVE = 1.15
"""Of the largest size of the healthy bench, where an interlock trips early."""


@dataclass(frozen=True)
class Guarding:
    """What interlocks beside those of a bench would save."""

    limits: tuple[Limit, ...]
    tried: tuple[FaultRun, ...]
    """Faults that do damage without them, and which an interlock might be fast enough for."""
    saved: tuple[FaultRun, ...]
    """Those of them that do none with them, each at the moment that was worst without."""


def try_interlocks(description: Description, runs: Sequence[FaultRun]) -> Guarding | None:
    """Return the interlocks that save most of what goes unnoticed or overspeeds, if any might help.

    They are tried at two levels: just below the limit of what is damaged, and just above what the healthy
    bench reaches. The runs were made with the interlocks that the bench has.
    """
    tried = tuple(run for run in runs if run.damages and _in_time(run))
    if not tried:
        return None
    bench = replace(description, duty=None)
    healthy = simulate(replace(bench, fault=()))
    found = []
    for early in (False, True):
        limits = tuple(_limits(description, healthy, tried, early))
        if not limits:
            continue
        again = run_again(replace(bench, limit=(*bench.limit, *limits)), tried)
        saved = tuple(run for run, now in zip(tried, again, strict=True) if not now.damages)
        found.append(Guarding(limits, tried, saved))
    return max(found, key=lambda entry: len(entry.saved), default=Guarding((), tried, ()))


def _in_time(run: FaultRun) -> bool:
    """Return whether an interlock might be fast enough: not for a torque in spite of which one trips."""
    quantity = run.worst.quantity if run.worst else ""
    return quantity == "speed" or (quantity == "torque" and run.tripped is None)


def _limits(
    description: Description, healthy: Simulation, tried: Sequence[FaultRun], early: bool
) -> Iterator[Limit]:
    """Yield an interlock for every machine that overspeeds, and for every sensor where torques do damage."""
    beyond = {
        (load.part, load.quantity): load.limit for run in tried for load in run.loads if load.beyond_limit
    }
    for part in description.line:
        if part.drives and (limit := beyond.get((part.name, "speed"))):
            usual = max(map(abs, healthy.peaks[f"{part.name}.speed"]))
            yield from _limit(part.name, "speed", _ABOVE * usual if early else 0.0, _BELOW * limit)
    torques = [limit for (_, quantity), limit in beyond.items() if quantity == "torque" and limit]
    for part in description.line:
        if part.signal == "torque" and torques:
            usual = max(map(abs, healthy.peaks[part.name]))
            yield from _limit(
                part.name, "true_torque", _ABOVE * usual if early else 0.0, _BELOW * min(torques)
            )


def _limit(watches: str, quantity: str, early: float, late: float) -> Iterator[Limit]:
    level = early or late
    if level <= late:
        yield Limit(name=f"try {watches}", watches=watches, above=float(f"{level:.3g}"), quantity=quantity)  # type: ignore[arg-type]
