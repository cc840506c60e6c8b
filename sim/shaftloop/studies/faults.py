"""What every fault of a standard set does to the parts of a bench, each at the worst of several moments.

The moments come from the run of the healthy bench: largest torque, power and speed, and for what happens at
once four phases of the first torsional mode from there, since the mode adds to what a break or a stop lets
loose, or takes from it.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial

import numpy as np

from shaftloop.analysis.cost import shared
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.ratings import Load, loads
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine.supervision import OFF, Trail
from shaftloop.errors import CostError, SimulationError
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.description import Description, Fault, FaultKind
from shaftloop.scenario.faults import fault_kinds

__all__ = ["AFTER", "FaultRun", "fault_figures", "found_figures", "run_faults", "standard_faults"]

AFTER = Fraction(1)
"""How long a run goes on behind a fault. [s]"""
_AT_ONCE = ("broken", "blocked", "torque_off")
"""What excites the line by its suddenness."""
_PHASES = 4
_THREADS = 2


@dataclass(frozen=True)
class FaultRun:
    """A run with one fault, at the moment that loads the parts most of those that were tried."""

    fault: Fault
    moment: str
    """What singles its moment out, in words."""
    tried: int
    """Moments."""
    loads: tuple[Load, ...] = ()
    """Of all parts but one that broke."""
    tripped: str | None = None
    """First interlock that trips; nothing where none does."""
    reaction: float | None = None
    """From the fault to that trip. [s]"""
    off: float | None = None
    """From the fault until the torque is taken away; nothing where it never is. [s]"""
    error: str | None = None
    """Why it could not be run."""

    @property
    def worst(self) -> Load | None:
        """The part farthest beyond its limit, else nearest to it: to its rating where no limit is stated."""
        return max(self.loads, key=lambda load: (load.beyond_limit, _share(load)), default=None)

    @property
    def share(self) -> float:
        """What that part sees, over its limit, or over its rating where no limit is stated."""
        return math.inf if self.error else _share(self.worst) if self.worst else 0.0

    @property
    def damages(self) -> bool:
        """Whether a part passes what it must never pass, or the run could not even be made."""
        return self.error is not None or any(load.beyond_limit for load in self.loads)

    @property
    def strains(self) -> bool:
        """Whether a part passes its rating."""
        return self.damages or any(load.beyond_rating for load in self.loads)


def _share(load: Load) -> float:
    bound = load.limit or load.rated
    return load.share(bound) if bound else 0.0


def standard_faults(description: Description) -> list[tuple[str, FaultKind]]:
    """Return what may fail in a bench, as (name, kind): one at a time, without second failures.

    Parameters
    ----------
    description : Description
        The bench.
    """
    found: list[tuple[str, FaultKind]] = []
    for part in description.line:
        kinds = fault_kinds(part)
        found += [
            (part.name, kind) for kind in kinds if kind != "shifted" and (kind != "blocked" or part.drives)
        ]
    found += [(hop.name, "lost") for hop in description.hop]
    return [*found, *((loop.name, "stalled") for loop in description.loop)]


def fault_figures(chosen: Sequence[tuple[str, str]]) -> dict[str, Figure]:
    """Return the figures of some faults, not looked for yet.

    Parameters
    ----------
    chosen : sequence of (str, str)
        Name and kind of each.
    """
    found = [Figure("damaging", "1", "faults that take a part beyond its limit", better="lower")]
    for on, kind in chosen:
        group = f"{on}.{kind}"
        share = "what the worst part sees, over its limit, or over its rating where no limit is stated"
        found.append(Figure(f"{group}.share", "1", share, better="lower", group=group))
        away, never = "from the fault until the torque is away", "nothing takes the torque away"
        found.append(Figure(f"{group}.torque_away", "s", away, reason=never, better="lower", group=group))
    return by_name(found)


def found_figures(runs: "Sequence[FaultRun]") -> dict[str, Figure]:
    """Return the figures of faults that were run.

    Parameters
    ----------
    runs : sequence of FaultRun
        From `run_faults`.
    """
    figures = fault_figures([(run.fault.on, run.fault.kind) for run in runs])
    figures["damaging"] = figures["damaging"].found(sum(run.damages for run in runs))
    for run in runs:
        for name, value in (("share", run.share), ("torque_away", run.off)):
            entry = figures[key := f"{run.fault.on}.{run.fault.kind}.{name}"]
            figures[key] = entry.absent(run.error, failed=True) if run.error else entry.found(value)
    return figures


def run_faults(
    description: Description,
    chosen: Sequence[tuple[str, FaultKind]],
    *,
    protected: bool = True,
    progress: Callable[[float], None] | None = None,
) -> tuple[FaultRun, ...]:
    """Run a bench with each of some faults, the worst first.

    Faults that the scenario states are left out. Of a duty that is its first cycle.

    Parameters
    ----------
    description : Description
        The bench.
    chosen : sequence of (str, str)
        Name and kind of each.
    protected : bool
        False to leave the interlocks out.
    progress : callable, optional
        Called now and then with the share that is done.

    Raises
    ------
    SimulationError
        Where the healthy bench cannot be run, or all of it would take too long.
    """
    description = replace(description, duty=None)
    bench = replace(description, fault=(), limit=description.limit if protected else ())
    healthy = simulate(replace(bench, record=replace(bench.record, rate=None)))
    period = _first_period(description)
    cases = [
        [(Fault(f"{name} {kind}", name, kind, at), what) for at, what in _moments(healthy, kind, period)]
        for name, kind in chosen
    ]
    total, done = sum(map(len, cases)), 0
    prone = tuple(case[0][0] for case in cases)
    follow = partial(simulate, channels=lambda _: (), trail=Trail(), prone=prone)

    def run(fault: Fault, moment: str) -> FaultRun:
        nonlocal done
        found = _run(follow, bench, fault, moment)
        done += 1
        if progress is not None:
            progress(done / total)
        return found

    with shared(total), ThreadPoolExecutor(_THREADS) as pool:
        # Up to a fault all runs are the same: they follow this one.
        follow(replace(bench, duration=max((fault.at for case in cases for fault, _ in case), default=AFTER)))
        waiting = [[pool.submit(run, *entry) for entry in case] for case in cases]
        worst = [
            max((future.result() for future in group), key=lambda found: found.share) for group in waiting
        ]
    tried = [replace(found, tried=len(case)) for found, case in zip(worst, cases, strict=True)]
    return tuple(sorted(tried, key=lambda found: (not found.damages, not found.strains, -found.share)))


def _moments(healthy: Simulation, kind: FaultKind, period: Fraction) -> list[tuple[Fraction, str]]:
    """Return the instants at which a kind of fault is tried, with what singles each out."""
    time, phases = healthy.time, _PHASES if kind in _AT_ONCE else 1
    found: dict[Fraction, str] = {}
    for what, size in _sizes(healthy):
        instant = _nanosecond(float(time[np.argmax(size)])) if size.size else Fraction(0)
        if all(abs(instant - other) > period for other in found):
            found[instant] = what
    return [
        (instant + phase * period / _PHASES, what)
        for instant, what in found.items()
        for phase in range(phases)
    ]


def _sizes(healthy: Simulation) -> Iterator[tuple[str, np.ndarray]]:
    traces = healthy.traces
    springs = [np.abs(traces[f"{edge.part}_torque"]) for edge in healthy.bench.line.edges]
    machines = [np.abs(traces[f"{name}_torque"]) for name in healthy.bench.machines]
    speeds = [np.abs(traces[f"{name}_speed"]) for name in healthy.bench.machines]
    torque = np.max([*springs, *machines], axis=0)
    yield "the largest torque", torque
    yield "the largest power", torque * np.max(speeds, axis=0)
    yield "the largest speed", np.max(speeds, axis=0)


def _first_period(description: Description) -> Fraction:
    """Return the period of the first torsional mode, 1 ms where there is none [s]."""
    modes = find_modes(mechanics(build_bench(description, smooth=True)))
    return _nanosecond(0.25 / modes[0].frequency) * _PHASES if modes else Fraction(1, 1000)


def _nanosecond(seconds: float) -> Fraction:
    return Fraction(round(seconds * 1e9), 10**9)


def _run(
    follow: Callable[[Description], Simulation], bench: Description, fault: Fault, moment: str
) -> FaultRun:
    """Run a bench with one more fault until `AFTER` behind it; set-points stay as they are left."""
    try:
        found = follow(replace(bench, fault=(fault,), duration=fault.at + AFTER))
    except CostError:
        raise  # Says nothing about the fault.
    except SimulationError as error:
        return FaultRun(fault, moment, 1, error=str(error).partition("\n")[0])
    at = float(fault.at)
    trips = [event for event in found.events if event.kind == "tripped" and event.time >= at]
    off = [event.time - at for event in found.events if event.kind in OFF and event.time >= at]
    return FaultRun(
        fault,
        moment,
        1,
        tuple(load for load in loads(found) if fault.kind != "broken" or load.part != fault.on),
        trips[0].name if trips else None,
        trips[0].time - at if trips else None,
        off[0] if off else None,
    )
