"""Does every part stand what sequence and faults ask of it, with how much to spare, and what else would do.

A rating is held against the root mean square of a torque over the sequence, and against the peak of what has
none. A limit is held against the peak and the worst of all faults; what states no limit is not judged there.
What bends is held against its lateral critical speed; the force of its residual unbalance is stated beside.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from shaftloop.analysis.lateral import find_bending
from shaftloop.analysis.pulsation import lasting_torque
from shaftloop.analysis.ratings import Load, loads
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.parts.ratings import BENDING
from shaftloop.errors import CostError, ShaftloopError
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.derive import validate
from shaftloop.scenario.description import Description
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.scenario.source import Source, label_of, load_toml
from shaftloop.scenario.tables import with_tables
from shaftloop.studies.faults import FaultRun, run_again, run_faults, standard_faults
from shaftloop_models.lateral import unbalance_force
from shaftloop_models.part import Part

__all__ = ["Sized", "size_figures", "size_parts"]


@dataclass(frozen=True)
class Sized:
    """A quantity of a part, what is asked of it, and what it stands."""

    part: str
    quantity: str
    unit: str
    sequence: float
    """Largest size in the sequence. [unit]"""
    rms: float | None
    """Root mean square over the sequence; nothing where that says nothing. [unit]"""
    fault: float | None
    """Largest size in any fault; nothing where faults were left out. [unit]"""
    worst: FaultRun | None
    """That fault."""
    rated: float | None
    """[unit]"""
    limit: float | None
    """[unit]"""
    others: tuple[str, ...] = ()
    """Part files of the kind that stand it: stated, and seen in runs of the bench with them in its place."""

    @property
    def used(self) -> float:
        """Largest share of what it stands that is used."""
        shares = [0.0]
        if self.rated:
            shares.append((self.rms if self.rms is not None else self.sequence) / self.rated)
        if self.limit:
            shares.append(max(self.sequence, self.fault or 0.0) / self.limit)
        return max(shares)

    @property
    def serves(self) -> bool | None:
        """Whether it stands what is asked; nothing where it states nothing."""
        return None if not (self.rated or self.limit) else self.used <= 1.0

    @property
    def above(self) -> bool:
        """Whether a fault takes it above its rating."""
        return self.rated is not None and (self.fault or 0.0) > self.rated

    @property
    def doubt(self) -> str:
        """What is to be known of a part that serves; empty where nothing is."""
        if not self.serves or self.rated is None:
            return ""
        if self.limit is None and self.above:
            return "states no limit for faults"
        return "above its rating for a while" if self.sequence > self.rated else ""


def size_parts(
    description: Description,
    files: Sequence[Path] = (),
    *,
    faults: bool = True,
    progress: Callable[[float], None] | None = None,
) -> tuple[Sized, ...]:
    """Return what is asked of every part by the sequence, and by faults, and what it stands, left to right.

    Part files may take the place of one that does not serve; the shipped ones where there are none.
    `progress` is called now and then with the share that is done.

    Raises
    ------
    SimulationError
        Where the bench cannot be run, or all of it would take too long.
    ScenarioError
        Where a part file cannot be read.
    """
    # What a scenario lets fail is a fault, no part of its sequence.
    # Without faults it is the run that others ask for, too, which is made once.
    record = replace(description.record, rate=None) if faults else description.record
    healthy = simulate(replace(description, fault=(), record=record))
    failing = standard_faults(description)
    first = healthy if description.duty is None else None  # of a duty its first cycle
    runs = run_faults(description, failing, healthy=first, progress=progress) if faults else ()
    found = [_sized(load, healthy, runs) for load in (*_machines(healthy), *loads(healthy))]
    found += _forces(description, found)
    order = [part.name for part in description.line]
    # What is no part of the line, a brake resistor say, comes last.
    place = {name: number for number, name in enumerate(order)}
    found.sort(key=lambda entry: (place.get(entry.part, len(order)), entry.quantity != "torque"))
    chosen = list(files) or sorted((shipped_folder() / "parts").glob("*.toml"))
    sources = [load_toml(path, label_of(path)) for path in chosen]
    documents = {path.stem: source for path, source in zip(chosen, sources, strict=True)}
    return tuple(
        replace(entry, others=tuple(_others(description, entry, found, documents)))
        if entry.serves is False
        else entry
        for entry in found
    )


def _machines(healthy: Simulation) -> Iterator[Load]:
    """Yield the torque of every machine that states a rated one."""
    for name, machine in healthy.bench.machines.items():
        rated = machine.parameters.rated_torque
        if rated is not None:
            peak = float(np.max(np.abs(lasting_torque(healthy, name)), initial=0.0))
            yield Load(name, "torque", "N m", peak, rated, None)


def _sized(load: Load, healthy: Simulation, runs: Sequence[FaultRun]) -> Sized:
    rms = None
    if load.quantity == "torque" and f"{load.part}_torque" in healthy.traces:
        torque = lasting_torque(healthy, load.part)
        rms = float(np.sqrt(np.mean(np.square(torque)))) if torque.size else 0.0
    same = [
        (other.peak, run)
        for run in runs
        for other in run.loads
        if (other.part, other.quantity) == (load.part, load.quantity)
    ]
    fault, worst = max(same, key=lambda pair: pair[0], default=(None, None))
    rating = (load.rated, load.limit)
    return Sized(load.part, load.quantity, load.unit, load.peak, rms, fault, worst, *rating)


def _forces(description: Description, found: Sequence[Sized]) -> Iterator[Sized]:
    """Yield the force of the residual unbalance of what bends, at the speeds that it sees."""
    speeds = {entry.part: entry for entry in found if entry.quantity == BENDING}
    for bending in find_bending(description):
        speed = speeds[bending.part]
        if bending.unbalance is not None:
            force = unbalance_force(bending.unbalance, speed.sequence)
            most = None if speed.fault is None else unbalance_force(bending.unbalance, speed.fault)
            yield replace(
                speed,
                quantity="unbalance_force",
                unit="N",
                sequence=force,
                fault=most,
                rated=None,
                limit=None,
            )


def _others(
    description: Description, short: Sized, found: Sequence[Sized], documents: dict[str, Source]
) -> Iterator[str]:
    """Yield the part files that state enough for what a part that does not serve sees, and stand it there."""
    part = description.part(short.part)
    if short.quantity not in ("torque", "speed"):
        return
    for name, source in documents.items():
        if part is None or source.document.get("part") != part.part:
            continue
        other, errors = validate(type(part), source.document | {"name": part.name})
        if other is None or errors or (other := with_tables(other, [source.path.parent])) is None:
            continue
        stands = other.stands()
        bounds = {"torque": (stands.rated, stands.limit), "speed": (None, stands.max_speed)}
        wanted = [entry for entry in found if entry.part == short.part and entry.quantity in bounds]
        judged = []
        for entry in wanted:
            rated, limit = bounds[entry.quantity]
            judged.append(replace(entry, rated=rated, limit=limit))
        silent = any(old.limit and not new.limit for old, new in zip(wanted, judged, strict=True))
        if all(entry.serves for entry in judged) and not silent and _stands(description, other, wanted):
            yield name


def _stands(description: Description, other: Part, wanted: Sequence[Sized]) -> bool:
    """Return whether a part stands sequence and worst faults of a bench with it in the place of its namesake.

    With its own stiffness and inertia the line sees something else.
    """
    line = tuple(other if part.name == other.name else part for part in description.line)
    bench = replace(description, line=line)
    worst = {entry.worst.fault: entry.worst for entry in wanted if entry.worst is not None}
    try:
        seen = [
            loads(simulate(replace(bench, fault=()))),
            *(r.loads for r in run_again(bench, [*worst.values()])),
        ]
    except CostError:
        raise
    except ShaftloopError:
        return False  # The bench cannot be built or run with it.
    return not any(load.beyond_limit for found in seen for load in found if load.part == other.name)


def size_figures(found: Sequence[Sized]) -> dict[str, Figure]:
    """Return the share of what each part stands that is used, by part and quantity."""
    meaning = "share of what it stands that sequence and faults use"
    return by_name(
        Figure(f"{entry.part}.{entry.quantity}.used", "1", meaning, better="lower", group=entry.part).found(
            entry.used
        )
        for entry in found
        if entry.serves is not None
    )
