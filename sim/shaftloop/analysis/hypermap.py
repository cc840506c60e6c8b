"""The stepper as a map over one hyperperiod, and its derivatives.

The smooth bench (no quantiser, noise, clamps, edge counting) is run by the very kernel that simulates.
Its fixed point under constant set-points is the steady state; the derivative of the map there, by
central differences, holds everything about small motions, sampling and delays included.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import partial

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.carried import Known, carried
from shaftloop.analysis.cost import MapWork, check_map, loop_rates
from shaftloop.analysis.differences import differences
from shaftloop.analysis.gentler import gently, newton, quickened, rivals, run_up
from shaftloop.analysis.opening import START, Cut, Opened, Opening
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.reduction import (
    framed,
    inverse,
    moving,
    nearest_rates,
    needed,
    released,
    turning,
    typical_sizes,
)
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench, LoopHandle
from shaftloop.engine import at
from shaftloop.engine.compiled.kernel import REACHED
from shaftloop.engine.compiled.setpoints import HOLD
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Model, Segment
from shaftloop.engine.rows import LOOP_NUMBERS
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["HyperMap", "mapped_slots"]

Array = NDArray[np.float64]
_MAPPED = (SlotKind.CONTINUOUS, SlotKind.HELD, SlotKind.DELAY)
_RUN_UP = (0, 256, 2048)
"""Hyperperiods that the bench runs on before Newton begins, one after the other until it converges.

