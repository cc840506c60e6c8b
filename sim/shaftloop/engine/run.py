"""A bench in time: advance, stop, save, restore."""

from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import replace

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.build import (
    Tables,
    build_tables,
    keep_setpoints,
    make_clock,
    profile_rows,
    with_numbers,
)
from shaftloop.engine.compiled.kernel import ENDED, FULL, MET, REACHED, advance, creep, probe
from shaftloop.engine.friction import Friction
from shaftloop.engine.gaps import Gaps
from shaftloop.engine.heat import Heating
from shaftloop.engine.model import Fault, Model, Segment
from shaftloop.engine.plant import Plant
from shaftloop.engine.position import CREEPS, Position, Saved
from shaftloop.engine.runaway import bound_speeds, keep_stretch, stretch_of
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.errors import SimulationError
from shaftloop.kernels.arrays import Floats, aligned
from shaftloop.kernels.decorators import for_rows
from shaftloop_models.network import ONE, Ref

__all__ = ["Run"]


class Run:
    """One bench, from rest, under a stepping, with room for a number of records."""

    def __init__(self, model: Model, stepping: Stepping, records: int) -> None:
        self.model = model
        self.clock = make_clock(model)
        self._gaps = Gaps(model, self.clock, stepping)
        self.tables = build_tables(model, self.clock, self._gaps)
        self.work = self._scratch()
        self.records = 0
        """Number of records written."""
        self.state = aligned(len(model.layout.initial))
        self.state[:] = model.layout.initial
        self.position = Position(0, 0, -1)
        self.recording = np.empty((len(model.channels), records)).T
        self._ends = np.full((3, 1), -1)
        self._step = 0.0
        self.last_gap = 0
        """Length of the last gap that was crossed. [tick]"""
        self._failed: list[Fault] = []
        self.heating = self._heating()
        """What warms up, advanced by whoever drives the run; nothing in most benches."""
        self.friction = Friction(model)
        """What sticks; nothing in most benches."""
        self._follow_state()

    def variant(self, model: Model) -> "Run":
        """Return the run of a model that is `alike` this one's, in much less time than a new one takes.

        This run stands at its start, and no sequence has been laid out for it.
        """
        other = copy(self)
        other.model = model
        other._gaps = self._gaps.copy()
        other.tables = with_numbers(self.tables, model)
        other.work, other.state = aligned(len(self.work)), aligned(len(self.state))
        other.work[:], other.state[:] = self.work, self.state
        other._failed, other.friction = [], Friction(model)
        other.recording, other._ends = np.empty_like(self.recording), self._ends.copy()
        other.heating = other._heating()
        return other

    def without_records(self) -> "Run":
        """Return the run as it stands, without the memory of its records."""
        other = copy(self)
        other.recording, other.records = np.empty((len(self.model.channels), 0)).T, 0
        return other

    def term_outputs(self, state: Floats) -> Floats:
        """Return what the nonlinear terms say at a state: the compiled ones, after a gap without a step."""
        it, plant, work = self.tables.it.copy(), self.model.plant, self.work.copy()
        it[it[at.GAP_INT] + 1] = 0
        z = probe(it, self.tables.numbers, state.copy(), work, self._ends, 0)
        return np.asarray(work[z + plant.z(Ref("output", 0)) :][: plant.g.shape[1]])

    def warm(self) -> None:
        """Advance what warms up to where the run stands."""
        if self.heating is not None:
            self.heating.advance(self.tables.it, self.tables.ft, self.state, self.position.tick)

    def advance(self, to: int, *, exact: bool = False, guarded: bool = False) -> bool:
        """Advance and return whether a guard woke before the end.

        Parameters
        ----------
        to : int
            Where to stop: at the first instant at or after this tick, before its tasks. [tick]
        exact : bool
            Stop exactly there, between instants if need be.
        guarded : bool
            Let guards end the stretch.

        Raises
        ------
        SimulationError
            Where the bench diverges.
        """
        if self.position.tick >= to:
            return False
        while True:
            if keep_stretch(self.model, self.state, self.position.tick):
                self._follow_state()  # a speed has left its range
            go_on = self._creep if self.position.gap == CREEPS else self._go
            status = go_on(to, exact, guarded)
            if self._ends[at.DIVERGED] >= 0:
                raise self.divergence(self.position.tick)
            if status == FULL:
                raise SimulationError("the recording is full", "record at a lower rate or for a shorter time")
            if status == MET:
                self.friction.settle(self)
                status = ENDED if go_on == self._creep and self._ends[at.WOKE] >= 0 else MET
            status = REACHED if status == ENDED and self._ends[at.WOKE] < 0 else status
            if status == ENDED or (self.position.tick >= to and (exact or self.position.gap == -1)):
                return status == ENDED or bool(guarded and self._ends[at.WOKE] >= 0)

    def _go(self, to: int, exact: bool, guarded: bool) -> int:
        """Go on by whole gaps; where what sticks changes in one, stand at its start."""
        start = self.position
        last = self.prepare(to) if exact else -1
        self._refresh()
        where = start.tick, start.instant, start.gap, self.records
        ((status, tick, instant, gap, self.records),) = self._stretch(self.state, where, to, last, guarded)
        self.position = Position(tick, instant, gap)
        self.last_gap = tick - max(self.tables.calendar.before(tick), start.tick)
        if status == MET:
            self.position = replace(self.position, gap=CREEPS)
        elif last >= 0 and self.position.gap == last:
            self._stand_between()
        return status

    def _creep(self, to: int, exact: bool, guarded: bool) -> int:
        """Go on inside a gap, at most to the tick at which what sticks changes, or a guard."""
        here, instant = self.position, self.next_instant(self.position.tick + 1)
        self.make_fine()
        tables, ticks = self.tables, (here.tick, min(instant, to) if exact else instant)
        self._ends[:] = -1
        tick, self.last_gap, met = creep(
            tables.it, tables.numbers, self.state, self.work, self._ends, ticks, int(guarded)
        )
        there = Position(tick, (here.instant + 1) % tables.it[at.INSTANTS], -1)
        self.position = there if tick == instant else replace(here, tick=tick)
        return MET if met else ENDED if np.any(self._ends >= 0) else REACHED

    def make_fine(self) -> None:
        """Take the gaps of which one makes its way to a tick inside a gap into the tables."""
        if not self.tables.it[at.FINES]:
            self._gaps.refine(max(self.tables.calendar.gaps()))
            self._refresh()

    def carry(self, states: Floats, where: tuple[int, int, int], to: int) -> tuple[int, tuple[int, int, int]]:
        """Take states that are not the run's own to an instant, unrecorded; return how and where one stopped.

        Parameters
        ----------
        states : ndarray, shape (..., slots)
            Contiguous in memory, changed in place; of one that falls short of the end it is told.
        where : tuple of int
            Tick, instant and gap.
        to : int
            The end is the first instant at or after this tick. [tick]
        """
        status, tick, instant, gap, _ = max(self._stretch(states, (*where, 0), to, -1, False))
        return status, (tick, instant, gap)

    def _stretch(
        self, states: Floats, where: tuple[int, int, int, int], to: int, last: int, guarded: bool
    ) -> list[tuple[int, int, int, int, int]]:
        """Take states on from tick, instant, gap and records; return how each stopped, and its four."""
        tables, rows = self.tables, states.reshape(-1, states.shape[-1])
        self._ends[:] = -1
        given = tables.it, tables.numbers, rows, self.work, self._ends, self.recording.T[np.newaxis]
        return for_rows(advance, 2, (*given, where, (to, last, int(guarded), True)))

    def prepare(self, to: int) -> int:
        """Return the gap that ends at a tick, -1 where the tick is an instant; the tables then hold it."""
        if self.next_instant(to) == to:
            return -1
        gap = self._gaps.number(to - max(self.tables.calendar.before(to), self.position.tick))
        self._refresh()
        return gap

    def divergence(self, tick: int) -> SimulationError:
        """Return the error of a bench that diverged at a tick."""
        return SimulationError(
            f"the bench diverged at t = {self.clock.seconds(tick):.6g} s",
            "lower the gains of the loops, or check signs, latencies and the sampling rates",
        )

    def save(self) -> Saved:
        """Return a copy of all that changes during a run."""
        slips = tuple(self.friction.slips)
        counts, _, _ = profile_rows(self.model, self.tables)
        return Saved(self.state.copy(), self.position, self.records, counts.copy(), slips)

    def restore(self, saved: Saved) -> None:
        """Go back to a saved state; records written since are dropped."""
        self.state[:] = saved.state
        self.position, self.records = saved.position, saved.records
        self.friction.slips = list(saved.slips)
        profile_rows(self.model, self.tables)[0][:] = saved.segment_count
        if self.heating is not None:
            self.heating.rows = [row for row in self.heating.rows if row[0] <= saved.position.tick]
        self._follow_state()

    def add_segment(self, profile: int, segment: Segment) -> None:
        """Let a set-point profile go on with a further segment."""
        counts, integers, floats = profile_rows(self.model, self.tables)
        place = profile, counts[profile]
        integers[place], floats[place] = 0, 0.0
        integers[place][: 2 + len(segment.counts)] = segment.start, segment.kind, *segment.counts
        floats[place][: len(segment.values)] = segment.values
        counts[profile] += 1

    def set_profile(self, profile: int, segment: Segment) -> None:
        """Let a set-point profile consist of one segment."""
        profile_rows(self.model, self.tables)[0][profile] = 0
        self.add_segment(profile, segment)

    def fail(self, fault: Fault) -> None:
        """Let something fail here; what changes the equations needs the run to stand exactly at its tick."""
        self._failed.append(fault)
        if fault.plant is not None:
            self._go_on_with(*fault.plant(self._failed))
        self._write_faults()
        for slot, value in fault.shows:
            self.state[slot] = value

    def mend(self, fault: Fault) -> None:
        """Let a fault of something sampled be over here."""
        self._failed.remove(fault)
        tasks = self.model.tasks
        words = [
            (task, column, (tasks[task].kind, *tasks[task].a)[column]) for task, column, _ in fault.words
        ]
        numbers = [(task, column, tasks[task].f[column]) for task, column, _ in fault.numbers]
        self._write_rows(words, numbers)
        self._write_faults()

    def idles(self, task: int) -> bool:
        """Return whether a task does not run; what is no task does."""
        it = self.tables.it
        return task >= 0 and int(it[it[at.TASK_INT] + task * at.TASK_WIDTH]) == at.IDLE

    def segments(self, profile: int) -> list[Segment]:
        """Return the segments of a set-point profile, with all numbers of their rows."""
        counts, *tables = profile_rows(self.model, self.tables)
        rows = zip(*(table[profile, : counts[profile]].tolist() for table in tables), strict=True)
        return [Segment(start, kind, tuple(more), tuple(values)) for (start, kind, *more), values in rows]

    def steps(self) -> dict[int, float]:
        """Return the substep [s] of every gap length [tick] in use."""
        return self._gaps.steps()

    @property
    def step(self) -> float:
        """Longest substep since the start [s]."""
        return max(self._step, *self.steps().values())

    def next_instant(self, tick: int) -> int:
        """Return the first instant at or after a tick [tick]."""
        return self.tables.calendar.at_or_after(tick)

    def _stand_between(self) -> None:
        """Note the gap that leads from here to the next instant."""
        here = self.position
        length = self.next_instant(here.tick + 1) - here.tick
        self.position = replace(here, gap=CREEPS if self.friction.bodies else self._gaps.number(length))

    def _go_on_with(self, plant: Plant, still: Sequence[int]) -> None:
        """Change the equations; what elements lose of their energy goes into their meters of failure."""
        before, after = self.model.plant.network, plant.network
        kept = [before.stored(balance, self.state.tolist()) for balance in before.balances]
        self.state[list(still)] = 0.0
        names = [meter.name for meter in after.meters]
        for balance, energy in zip(after.balances, kept, strict=True):
            if f"{balance.element}.failure" in names:
                meter = self.model.meter_slot + names.index(f"{balance.element}.failure")
                self.state[meter] += energy - after.stored(balance, self.state.tolist())
        self.take(plant)
        self.friction.begin_anew(self)

    @property
    def equations(self) -> tuple[Model, Gaps, Tables]:
        """The equations of the line, with what is made of them."""
        return self.model, self._gaps, self.tables

    def swap(self, equations: tuple[Model, Gaps, Tables]) -> None:
        """Take equations of the same states, such as this run has had before."""
        old, self._step = self.tables, self.step
        self.model, self._gaps, self.tables = equations
        self._carry_over(old)
        self.work = self._scratch()
        if self.position.gap >= 0:
            self._stand_between()
            self._refresh()

    def take(self, plant: Plant) -> None:
        """Take other equations of the same states, with the steps they need at the stretch of the state."""
        model, stepping = replace(self.model, plant=plant), self._gaps.stepping
        longest, stretch = longest_step(plant, stepping.method), stretch_of(model, self.state)
        gaps = Gaps(model, self.clock, replace(stepping, longest=longest, stretch=stretch))
        if self.heating is not None:
            self.heating.follow(plant.network.terms, plant.network.warmths)
        self.swap((model, gaps, build_tables(model, self.clock, gaps)))

    def _scratch(self) -> Floats:
        """Return room to work in, with the constant of every z vector."""
        work, head = aligned(self.tables.scratch), self.tables.it
        for z in (head[at.Z], head[at.Z] + head[at.Z_SIZE], head[at.ZM], head[at.ZC]):
            work[z + self.model.plant.z(ONE)] = 1.0
        return work

    def _write_faults(self) -> None:
        """Write what has failed into the rows of the tasks."""
        for fault in self._failed:
            self._write_rows(fault.words, fault.numbers)

    def _write_rows(
        self, words: Iterable[tuple[int, int, int]], numbers: Iterable[tuple[int, int, float]]
    ) -> None:
        it, ft = self.tables.it, self.tables.ft
        for task, column, word in words:
            it[it[at.TASK_INT] + task * at.TASK_WIDTH + column] = word
        for task, column, value in numbers:
            ft[it[at.TASK_FLOAT] + task * at.TASK_WIDTH + column] = value

    def _refresh(self) -> None:
        """Take new gap lengths into the tables, made anew with set-points and faults as they are."""
        if self._gaps.count != self.tables.it[at.GAPS]:
            old, self.tables = self.tables, build_tables(self.model, self.clock, self._gaps)
            self._carry_over(old)

    def _carry_over(self, old: Tables) -> None:
        """Take set-points over from other tables, and what follows state and faults."""
        keep_setpoints(self.model, old, self.tables)
        self._write_state()
        self._write_faults()

    def _heating(self) -> Heating | None:
        """Return what warms up, at its start."""
        heat, terms = self.model.heat, self.model.plant.network.terms
        return None if heat is None else Heating(heat, terms, self.clock.ticks_per_second)

    def _follow_state(self) -> None:
        """Take the equations of the state: who stands, which steps; and what follows it into the tables."""
        self.friction.stand(self)
        self._write_state()

    def _write_state(self) -> None:
        """Write what follows temperatures and speeds of the state into the tables."""
        bound_speeds(self.model, self.tables, self.state)
        if self.heating is not None:
            self.heating.write(self.tables.it, self.tables.ft, self.state)
