"""From a `Model` to the tables that kernels take."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.calendar import Clock, Instants, Timing, instants
from shaftloop.engine.compiled.linkterms import LINK_KINDS, LINK_KINDS_READ
from shaftloop.engine.compiled.terms import OF_ANY_LENGTH, TERMS
from shaftloop.engine.gaps import Gaps, Matrices
from shaftloop.engine.model import Model
from shaftloop.engine.plant import Plant, sticking
from shaftloop.kernels.arrays import LINE, Floats, Ints, Numbers, aligned
from shaftloop.kernels.own import ROOM, address_of
from shaftloop_models.network import OwnKind, PowerKind, Ref, Term

__all__ = [
    "Tables",
    "build_tables",
    "keep_setpoints",
    "make_calendar",
    "make_clock",
    "profile_rows",
    "with_numbers",
]


@dataclass(frozen=True)
class Tables:
    """What kernels take, for one bench and stepping."""

    it: Ints
    ft: Floats
    scratch: int
    """Length of the work vector."""
    calendar: Instants
    gap_matrices: Matrices
    """Those of every gap; the same for tables `alike`."""
    keys: Ints
    """Key of the noise of every channel."""

    @cached_property
    def numbers(self) -> Numbers:
        """Return what kernels take besides the integers."""
        blocks, entries = self.gap_matrices.blocks
        return self.ft, entries, self.keys, blocks


class _Sections:
    """The two tables while they grow."""

    def __init__(self) -> None:
        self.head = [0] * at.WORDS
        self._ints: list[int] = []
        self._floats: list[Floats] = []
        self._place = 0

    def ints(self, word: int, values: Iterable[int]) -> None:
        """Append integers and note where they start."""
        self.head[word] = at.WORDS + len(self._ints)
        self._ints.extend(values)

    def floats(self, word: int, values: Sequence[float] | Floats) -> None:
        """Append floats and note where they start, at the beginning of a cache line."""
        section = np.asarray(values, dtype=np.float64).ravel()
        section = np.concatenate([section, np.zeros(-section.size % LINE)])
        self.head[word] = self._place
        self._floats.append(section)
        self._place += section.size

    def arrays(self) -> tuple[Ints, Floats]:
        """Return the tables."""
        ft = aligned(self._place)
        np.concatenate(self._floats, out=ft)
        return np.array(self.head + self._ints, dtype=np.int64), ft


def make_clock(model: Model) -> Clock:
    """Return the clock on which all times of a model are whole."""
    times = [t for task in model.tasks for t in (task.period, task.phase)]
    return Clock.common([*times, *model.latencies])


def make_calendar(model: Model, clock: Clock) -> Instants:
    """Return the table of instants of a model, on the clock from `make_clock`."""
    timings = [Timing(clock.ticks(t.period), clock.ticks(t.phase), t.priority) for t in model.tasks]
    return instants(tuple(timings), clock.ticks_per_second)


def build_tables(model: Model, clock: Clock, gaps: Gaps) -> Tables:
    """Return the tables of a model; the gaps, which hold the stepping, take in those of its calendar."""
    calendar = make_calendar(model, clock)
    sections = _Sections()
    head = sections.head
    head[at.METHOD] = gaps.stepping.method
    head[at.TICKS_PER_SECOND] = clock.ticks_per_second
    _add_plant(sections, model)
    _add_terms(sections, model)
    _add_meters(sections, model)
    _add_tasks(sections, model, calendar, [gaps.number(length) for length in calendar.gaps()])
    _add_setpoints(sections, model)
    _add_recorder(sections, model)
    _add_guards(sections, model)
    _add_sticks(sections, model)
    _add_gaps(sections, gaps)
    scratch = _place_work(head)
    it, ft = sections.arrays()
    keys = np.array([(model.seed << 16) + i for i in range(len(model.noises))], dtype=np.int64)
    return Tables(it, ft, scratch, calendar, gaps.matrices(), keys)


def with_numbers(tables: Tables, model: Model) -> Tables:
    """Return the tables of a model that is `alike` the one that given tables were built for."""
    ft = aligned(len(tables.ft))
    ft[:] = tables.ft
    for word, values in _numbers(model).items():
        first = tables.it[word]
        ft[first : first + len(values)] = values
    return replace(tables, it=tables.it.copy(), ft=ft)


def _add_plant(sections: _Sections, model: Model) -> None:
    plant, head = model.plant, sections.head
    head[at.N], head[at.M], head[at.Q] = len(plant.a), plant.b.shape[1], plant.g.shape[1]
    head[at.R], head[at.SLOTS] = plant.padded_signals, len(model.layout.initial)
    head[at.ASIDES] = len(plant.network.asides)
    head[at.NOISES] = len(model.noises)
    sections.floats(at.BOUND, [at.LARGEST] * len(plant.a))
    sections.ints(at.NOISE_INT, [v for c in model.noises for v in (c.state, len(c.g))])


def _add_terms(sections: _Sections, model: Model) -> None:
    known: set[Ref] = set()
    for term in model.plant.network.terms:
        if isinstance(term.kind, OwnKind):
            if max(len(term.reads), len(term.parameters), len(term.outputs)) > ROOM:
                raise ValueError(
                    f"a term of kind {term.kind.name} reads, takes or writes more than {ROOM} values"
                )
        elif term.kind not in TERMS:
            raise ValueError(f"no kernel evaluates terms of kind {term.kind!r}: make it an OwnKind")
        allowed = frozenset({"state", "held"} if isinstance(term.kind, OwnKind) else {"state"})
        allowed = LINK_KINDS_READ if term.kind in LINK_KINDS else allowed
        if any(ref.kind not in allowed and ref not in known for ref in term.reads):
            kinds = " and ".join(sorted(allowed))
            raise ValueError(
                f"a term of kind {term.kind!r} reads {term.reads}: it may read {kinds} only, beside outputs "
                "of an OwnKind ahead of it that reads states"
            )
        if isinstance(term.kind, OwnKind) and all(ref.kind == "state" for ref in term.reads):
            known.update(term.outputs)
    groups: dict[int, list[Term]] = {word: [] for word in (*TERMS.values(), at.OWNS)}
    for term in model.plant.network.terms:
        groups[at.OWNS if isinstance(term.kind, OwnKind) else TERMS[term.kind]].append(term)
    for word, terms in groups.items():
        sections.head[word] = len(terms)
        sections.ints(word + 1, [value for term in terms for value in _term_row(model.plant, term)])
        sections.floats(word + 2, [value for term in terms for value in term.parameters])


def _term_row(plant: Plant, term: Term) -> list[int]:
    """Return the integers of a term: what its kind begins with, then indices in z."""
    begin, sizes = term.choices, (len(term.reads), len(term.parameters))
    if isinstance(term.kind, OwnKind):
        begin = (address_of(term.kind.equation), *sizes, len(term.outputs))
    elif term.kind in OF_ANY_LENGTH:
        begin = (*sizes, *begin)
    return [*begin, *(plant.z(ref) for ref in (*term.reads, *term.outputs))]


def _add_meters(sections: _Sections, model: Model) -> None:
    network, z = model.plant.network, model.plant.z
    powers = sorted(network.powers, key=lambda power: power.meter)
    of = Counter(power.meter for power in powers)
    others = {power.meter for power in powers if power.kind != PowerKind.PRODUCT}
    counts = [-of[meter] if meter in others else of[meter] for meter in range(len(network.meters))]
    runs = [(len(list(alike)), count) for count, alike in groupby(counts)]
    sections.head[at.METERS], sections.head[at.METER_RUNS] = len(counts), len(runs)
    sections.ints(at.METER_RUN, [v for run in runs for v in run])
    sections.ints(at.POWER_INT, [v for power in powers for v in (power.kind, z(power.a), z(power.b))])
    sections.floats(at.POWER_FLOAT, [power.coefficient for power in powers])
    sections.head[at.METER_SLOT] = model.meter_slot
    sections.head[at.PEAKS] = len(model.peaks)
    sections.ints(at.PEAK_READ, [z(ref) for _, ref in model.peaks])
    sections.head[at.PEAK_SLOT] = model.peak_slot


def _add_tasks(sections: _Sections, model: Model, calendar: Instants, gaps: Sequence[int]) -> None:
    first = np.cumsum([0, *(len(due) for due in calendar.due)])
    sections.head[at.INSTANTS] = len(gaps)
    rows = zip(first, calendar.due, gaps, strict=False)
    sections.ints(at.INSTANT_INT, [v for start, due, gap in rows for v in (start, len(due), gap)])
    sections.ints(at.DUE, [task for due in calendar.due for task in due])
    wide = at.TASK_WIDTH
    sections.ints(at.TASK_INT, [v for t in model.tasks for v in (t.kind, *t.a, *[0] * (wide - 1 - len(t.a)))])
    for word, values in _numbers(model).items():
        sections.floats(word, values)


def _numbers(model: Model) -> dict[int, list[float]]:
    """Return the sections of the float table that hold the numbers of tasks and filters."""
    return {
        at.TASK_FLOAT: [v for t in model.tasks for v in (*t.f, *[0.0] * (at.TASK_WIDTH - len(t.f)))],
        at.FILTER: [v for section in model.filters for v in section],
    }


def _add_setpoints(sections: _Sections, model: Model) -> None:
    """Add the profiles, each a hold at 0 with room for what a sequence adds, and the traces."""
    rows = model.profiles * model.segments
    sections.head[at.SEGMENT_ROOM] = model.segments
    sections.ints(at.SEGMENT_COUNT, [1] * model.profiles)
    sections.ints(at.SEGMENT_INT, [0] * (rows * at.SEGMENT_INTS))
    sections.floats(at.SEGMENT_FLOAT, [0.0] * (rows * at.SEGMENT_FLOATS))
    sections.ints(at.TRACE_FIRST, np.cumsum([0, *(len(times) for times, _ in model.traces)]))
    sections.floats(at.TRACE_TIME, [time for times, _ in model.traces for time in times])
    sections.floats(at.TRACE_VALUE, [value for _, values in model.traces for value in values])


def _add_recorder(sections: _Sections, model: Model) -> None:
    sources = {"z": 0, "state": 1, "profile": 2}
    entries = [(number, *entry) for number, channel in enumerate(model.channels) for entry in channel.entries]
    sections.head[at.CHANNELS] = len(model.channels)
    sections.head[at.ENTRIES] = len(entries)
    place = [model.plant.z(what) if isinstance(what, Ref) else what for _, _, what, _ in entries]
    numbered = zip(entries, place, strict=True)
    sections.ints(
        at.ENTRY_INT, [v for entry, index in numbered for v in (entry[0], sources[entry[1]], index)]
    )
    sections.floats(at.ENTRY_FLOAT, [entry[3] for entry in entries])


def _add_guards(sections: _Sections, model: Model) -> None:
    guards = model.guards
    sections.head[at.GUARDS] = len(guards)
    reads = [model.plant.z(guard.read) if isinstance(guard.read, Ref) else guard.read for guard in guards]
    pairs = zip(reads, guards, strict=True)
    sections.ints(at.GUARD_INT, [v for read, guard in pairs for v in (read, guard.task)])
    sections.floats(at.GUARD_FLOAT, [v for guard in guards for v in (guard.level, guard.centre)])
    sections.head[at.GUARD_SLOT] = model.guard_slot
    sections.head[at.TRIP_SLOT] = model.trip_slot


def _add_sticks(sections: _Sections, model: Model) -> None:
    """Add what stands at rest: the torque on such a body is a sum over z, without its own friction."""
    plant = model.plant.loose or model.plant
    ints: list[int] = []
    floats: list[float] = []
    bodies = sticking(plant.network)
    for body in bodies:
        row, own = body.speed, {rub.held for rub in body.rubs}
        arrays = {"state": plant.a, "held": plant.b, "output": plant.g}
        entries = [
            (plant.z(Ref(kind, int(i))), body.inertia * array[row, i])
            for kind, array in arrays.items()
            for i in np.flatnonzero(array[row])
            if Ref(kind, int(i)) not in own
        ]
        ints += [plant.z(Ref("state", row)), len(entries), *(place for place, _ in entries)]
        floats += [body.level, *(weight for _, weight in entries)]
    sections.head[at.STICKS] = len(bodies)
    sections.ints(at.STICK_INT, ints)
    sections.floats(at.STICK_FLOAT, floats)
    sections.head[at.STICK_SLOT] = model.stick_slot


def _add_gaps(sections: _Sections, gaps: Gaps) -> None:
    sections.head[at.GAPS], sections.head[at.FINES] = gaps.count, len(gaps.fine)
    sections.ints(at.FINE, gaps.fine)
    sections.ints(at.GAP_INT, [v for length, gap in gaps.all.items() for v in (length, gap.substeps)])
    sections.floats(at.GAP_STEP, [gap.step for gap in gaps.all.values()])
    roots = [gap.root for gap in gaps.all.values()]
    sections.floats(at.GAP_NOISE, np.concatenate(roots))
    sections.head[at.GAP_NOISE_SIZE] = roots[0].size


def _place_work(head: list[int]) -> int:
    """Note the places in the work vector and return its length.

    Places are multiples of four, at which a vector of four does not straddle a cache line.
    """
    n, m, q, r = (head[word] for word in (at.N, at.M, at.Q, at.R))
    base = n + -n % 4
    z = r + base + m + q + 1 + head[at.ASIDES]
    head[at.Z_SIZE] = z = z + -z % LINE
    sizes = {
        at.Z: 2 * z,
        at.BASE: base + z,
        at.ZM: z,
        at.ZC: z,
        at.CHANGE: max(q, n) + 4,
        at.SAVED: head[at.SLOTS],
        at.SUMS: 3,
        at.LOCALS: 4,
        at.ZEROS: 4,
        at.RECENT: at.BLOCK * head[at.CHANNELS],
    }
    place = 0
    for word, size in sizes.items():
        head[word] = place
        place += size + -size % 4
    return place


def profile_rows(model: Model, tables: Tables) -> tuple[Ints, Ints, Floats]:
    """Return views of the profiles: rows in use of each; integers and floats of all rows of each."""
    it, ft, rows = tables.it, tables.ft, (model.profiles, model.segments)
    integers, floats = math.prod(rows) * at.SEGMENT_INTS, math.prod(rows) * at.SEGMENT_FLOATS
    return (
        it[it[at.SEGMENT_COUNT] :][: model.profiles],
        it[it[at.SEGMENT_INT] :][:integers].reshape(*rows, at.SEGMENT_INTS),
        ft[it[at.SEGMENT_FLOAT] :][:floats].reshape(*rows, at.SEGMENT_FLOATS),
    )


def keep_setpoints(model: Model, old: Tables, new: Tables) -> None:
    """Take the set-points of a model over from its old tables."""
    for target, source in zip(profile_rows(model, new), profile_rows(model, old), strict=True):
        target[:] = source
