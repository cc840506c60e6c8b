"""A duty: a cycle repeated for an hour, of which some cycles are run and the rest follows from these.

A cycle is run as it is, with its electrics and controllers, at temperatures along the way from the start to
the steady state of the duty. Between two cycles that are run the temperatures leap: the thermal network is
advanced, cycle by cycle, with losses that lie on the straight line between those of the two. How far the
result depends on that is seen by leaving every second of them out.
"""

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.cycles import Course, Cycle, Warming
from shaftloop.analysis.heat import HeatTrace
from shaftloop.bench.handles import Bench
from shaftloop.bench.sequence import MOST_CYCLES, actions, cycle_time, duty_cycles, interlocks
from shaftloop.engine.events import Action, End, Event
from shaftloop.engine.run import Run
from shaftloop.engine.supervision import run_bench
from shaftloop.errors import BenchError, SimulationError

__all__ = ["Duty", "run_duty"]

Array = NDArray[np.float64]

_LEAP = 8.0
"""How much a temperature may change between cycles that are run. [K]"""
_APART = 1.0
"""How far apart cycles must be for a slope of the losses. [K]"""
_ALIKE, _PER_KELVIN = 0.02, 0.01
"""How much the energy of a cycle may differ from that of the one before, and how much more per kelvin."""
_RUN_IN = 6
"""Cycles after which a duty must repeat itself."""
_ESTIMATES, _SETTLED = 4, 0.02
"""Cycles that are run for the steady state at most, and the change at which it is known. [K]"""
_TOO_HOT = 500.0
"""At which no cycle is run for the sake of the steady state. [degC]"""


@dataclass(frozen=True)
class Duty:
    """What a duty comes to."""

    cycle: float
    """Length of a cycle. [s]"""
    cycles: int
    """Of the duty, until it ended."""
    run: int
    """Cycles that were run for it."""
    trace: HeatTrace
    """Of the whole duty."""
    error: float
    """Largest change of a temperature where every second cycle that was run is left out. [K]"""
    steady: Array | None
    """Temperatures over one cycle in the steady state, shape (ticks + 1, bodies). [degC]"""
    steady_error: float
    """Change of the steady state from the last estimate but one. [K]"""
    no_steady: str
    """Why there is no steady state, where there is none."""
    meters: dict[str, float]
    """Energy of every meter over the whole duty. [J]"""
    ended: str
    """Why it ended before its time; empty where it did not."""


def run_duty(
    bench: Bench, run: Run, end: int, progress: Callable[[float], None] | None = None
) -> tuple[list[Event], Duty]:
    """Run the duty of a bench and return what happened in the cycles that were run, and what it comes to.

    Parameters
    ----------
    end : int
        Last tick. [tick]
    progress : callable, optional
        Called now and then with the share of the run that is done.

    Raises
    ------
    SimulationError
        Where the cycles do not come to repeat themselves.
    """
    driver = _Driver(bench, run)
    events = run_bench(run, driver.actions(), interlocks(bench), end, progress)
    # That the run is over once enough cycles were run is no event of the bench.
    return [event for event in events if event.kind != "ended"], driver.duty()


