"""What every fault of a standard set does to the parts of a bench, each at the worst of several moments.

The moments come from the run of the healthy bench: its largest torque, power and speed, and where the link
has a voltage of its own the largest power drawn from it and fed into it. From each moment on four phases of
the first torsional mode are tried. A stated fault happens when the scenario says.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial

import numpy as np

from shaftloop.analysis.cost import shared
from shaftloop.analysis.modes import find_modes
from shaftloop.analysis.ratings import Load, loads
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.tangent import line_at
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.engine.events import OFF, SEQUENCE, Event
from shaftloop.engine.supervision import Trail
from shaftloop.errors import CostError, SimulationError
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.description import Description, Fault, FaultKind
from shaftloop.scenario.faults import OFF_TIME, SIZED, fault_kinds
from shaftloop_models.supply import SUPPLY

__all__ = [
    "AFTER",
    "BY_SEQUENCE",
    "NEVER",
    "STATED",
    "FaultRun",
    "fault_figures",
    "found_figures",
    "run_again",
    "run_faults",
    "standard_faults",
]

AFTER = Fraction(1)
"""How long a run goes on behind a fault. [s]"""
_OUTAGES = (Fraction(1, 50), Fraction(1, 10), Fraction(1, 2))
"""How long a grid that returns is away: one period of 50 Hz, what a link may ride through, longer. [s]"""
_LATE = 2
"""Periods of a hop by which its frames come late: common practice, no source."""
_PHASES = 4
_THREADS = 2
_FOLLOWED = 0.6
"""Share of a run that is left where it follows the healthy one up to its fault, at most."""
_Case = tuple[Fault, str, tuple[Fault, ...]]
"""A fault at its time, what singles that out, and what fails beside it."""
STATED = "as the scenario states"
"""Moment of a fault that has its own."""
NEVER = "nothing takes the torque away"
BY_SEQUENCE = "the sequence takes the torque away, no interlock"


@dataclass(frozen=True)
class FaultRun:
    """A run with one fault, at the moment that loads the parts most of those that were tried."""

    fault: Fault
    moment: str
    """What singles its moment out, in words."""
    tried: int
    """Moments."""
    loads: tuple[Load, ...] = ()
    """Of all parts but one that broke, of springs, machines and link also where nothing is stated."""
    tripped: str | None = None
    """First interlock that trips; nothing where none does."""
    reaction: float | None = None
    """From the fault to that trip. [s]"""
    off: float | None = None
    """From the fault until an interlock takes the torque away; nothing where none does. [s]"""
    kept: str = ""
    """Why no interlock does."""
    lowest_voltage: float | None = None
    """Of the link; nothing where it is stiff. [V]"""
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


def standard_faults(description: Description) -> list[Fault]:
    """Return what may fail in a bench, one at a time, and what its scenario states, at the time stated there.

    Their names are those of their figures. Second failures of a scenario come with each fault that it states.
    """
    found: list[tuple[str, FaultKind]] = []
    for part in description.line:
        known = (kind for kind in fault_kinds(part) if kind not in SIZED)
        found += [(part.name, kind) for kind in known if kind != "blocked" or part.drives]
    found += [(hop.name, "lost") for hop in description.hop]
    found += [(loop.name, "stalled") for loop in description.loop]
    faults = [Fault(f"{on}.{kind}", on, kind) for on, kind in found]
    for hop in description.hop:
        faults += [
            Fault(f"{hop.name}.{kind}", hop.name, kind, lateness=_LATE * hop.period) for kind in OFF_TIME
        ]
    if description.supply.link() is not None:
        faults += [
            Fault(f"{SUPPLY}.grid_lost", SUPPLY, "grid_lost"),
            Fault(f"{SUPPLY}.grid_returns", SUPPLY, "grid_lost", until=_OUTAGES[0]),
            *(Fault(f"{entry.name}.open", entry.name, "open") for entry in description.brake_resistor),
        ]
    return [*faults, *(fault for fault in description.fault if fault.kind != "does_not_act")]


def fault_figures(description: Description, chosen: Sequence[Fault]) -> dict[str, Figure]:
    """Return the figures of some faults, not looked for yet."""
    found = [Figure("damaging", "1", "faults that take a part beyond its limit", better="lower")]
    bench = build_bench(replace(description, fault=(), duty=None), smooth=True)
    ratings = {(entry.part, entry.quantity): entry.unit for entry in bench.ratings()}
    seen = {place: unit for place, _, unit in _unrated(bench)} | ratings
    for fault in chosen:
        group = fault.name
        share = "what the worst part sees, over its limit, or over its rating where no limit is stated"
        found.append(Figure(f"{group}.share", "1", share, better="lower", group=group))
        noticed = "from the fault until the first interlock trips"
        silent = "no interlock trips"
        found.append(Figure(f"{group}.reaction", "s", noticed, reason=silent, better="lower", group=group))
        away = "from the fault until an interlock takes the torque away"
        found.append(Figure(f"{group}.torque_away", "s", away, reason=NEVER, better="lower", group=group))
        for (part, quantity), unit in seen.items():
            name, what = f"{group}.{part}.{quantity}", f"largest {quantity.replace('_', ' ')} of {part}"
            gone = "it broke" if _broke(fault, part) else ""
            found.append(Figure(name, unit, what, reason=gone, better="lower", group=group))
        if bench.link.ports is not None:
            name, what = f"{group}.link.lowest_voltage", "lowest voltage of the link"
            found.append(Figure(name, "V", what, better="higher", group=group))
    return by_name(found)


def found_figures(description: Description, runs: "Sequence[FaultRun]") -> dict[str, Figure]:
    """Return the figures of faults that were run."""
    figures = fault_figures(description, [run.fault for run in runs])
    figures["damaging"] = figures["damaging"].found(sum(run.damages for run in runs))
    for run in runs:
        group = run.fault.name
        values: dict[str, float | None] = {
            f"{group}.{load.part}.{load.quantity}": load.peak for load in run.loads
        }
        values |= {
            f"{group}.share": run.share,
            f"{group}.reaction": run.reaction,
            f"{group}.torque_away": run.off,
            f"{group}.link.lowest_voltage": run.lowest_voltage,
        }
        for name, figure in figures.items():
            if figure.group != group:
                continue
            if run.error:
                figures[name] = figure.absent(run.error, failed=True)
            elif name == f"{group}.torque_away" and run.off is None:
                figures[name] = figure.absent(run.kept)
            else:
                figures[name] = figure.found(values.get(name))
    return figures


def run_faults(
    description: Description,
    chosen: Sequence[Fault],
    *,
    protected: bool = True,
    healthy: Simulation | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[FaultRun, ...]:
    """Run a bench, of a duty its first cycle, with each of some faults, the worst first.

    `protected` false leaves the interlocks out. `healthy` is a run of just this bench in which nothing fails,
    if at hand, recorded at the rate of its sensor. `progress` is called now and then with the share that is
    done.

    Raises
    ------
    SimulationError
        Where the healthy bench cannot be run, or all of it would take too long.
    """
    description = replace(description, duty=None)
    bench = replace(description, fault=(), limit=description.limit if protected else ())
    second = tuple(fault for fault in description.fault if fault.kind == "does_not_act") if protected else ()
    healthy = healthy or simulate(replace(bench, record=replace(bench.record, rate=None)))
    period = _first_period(description)
    cases = [
        [(fault, STATED, second)]
        if fault in description.fault
        else [(tried, what, ()) for tried, what in _moments(healthy, fault, period)]
        for fault in chosen
    ]
    worst = [max(group, key=lambda found: found.share) for group in _run_all(bench, cases, progress)]
    tried = [replace(found, tried=len(case)) for found, case in zip(worst, cases, strict=True)]
    return tuple(sorted(tried, key=lambda found: (not found.damages, not found.strains, -found.share)))


def run_again(description: Description, runs: Sequence[FaultRun]) -> list[FaultRun]:
    """Run a bench with each of some faults at the moments that were worst before, in their order.

    The bench is as it was but for its interlocks or parts.
    """
    second = tuple(fault for fault in description.fault if fault.kind == "does_not_act")
    cases = [[(run.fault, run.moment, second if run.fault in description.fault else ())] for run in runs]
    bench = replace(description, duty=None, fault=())
    return [found for (found,) in _run_all(bench, cases)]


def _run_all(
    bench: Description, cases: Sequence[Sequence[_Case]], progress: Callable[[float], None] | None = None
) -> list[list[FaultRun]]:
    """Run a bench with each of some faults in groups; up to their fault all runs follow one that has none."""
    total, done = sum(map(len, cases)), 0
    prone = tuple(fault for (first, _, second), *_ in cases for fault in (first, *second))
    follow = partial(simulate, channels=lambda _: (), trail=Trail(), prone=prone)

    def run(fault: Fault, moment: str, second: tuple[Fault, ...]) -> FaultRun:
        nonlocal done
        found = _run(follow, bench, fault, moment, second)
        done += 1
        if progress is not None:
            progress(done / total)
        return found

    with shared(_FOLLOWED * total / _THREADS), ThreadPoolExecutor(_THREADS) as pool:
        follow(
            replace(bench, duration=max((fault.at for case in cases for fault, *_ in case), default=AFTER))
        )
        waiting = [[pool.submit(run, *entry) for entry in case] for case in cases]
        return [[future.result() for future in group] for group in waiting]


def _moments(healthy: Simulation, fault: Fault, period: Fraction) -> list[tuple[Fault, str]]:
    """Return a fault at every instant at which it is tried, with what singles each out."""
    found: dict[Fraction, str] = {}
    for what, size in _sizes(healthy):
        instant = _nanosecond(float(healthy.time[np.argmax(size)])) if size.size else Fraction(0)
        if all(abs(instant - other) > period for other in found):
            found[instant] = what
    return [
        (replace(fault, at=at, until=lasts and at + lasts), what)
        for instant, what in found.items()
        for at in (instant + phase * period / _PHASES for phase in range(_PHASES))
        for lasts in (_OUTAGES if fault.until else (None,))
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
    if healthy.bench.link.ports is not None:
        drawn = sum(traces[f"{name}_torque"] * traces[f"{name}_speed"] for name in healthy.bench.machines)
        yield "the most drawn from the link", np.asarray(drawn)
        yield "the most fed into the link", -np.asarray(drawn)


def _first_period(description: Description) -> Fraction:
    """Return the period of the first torsional mode, 1 ms where there is none [s]."""
    modes = find_modes(line_at(description)[0])
    return _nanosecond(0.25 / modes[0].frequency) * _PHASES if modes else Fraction(1, 1000)


def _nanosecond(seconds: float) -> Fraction:
    return Fraction(round(seconds * 1e9), 10**9)


def _run(
    follow: Callable[[Description], Simulation],
    bench: Description,
    fault: Fault,
    moment: str,
    second: tuple[Fault, ...],
) -> FaultRun:
    """Run a bench with one more fault until `AFTER` behind it; set-points stay as they are left."""
    end = max(fault.at, fault.until or fault.at) + AFTER
    try:
        found = follow(replace(bench, fault=(fault, *second), duration=end))
    except CostError:
        raise  # Says nothing about the fault.
    except SimulationError as error:
        return FaultRun(fault, moment, 1, error=str(error).partition("\n")[0])
    at = float(fault.at)
    trip = next((event for event in found.events if event.kind == "tripped" and event.time >= at), None)
    off, kept = _off(found.events, at)
    low = found.peaks.get("link.voltage")
    return FaultRun(
        fault,
        moment,
        1,
        tuple(load for load in _loads(found) if not _broke(fault, load.part)),
        trip.name if trip else None,
        trip.time - at if trip else None,
        off,
        kept,
        low[0] if low else None,
    )


def _off(events: Sequence[Event], at: float) -> tuple[float | None, str]:
    """Return how long behind a fault [s] an interlock takes the torque away, else why none does."""
    off = next((event for event in events if event.kind in OFF), None)
    if off is None:
        return None, NEVER
    if off.name == SEQUENCE:
        return None, BY_SEQUENCE
    return (off.time - at, "") if off.time >= at else (None, f"{off.name} took it away before the fault")


def _broke(fault: Fault, part: str) -> bool:
    return fault.kind == "broken" and part == fault.on


def _unrated(bench: Bench) -> Iterator[tuple[tuple[str, str], str, str]]:
    """Yield part and quantity, name of the extremes and unit of what counts without a rating, too."""
    for edge in bench.line.edges:
        yield (edge.part, "torque"), edge.part, "N m"
    if bench.link.ports is not None:
        yield ("link", "voltage"), "link.voltage", "V"


def _loads(found: Simulation) -> tuple[Load, ...]:
    """Return the loads of a run, also of what states no rating."""
    rated = loads(found)
    known = {(load.part, load.quantity) for load in rated}
    more = (
        Load(*place, unit, max(map(abs, found.peaks[peak])), None, None)
        for place, peak, unit in _unrated(found.bench)
        if place not in known
    )
    return (*rated, *more)
