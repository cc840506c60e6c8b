"""Run a plan at its own instants and with dense records, and judge both."""

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from logs import Log
from plans import RECORD, draw
from replaying import judge

from rigs import describe
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError

__all__ = ["Outcome", "tried"]

CLOSES = 1e-5
"""Most that energy may be off, relative to what circulates."""
LEAST = 1.0
"""Energy that such a bench circulates in ten milliseconds at 100 W. [J]"""
_SLIPS = ("beyond_max_speed", "broke_loose", "came_to_rest", "blocked_by_undervoltage")
"""Not judged here: all but the first, they are counted, not listed."""


@dataclass(frozen=True)
class Outcome:
    """What came of one plan."""

    wrong: tuple[str, ...]
    refused: bool = False
    undecided: int = 0
    events: int = 0
    residual: float = 0.0


def tried(seed: int) -> Outcome:
    """Run the bench of a number, at its own instants and with dense records, and judge both."""
    plan = draw(seed)
    try:
        bench = describe(plan.document)
    except ScenarioError as error:
        wrong = () if "contradict" in str(error) or "already by" in str(error) else (str(error),)
        return Outcome(wrong, refused=True)
    coarse = simulate(bench)
    dense = simulate(replace(bench, record=replace(bench.record, rate=Fraction(10**9, RECORD))))
    log = _log(dense)
    verdict = judge(plan, log)
    far = 500 if plan.live or plan.wound else 2
    wrong = [*verdict.wrong, *_apart(_log(coarse), log, far), *_energy(coarse), *_energy(dense)]
    return Outcome(
        tuple(wrong), False, verdict.undecided, len(log.events), max(_residual(coarse), _residual(dense))
    )


def _log(run: Simulation) -> Log:
    scale = Fraction(10**9, run.run.clock.ticks_per_second)
    events = [(round(e.tick * scale), e.kind, e.name) for e in run.events if e.kind not in _SLIPS]
    traces = {name: trace.tolist() for name, trace in run.traces.items()}
    return Log(events, traces, round(run.duration * 1e9))


def _apart(coarse: Log, dense: Log, far: int) -> list[str]:
    """Return where events depend on how often the run is recorded, by more than some ticks [ns]."""
    last = min(coarse.end, dense.end) - far
    one, other = ([event for event in log.events if event[0] < last] for log in (coarse, dense))
    same = len(one) == len(other) and all(
        a[1:] == b[1:] and abs(a[0] - b[0]) <= far for a, b in zip(one, other, strict=True)
    )
    return [] if same else [f"without dense records {one}, with them {other}"]


def _residual(run: Simulation) -> float:
    """Return what does not close over what circulates or the supply moves, or over `LEAST`."""
    found = run.energies
    supply = [balance.throughput for balance in found.balances if balance.element == "supply"]
    return found.residual * found.circulated / max(found.circulated, *supply, LEAST)


def _energy(run: Simulation) -> list[str]:
    found, wrong = run.energies, []
    if run.duration > 0.0 and not all(map(math.isfinite, run.run.state)):
        wrong.append("a state is not finite")
    if _residual(run) >= CLOSES:
        worst = found.worst
        wrong.append(f"energy is off by {_residual(run):.2g}, {worst.element} by {worst.residual:.2g}")
    wrong += [
        f"{name} has lost {loss} J" for name, loss in found.losses.items() if loss < -1e-9 * found.circulated
    ]
    return wrong
