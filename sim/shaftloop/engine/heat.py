"""Bodies that warm up: a linear thermal network that the supervisor advances at ticks of its own.

::

    C·T' = P − (T − Tn)/R        Tn: the body that it passes its heat to, or the ambient

P is what its meters took in since the last thermal tick, over that time, so nothing is lost between ticks;
with P constant the step is exact (matrix exponential), and so is the heat passed on. What follows a
temperature, or a current over time, is a number in the float table, written anew at every thermal tick.
All that changes stands in slots of the state; the layout stays as it is.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from shaftloop.engine import at
from shaftloop.engine.layout import Layout, SlotKind
from shaftloop.engine.matrices import phi_functions
from shaftloop.errors import SimulationError
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop_models.network import OwnKind, Term, Warmth

__all__ = ["Body", "Heat", "Heating", "OverloadBudget", "Thermal", "assemble_heat"]

_FINE = 100.0
"""Thermal ticks in the shortest time constant, at least."""
_LONGEST = Fraction(1)
"""Longest time between thermal ticks. [s]"""
_HOTTEST = 1500.0
"""At which everything has melted. [degC]"""
_RELEASED = 0.9
"""Share of a budget below which its current limit is lifted again."""


@dataclass(frozen=True)
class Body:
    """A body with one temperature."""

    name: str
    capacity: float
    """[J/K]"""
    resistance: float
    """On the way of its heat. [K/W]"""
    onward: str
    """Body that takes its heat; empty for the ambient."""
    ambient: float
    """[degC]"""
    start: float
    """[degC]"""
    limit: float | None
    """Hottest that it may be, where that is stated. [degC]"""
    meters: tuple[int, ...]
    """Of the energy that warms it."""


@dataclass(frozen=True)
class OverloadBudget:
    """A limit of a squared current over time."""

    name: str
    meter: int
    """Integral of the squared current. [A^2 s]"""
    squared: float
    """Squared current that costs nothing. [A^2]"""
    size: float
    """[A^2 s]"""
    task: int
    """Task whose limit falls once the budget is spent."""
    column: int
    """Of its floats."""
    limits: tuple[float, float]
    """Before, and once it is spent. [A]"""


@dataclass(frozen=True)
class Thermal:
    """What of a part is thermal."""

    bodies: tuple[Body, ...] = ()
    warmths: tuple[tuple[Warmth, str], ...] = ()
    """Numbers that follow a temperature, and the name of its body."""
    budgets: tuple[OverloadBudget, ...] = ()

    def __add__(self, other: "Thermal") -> "Thermal":
        """Return what of two parts is thermal."""
        groups = (self.bodies + other.bodies, self.warmths + other.warmths, self.budgets + other.budgets)
        return Thermal(*groups)


@dataclass(frozen=True)
class Heat:
    """The thermal network of a bench, with its slots."""

    bodies: tuple[Body, ...]
    warmths: tuple[tuple[Warmth, str], ...]
    budgets: tuple[OverloadBudget, ...]
    period: Fraction
    """Time between thermal ticks. [s]"""
    flows: Floats
    """(bodies, bodies): heat that flows into each per kelvin of each. [W/K]"""
    slots: int
    """First of its slots: tick of the last step, temperatures, heat passed on, energy seen, temperatures
    half a step ahead; per budget what is spent, the integral seen, and 1 while it limits."""
    meters: int
    """First slot of the meters."""

    def slice(self, group: int) -> slice:
        """Return the slots of a group: 0 temperatures, 1 passed on, 2 energy seen, 3 half a step ahead."""
        first = self.slots + 1 + group * len(self.bodies)
        return slice(first, first + len(self.bodies))

    def budget_slot(self, number: int) -> int:
        """Return the first of the three slots of a budget."""
        return self.slice(4).start + 3 * number


def assemble_heat(thermal: Thermal, layout: Layout, meters: int) -> Heat | None:
    """Return a thermal network with its slots added; nothing where nothing warms up.

    The meters have their first slot at `meters`.
    """
    bodies, budgets = thermal.bodies, thermal.budgets
    if not bodies and not budgets:
        return None
    number = {body.name: i for i, body in enumerate(bodies)}
    flows = np.zeros((len(bodies), len(bodies)))
    for i, body in enumerate(bodies):
        flows[i, i] -= 1.0 / body.resistance
        if body.onward:
            onward = number[body.onward]
            flows[[i, onward, onward], [onward, i, onward]] += np.array([1.0, 1.0, -1.0]) / body.resistance
    shortest = min((-body.capacity / flows[i, i] for i, body in enumerate(bodies)), default=math.inf)
    slots = layout.add("heat.tick", SlotKind.INTEGER, "tick")
    for body in bodies:
        layout.add(f"{body.name}.temperature", SlotKind.ACCUMULATOR, "degC", initial=body.start)
    for what in ("passed_on", "taken_in"):
        for body in bodies:
            layout.add(f"{body.name}.{what}", SlotKind.ACCUMULATOR, "J")
    for body in bodies:
        layout.add(f"{body.name}.ahead", SlotKind.ACCUMULATOR, "degC", initial=body.start)
    for budget in budgets:
        layout.add(f"{budget.name}.spent", SlotKind.ACCUMULATOR, "A^2 s", 3)
    return Heat(bodies, thermal.warmths, budgets, _tick(shortest), flows, slots, meters)


def _tick(shortest: float) -> Fraction:
    """Return the time between thermal ticks, a round one [s]."""
    finest = shortest / _FINE
    if finest >= float(_LONGEST):
        return _LONGEST
    decade = Fraction(10) ** math.floor(math.log10(finest))
    return max(decade * digit for digit in (1, 2, 5) if float(decade * digit) <= finest * (1.0 + 1e-9))


class Heating:
    """The thermal network of one run, and the terms of the bench in order, which follow its temperatures."""

    def __init__(self, heat: Heat, terms: Sequence[Term], ticks_per_second: int) -> None:
        self.heat = heat
        self.ticks_per_second = ticks_per_second
        self.period = math.ceil(heat.period * ticks_per_second)
        """Between thermal ticks. [tick]"""
        self.rows: list[tuple[int, Floats]] = []
        """Tick, and the slots of the network but for the tick, from one thermal tick to the next."""
        self.leapt = np.zeros(len(heat.bodies))
        """By how much temperatures were set, beyond what warmed them. [K]"""
        self._capacity = np.array([body.capacity for body in heat.bodies])
        self._resistance = np.array([body.resistance for body in heat.bodies])
        self._onward = np.array([_index(heat.bodies, body.onward) for body in heat.bodies])
        # Of the ambient, 0 where the heat goes to another body.
        self._ambient = np.array([body.ambient * (not body.onward) for body in heat.bodies])
        self._rate = heat.flows / self._capacity[:, np.newaxis]
        self._steps: dict[int, tuple[Floats, Floats]] = {}
        self.follow(terms, ())

    def follow(self, terms: Sequence[Term], more: Sequence[tuple[Warmth, str]]) -> None:
        """Look for what follows the temperatures in the terms of other equations, with more of it."""
        own = [isinstance(term.kind, OwnKind) for term in terms]
        sizes = [len(term.parameters) * mine for term, mine in zip(terms, own, strict=True)]
        self._places = [
            (sum(sizes[: warmth.term]) + warmth.parameter, warmth, _index(self.heat.bodies, body))
            for warmth, body in (*self.heat.warmths, *more)
        ]

    def ticks(self, end: int) -> Iterator[int]:
        """Yield the thermal ticks before an end [tick]."""
        yield from range(self.period, end, self.period)

    def advance(self, it: Ints, numbers: Floats, state: Floats, tick: int) -> None:
        """Advance to a tick, at which the meters stand, what warms up; write what follows.

        Of the tables and the state, which is changed in place, one lane is given.
        """
        heat, seen = self.heat, self.heat.slice(2)
        ticks = tick - int(state[heat.slots])
        if ticks == 0:
            return
        if not self.rows:
            self.note(state, 0)
        seconds = ticks / self.ticks_per_second
        taken = np.array([sum(state[heat.meters + m] for m in body.meters) for body in heat.bodies])
        if heat.bodies:
            self._warm(state, (taken - state[seen]) / seconds, ticks)
            state[seen] = taken
        for number, budget in enumerate(heat.budgets):
            slot, total = heat.budget_slot(number), state[heat.meters + budget.meter]
            spent = state[slot] + (total - state[slot + 1]) - budget.squared * seconds
            state[slot], state[slot + 1] = max(spent, 0.0), total
            state[slot + 2] = float(spent >= budget.size * (_RELEASED if state[slot + 2] else 1.0))
        state[heat.slots] = tick
        self.note(state, tick)
        self.write(it, numbers, state)

    def after(self, before: Floats, power: Floats, ticks: int) -> tuple[Floats, Floats]:
        """Return temperatures [degC] after a step with constant powers [W], and their integrals [K s]."""
        seconds = ticks / self.ticks_per_second
        if ticks not in self._steps:
            _, (_, first, second, _) = phi_functions(self._rate, seconds)
            self._steps[ticks] = seconds * first, seconds**2 * second
        change, area = self._steps[ticks]
        rate = self._rate @ before + (power + self._ambient / self._resistance) / self._capacity
        return before + change @ rate, seconds * before + area @ rate

    def _warm(self, state: Floats, power: Floats, ticks: int) -> None:
        """Advance the temperatures by a step with constant powers [W]."""
        heat = self.heat
        now, ahead, passed = heat.slice(0), heat.slice(3), heat.slice(1)
        before = state[now].copy()
        state[now], own = self.after(before, power, ticks)
        state[ahead] = state[now] + 0.5 * (state[now] - before)
        areas = np.append(own, 0.0)
        beyond = areas[self._onward] + ticks / self.ticks_per_second * self._ambient  # -1 is the 0 appended
        state[passed] += (own - beyond) / self._resistance
        if not np.all(state[now] < _HOTTEST):
            hottest = heat.bodies[int(np.argmax(state[now]))]
            raise SimulationError(
                f"{hottest.name} passes {_HOTTEST:g} degC: nothing of it would be left",
                "lower the demand, or check the thermal resistances and capacities",
            )

    def note(self, state: Floats, tick: int) -> None:
        """Note where temperatures, energies and budgets stand."""
        heat = self.heat
        self.rows.append((tick, state[heat.slots + 1 : heat.budget_slot(len(heat.budgets))].copy()))

    def leap(self, it: Ints, numbers: Floats, state: Floats, temperatures: Floats, spent: Floats) -> None:
        """Set temperatures [degC] and budgets spent [A^2 s], at a thermal tick, to what they will be."""
        now = self.heat.slice(0)
        leap = temperatures - state[now]
        self.leapt += leap
        state[now] = temperatures
        state[self.heat.slice(3)] += leap
        for number, value in enumerate(spent):
            state[self.heat.budget_slot(number)] = value
        self.note(state, int(state[self.heat.slots]))
        self.write(it, numbers, state)

    def write(self, it: Ints, numbers: Floats, state: Floats) -> None:
        """Write what follows temperatures and budgets into the tables.

        Temperatures are those half a step ahead, for the numbers hold until its end.
        """
        heat, first = self.heat, self.heat.slice(3).start
        for place, warmth, body in self._places:
            numbers[it[at.OWN_FLOAT] + place] = warmth.at(float(state[first + body]))
        for number, budget in enumerate(heat.budgets):
            place = it[at.TASK_FLOAT] + budget.task * at.TASK_WIDTH + budget.column
            numbers[place] = budget.limits[int(state[heat.budget_slot(number) + 2])]


def _index(bodies: Sequence[Body], name: str) -> int:
    """Return the number of a body, -1 for the ambient."""
    return next((i for i, body in enumerate(bodies) if body.name == name), -1)