From rest a derivative may hold a command at its clamp, where nothing tells Newton the way out.
"""
_RELATIVE_STEP = 1e-3
_LONGEST_HYPERPERIOD = 0.05
_MOST_CUTS = 64
"""Ticks of all loops in a hyperperiod up to which all are cut for one."""


class _Diverged(SimulationError):
    """The bench left the finite range."""


class HyperMap:
    """A smooth bench at constant set-points.

    Parameters
    ----------
    description : Description
        The bench.
    work : MapWork, optional
        What will be found of it, for the estimate of what that takes; the responses of all loops else.
    metered : bool
        Keep meters of energy, which say nothing of small motions.

    Raises
    ------
    SimulationError
        Where the rates have no common period up to 50 ms, or the analysis would take too long.
    """

    def __init__(
        self, description: Description, work: MapWork | None = None, *, metered: bool = False
    ) -> None:
        self.bench: Bench = build_bench(description, smooth=True)
        whole = self.bench.model
        # A chopper watches the energy of its resistor.
        model = whole if metered or description.brake_resistor else whole.unmetered()
        self.slots = mapped_slots(model)
        stepping = Stepping(at.ETD4, longest_step(model.plant, at.ETD4))
        check_map(model, stepping, len(self.slots), work or MapWork(loop_rates(description), whole=False))
        self.run = Run(model, stepping, 1)
        self.ticks = self.run.tables.calendar.hyperperiod
        self.hyperperiod = self.run.clock.seconds(self.ticks)
        if self.hyperperiod > _LONGEST_HYPERPERIOD:
            raise SimulationError(
                f"the common period of the rates is {self.hyperperiod:.4g} s, > {_LONGEST_HYPERPERIOD:g} s",
                "for this analysis choose rates with a short common period; " + nearest_rates(self.bench),
            )
        self._sizes = typical_sizes(self.bench)[self.slots]
        self._steps = _RELATIVE_STEP * self._sizes
        self._idle = np.zeros(0, dtype=np.intp)

    @property
    def difference_steps(self) -> Array:
        """Steps of the central differences, by the unit of the mapped slot, shape (mapped slots,)."""
        return self._steps

    def limit_voltages(self, limited: bool) -> None:
        """Let machines make no more voltage than they can, or whatever they want as is usual here.

        At the limit current control is as smooth as below it: its integrals are led by what was made.

        Parameters
        ----------
        limited : bool
            Whether the real limits hold.
        """
        tables = self.run.tables
        for machine in self.bench.machines.values():
            for task, column, most in machine.voltage_limits:
                place = int(tables.it[at.TASK_FLOAT]) + task * at.TASK_WIDTH + column
                tables.ft[place] = most if limited else np.inf

    def steady(self, point: OperatingPoint, near: Array | None = None, start: Known | None = None) -> Array:
        """Return the state that one hyperperiod maps to itself, shape (slots,).

        Newton's method on the compiled stepper, from the line turning at the speed of the point.

        Parameters
        ----------
        near : ndarray, shape (slots,), optional
            Look for it from where the bench goes from here, in place of the line turning.
        start : mapping, optional
            Look for it first at what is known of a similar bench or point.

        Raises
        ------
        SimulationError
            Where no steady state is found.
        """
        self.hold(point)
        if both := rivals(self.bench):
            unit = self.bench.loops[both[1]].parameters.ki.unit
            raise SimulationError(
                f"no steady state at {point}: loops {' and '.join(both)} integrate one and the same error",
                f"leave ki out of one of them: `settings` 'loop.{both[1]}.ki=0 {unit}'",
            )
        if start is not None:
            found = self._fixed(turning(self.bench, carried(self.bench, start), point.speed))
            if found is not None:
                return found
        rest, place = np.array(self.bench.model.layout.initial), turning if near is None else framed
        begin = place(self.bench, rest if near is None else near.copy(), point.speed)
        search = partial(run_up, begin, _RUN_UP if near is None else _RUN_UP[1:2], self._once, self._fixed)
        state, found = search()
        found = gently(self.run, self.bench, search, self._off) if found is None else found
        if found is not None:
            return found
        where = f"no steady state at {point}"
        if self.bench.link.runs_full(state):
            raise SimulationError(
                f"{where}: machines feed the DC link, its rectifier blocks and no brake resistor takes it",
                "add a [[brake_resistor]], or choose a point at which power is drawn",
            )
        slope, keep = moving(self.jacobian(state))
        if len(self._held(slope, np.zeros((len(keep), 0)), keep)[2]) < len(keep):
            raise SimulationError(
                f"{where}: nothing holds the speed, so the torque accelerates the line",
                "add a speed loop or drag, or choose `torque` '0 N m'",
            )
        raise SimulationError(
            where, "choose a point that the bench can hold with `speed` and `torque`, or lower the gains"
        )

    def _once(self, state: Array) -> Array:
        self._stretch(state, START, self.ticks)
        return state

    def _off(self, state: Array) -> Array:
        """Return where a hyperperiod takes the mapped slots of a state, in typical sizes."""
        return np.asarray((self._once(state.copy())[self.slots] - state[self.slots]) / self._sizes)

    def _fixed(self, state: Array) -> Array | None:
        """Return the state near one that a hyperperiod maps to itself, nothing where Newton finds none."""
        try:
            with quickened(self.run, self.bench):
                return newton(state, self.slots, self._sizes, self._off, self._lead)
        except _Diverged:  # a step may leave what the bench can run from
            return None

    def _lead(self, state: Array) -> tuple[Array, NDArray[np.intp], NDArray[np.intp]]:
        """Return what `newton` asks for."""
        # What nothing ever writes, such as the integral of a loop without ki, must stay where it is.
        slope, written = moving(self.jacobian(state))
        slope, onto, keep = self._held(slope, np.eye(len(written)), written)
        size = self._sizes[keep, None]
        scaled = (slope - np.eye(len(keep))) * size.T / size
        return -inverse(scaled) @ (onto * self._sizes[written] / size), written, keep

    def jacobian(self, state: Array) -> Array:
        """Return the derivative of the map at a state, over the mapped slots."""
        result = self._transition(state, START, self.ticks)
        self._idle = np.flatnonzero(~result.any(axis=0))
        return result

    def _differences(self, state: Array, moved: Callable[[Array], Array]) -> Array:
        return differences(state, self.slots, self._steps, moved, self._idle)

    def walk(self, state: Array, stops: NDArray[np.int64]) -> Array:
        """Return the states on the way on from a state, shape (stops, slots).

        Unlike `steady` they hold what the controllers ask for, too.

        Parameters
        ----------
        state : ndarray, shape (slots,)
            At the start of a hyperperiod.
        stops : ndarray of int, shape (stops,)
            Rising; each state is the one before the tasks of the first instant at or after. [tick]

        Raises
        ------
        SimulationError
            Where the bench diverges.
        """
        moving, where = state.copy(), START
        states = np.empty((len(stops), len(state)))
        for row, stop in zip(states, stops, strict=True):
            where = self._stretch(moving, where, int(stop))
            row[:] = moving
        return states

    def hold(self, point: OperatingPoint) -> None:
        """Keep the set-points of all loops at those of a point."""
        for name, value in point.setpoints.items():
            handle = self.bench.loops[name]
            self.run.set_profile(handle.profile, Segment(0, HOLD, (), (value,)))

    def dynamics(self, state: Array) -> Array:
        """Return the derivative of the map without the slots that do nothing."""
        a, keep = self.motion(state)
        return self._held(a, np.zeros((len(keep), 0)), keep)[0]

    def motion(self, state: Array) -> tuple[Array, NDArray[np.intp]]:
        """Return the derivative with the motion of the whole line, and the places of its states."""
        a, keep = moving(self.jacobian(state))
        a, used = needed(a, np.zeros((0, len(keep))))
        return a, keep[used]

    def open(self, loops: Sequence[LoopHandle], state: Array, seen: Sequence[int] | None = None) -> OpenLoop:
        """Return loops opened at their actuator commands, all other loops closed.

        Parameters
        ----------
        loops : sequence of LoopHandle
            Loops of this bench that are no limiters; their ticks stand one loop after the other.
        state : ndarray, shape (slots,)
            From `steady`.
        seen : sequence of int, optional
            Slot by loop whose value, as its tick leaves it, stands for u; else what the controller asks for.
        """
        return self._needed(self._cut(loops, state, seen))

    def open_each(self, loops: Sequence[LoopHandle], state: Array) -> list[OpenLoop]:
        """Return each of several loops opened, all others closed, from derivatives taken once.

        All loops of the bench are cut, unless they tick often, so that none depends on who else is asked for.

        Parameters
        ----------
        loops, state : sequence of LoopHandle, ndarray
            As in `open`.
        """
        every = [h for h in self.bench.loops.values() if h.break_slot >= 0 and not h.parameters.limiter_of]
        if sum(len(self._ticks(loop)) for loop in every) > _MOST_CUTS:
            every = list(loops)
        cut, names = self._cut(every, state), [loop.parameters.name for loop in every]
        return [self._needed(cut.alone(names.index(loop.parameters.name))) for loop in loops]

    def _cut(self, loops: Sequence[LoopHandle], state: Array, seen: Sequence[int] | None = None) -> Opened:
        looked = [loop.break_slot for loop in loops] if seen is None else seen
        cuts = [
            Cut(tick, loop.break_slot + 1, slot, number)
            for number, (loop, slot) in enumerate(zip(loops, looked, strict=True))
            for tick in self._ticks(loop)
        ]
        opening = Opening(self._stretch, self.slots, sorted(cuts, key=lambda cut: cut.tick), self.ticks)
        base = self._once(state.copy())[[cut.injected - 1 for cut in opening.cuts]]
        units = 1e-3 * np.maximum(np.abs(base), self._typical_torque())
        with self._silent(loops):
            return opening.opened(base, state, self._steps, units, self._differences)

    def _needed(self, cut: Opened) -> OpenLoop:
        """Return a system of the slots that count."""
        a, keep = moving(cut.a)
        a, used = needed(a, cut.c[:, keep])
        keep = keep[used]
        a, b, c, left = released(a, cut.b[keep], cut.c[:, keep], self._first_speed(keep), self._steps[keep])
        slots, instants = self.slots[keep[left]], cut.ticks / self.run.clock.ticks_per_second
        return OpenLoop(a, b, c, cut.d, self.hyperperiod, instants, slots, len(left) < len(keep))

    def _ticks(self, loop: LoopHandle) -> list[int]:
        """Return the ticks of a loop within the hyperperiod."""
        period = self.run.clock.ticks(1 / loop.parameters.rate)
        return list(range(self.run.clock.ticks(loop.parameters.phase) % period, self.ticks, period))

    def _held(self, a: Array, b: Array, keep: NDArray[np.intp]) -> tuple[Array, Array, NDArray[np.intp]]:
        """Return map and columns of some mapped slots, and the slots, without what nothing holds."""
        none = np.zeros((0, len(keep)))
        a, b, _, left = released(a, b, none, self._first_speed(keep), self._steps[keep])
        return a, b, keep[left]

    def _first_speed(self, keep: NDArray[np.intp]) -> int | None:
        """Return which of some mapped slots is the speed of the first body of a line that may turn."""
        if self.bench.line.held:
            return None
        found = np.flatnonzero(self.slots[keep] == self.bench.line.nodes[0].speed.index)
        return int(found[0]) if len(found) else None

    def transitions(self, state: Array, *, held: bool = False) -> list[Array]:
        """Return the derivative of the map from each instant to the next, over the mapped slots.

        Their product is the derivative of the map over a hyperperiod. Instants at which the same tasks are
        due and after which the same gap follows share one matrix: the steady state does not move.

        Parameters
        ----------
        state : ndarray, shape (slots,)
            From `steady`.
        held : bool
            Keep what the loops pass on as it is at the steady state.
        """
        calendar = self.run.tables.calendar
        base = self._once(state.copy())
        rows = zip(calendar.ticks, calendar.due, calendar.gaps(), strict=True)
        known: dict[tuple[tuple[int, ...], int], Array] = {}
        result = []
        with self._commands_held(base) if held else nullcontext():
            for number, (tick, due, gap) in enumerate(rows):
                if (due, gap) not in known:
                    known[due, gap] = self._transition(base, (tick, number, -1), tick + gap)
                result.append(known[due, gap])
        return result

    def _transition(self, base: Array, where: tuple[int, int, int], to: int) -> Array:
        def moved(pairs: Array) -> Array:
            self._stretch(pairs, where, to)
            high, low = pairs[:, :, self.slots]
            return np.asarray(high - low)

        return np.asarray(self._differences(base, moved) / (2.0 * self._steps))

    @contextmanager
    def _commands_held(self, base: Array) -> Iterator[None]:
        """Let every loop pass on what it asks for in a state, whatever it comes to ask for."""
        loops = [loop for loop in self.bench.loops.values() if loop.break_slot >= 0]
        added = [base[loop.break_slot + 1] for loop in loops]
        for loop in loops:
            base[loop.break_slot + 1] = base[loop.break_slot]
        try:
            with self._silent(loops):
                yield
        finally:
            for loop, value in zip(loops, added, strict=True):
                base[loop.break_slot + 1] = value

    @contextmanager
    def _silent(self, loops: Sequence[LoopHandle]) -> Iterator[None]:
        """Let nothing of what some loops ask for be passed on."""
        shares = [self._share(loop) for loop in loops]
        kept = self.run.tables.ft[shares]
        self.run.tables.ft[shares] = 0.0
        try:
            yield
        finally:
            self.run.tables.ft[shares] = kept

    def _share(self, loop: LoopHandle) -> int:
        """Return where the share of a loop's output that is passed on stands in the table of floats."""
        return int(self.run.tables.it[at.TASK_FLOAT]) + loop.task * at.TASK_WIDTH + int(LOOP_NUMBERS.share)

    def _typical_torque(self) -> float:
        sensor = self.bench.main_sensor()
        return sensor.parameters.rated if sensor else 1.0

    def _stretch(self, states: Array, where: tuple[int, int, int], to: int) -> tuple[int, int, int]:
        status, place = self.run.carry(states, where, to)
        if status != REACHED:
            loops = " and ".join(self.bench.loops) or "the machines"
            raise _Diverged(
                "the bench is unstable: it diverges within one hyperperiod", f"lower the gains of {loops}"
            )
        return place


def mapped_slots(model: Model) -> NDArray[np.intp]:
    """Return the slots that a map over a hyperperiod is about."""
    return np.array([i for i, s in enumerate(model.layout.slots) if s.kind in _MAPPED])