class _Driver:
    """Hands out the actions of the cycles that are run, and lets the temperatures leap between them."""

    def __init__(self, bench: Bench, run: Run) -> None:
        if run.heating is None:
            raise BenchError(
                ("duty",),
                "nothing of this bench warms up, so a duty asks nothing; state a table heat of a machine, or "
                "inverter.continuous_current with overload_time, or leave duty out",
            )
        self.bench, self.run, self.heating = bench, run, run.heating
        self.count = duty_cycles(bench.description)
        self.sequence = actions(bench)
        length = round(cycle_time(bench.description) * run.clock.ticks_per_second)
        self.heating.period = _divided(length, self.heating.period)
        self.warming = Warming(self.heating)
        self.cycles: list[Cycle] = []
        self.extra: list[Cycle] = []
        """Run for the steady state, beyond the duty."""
        self.estimates: list[Array] = []
        self.no_steady = self.ended = ""
        self.limiting = [False] * len(self.heating.heat.budgets)
        """Budgets that were spent in the last cycle, so that they held their owner back."""

    def actions(self) -> Iterator[Action]:
        """Yield the actions of the cycles that are run."""
        number = 0
        while number < self.count:
            self.cycles.append((yield from self._cycle(number)))
            number += 1
            self.ended = self._reason()
            if self.ended:
                self.count, self.no_steady = number, "the duty ended before its time"
            elif self._repeats():
                number += self._leap(self.count - number - 1)
        while not self.ended and self._seek_steady():
            self.extra.append((yield from self._cycle(self.count)))
        yield End()

    def _cycle(self, number: int) -> Generator[Action, None, Cycle]:
        """Yield the actions of one cycle and return what it was."""
        heat, state = self.heating.heat, self.run.state
        meters = slice(heat.meters, heat.meters + len(self.run.model.plant.network.meters))
        before, first, energies = self._slots(), len(self.heating.rows), state[meters].copy()
        yield from self.sequence
        self.run.warm()
        # At the very start of a run its first row is noted late, once it is under way.
        rows = [row for tick, row in self.heating.rows[first:] if tick > 0]
        changes = np.diff(np.array([before, *rows]), axis=0)
        bodies = len(heat.bodies)
        losses = changes[:, 2 * bodies : 3 * bodies] / self.warming.seconds
        squares = changes[:, 4 * bodies + 1 :: 3]
        self.limiting = np.any(np.array(rows)[:, 4 * bodies + 2 :: 3], axis=0).tolist()
        return Cycle(number, before[:bodies], losses, squares, state[meters] - energies)

    def _slots(self) -> Array:
        heat = self.heating.heat
        return self.run.state[heat.slots + 1 : heat.budget_slot(len(heat.budgets))].copy()

    def _reason(self) -> str:
        """Return why the duty cannot go on."""
        if self.run.state[self.run.model.trip_slot] >= 0.0:
            return "a trip takes the torque away"
        for budget, limits in zip(self.heating.heat.budgets, self.limiting, strict=True):
            if limits:
                owner, most = budget.name.split(".")[0], budget.limits[1]
                return f"the current over time of {owner} is spent, from then on it has {most:.4g} A"
        return ""

    def _repeats(self) -> bool:
        """Return whether the last two cycles are alike; refuse a duty whose cycles do not come to be that."""
        before, last = self.cycles[-2:] if len(self.cycles) > 2 else (None, self.cycles[-1])
        if before is None:
            return False
        if last.number > before.number + 1:
            return True
        energies = [cycle.losses.sum(axis=0) * self.warming.seconds for cycle in (before, last)]
        apart = float(np.max(np.abs(last.start - before.start), initial=0.0))
        bound = (_ALIKE + _PER_KELVIN * apart) * np.maximum(*energies) + 1e-3 * np.max(energies, initial=0.0)
        odd = np.abs(energies[1] - energies[0]) - bound
        if np.all(odd <= 0.0):
            return True
        if len(self.cycles) >= _RUN_IN:
            body = int(np.argmax(odd))
            raise SimulationError(
                f"the duty is not periodic: {self.heating.heat.bodies[body].name} takes in "
                f"{energies[0][body]:.4g} J in cycle {before.number + 1}, "
                f"{energies[1][body]:.4g} J in the next",
                "let the sequence end as it begins, give loops time to settle, and let a cycle hold a whole "
                "number of periods of what moves in it",
            )
        return False

    def _slope(self, cycles: list[Cycle]) -> tuple[Cycle, Cycle]:
        """Return two cycles that tell how losses follow the temperatures, the last one second."""
        last = cycles[-1]
        for other in reversed(cycles[1:-1]):
            if np.max(np.abs(other.start - last.start), initial=0.0) >= _APART:
                return other, last
        return last, last

    def _set(self, warm: Array, spent: Array) -> None:
        tables = self.run.tables
        self.heating.leap(tables.it, tables.ft, self.run.state, warm, spent)

    def _leap(self, most: int) -> int:
        """Let the temperatures leap ahead over at most so many cycles, and return how many."""
        course = self.warming.course(self.cycles)
        warm, spent, passed = course.temperature[-1], course.spent[-1], 0
        a, b = self._slope(self.cycles)
        far = len(self.cycles) >= MOST_CYCLES - _ESTIMATES - 1
        while passed < most:
            rows, budgets = self.warming.through(a.towards(b, warm), warm, spent)
            moved = np.max(np.abs(rows[-1] - b.start), initial=0.0)
            if (budgets >= self.warming.sizes).any() or (moved > _LEAP and not far):
                break
            warm, spent, passed = rows[-1], budgets[-1], passed + 1
        self._set(warm, spent)
        return passed

    def _seek_steady(self) -> bool:
        """Let the temperatures leap to the steady state, and return whether a cycle is to be run there."""
        known = [*self.cycles, *self.extra]
        if not self.heating.heat.bodies or len(self.cycles) < 3:
            self.no_steady = "the duty is too short for a slope of the losses"
            return False
        found = self.warming.steady(*self._slope(known))
        if found is None or np.max(found) > _TOO_HOT:
            self.no_steady = f"there is none below {_TOO_HOT:g} degC: the losses grow faster than the cooling"
            return False
        self.estimates.append(found)
        settled = len(self.estimates) > 1 and self._steady_error() <= _SETTLED
        if settled or len(self.estimates) > _ESTIMATES:
            return False
        self._set(found, np.zeros(len(self.heating.heat.budgets)))
        return True

    def _steady_error(self) -> float:
        return float(np.max(np.abs(self.estimates[-1] - self.estimates[-2])))

    def duty(self) -> Duty:
        """Return what the duty comes to."""
        heat, course = self.heating.heat, self.warming.course(self.cycles)
        names = [meter.name for meter in self.run.model.plant.network.meters]
        steady = None
        if self.extra and not self.no_steady:
            start = self.estimates[-1]
            cycle = self.extra[-1]
            rows, _ = self.warming.through(cycle, start, np.zeros(len(heat.budgets)))
            steady = np.vstack([start, rows])
        return Duty(
            cycle=float(cycle_time(self.bench.description)),
            cycles=self.count,
            run=len(self.cycles) + len(self.extra),
            trace=self._trace(course),
            error=self._error(course),
            steady=steady,
            steady_error=self._steady_error() if steady is not None else 0.0,
            no_steady=self.no_steady,
            meters=dict(zip(names, course.meters.tolist(), strict=True)),
            ended=self.ended,
        )

    def _trace(self, course: Course) -> HeatTrace:
        spent: Array = course.spent / self.warming.sizes
        squared: Array = np.cumsum(course.squares, axis=0)
        time: Array = np.arange(len(spent)) * np.float64(self.warming.seconds)
        return HeatTrace(self.heating.heat, time, course.temperature, spent, squared)

    def _error(self, course: Course) -> float:
        """Return the largest change of a temperature where every second cycle is left out [K]."""
        if len(self.cycles) < 4:
            return 0.0
        fewer = [*self.cycles[:2], *self.cycles[3:-1:2], self.cycles[-1]]
        return float(np.max(np.abs(self.warming.course(fewer).temperature - course.temperature), initial=0.0))


def _divided(length: int, most: int) -> int:
    """Return the longest time that divides a cycle and is no longer than another one [tick]."""
    for parts in range(-(-length // most), length // most * 50 + 50):
        if length % parts == 0:
            return length // parts
    raise BenchError(
        ("sequence",), "the cycle cannot be divided into thermal ticks; round its times to whole milliseconds"
    )
