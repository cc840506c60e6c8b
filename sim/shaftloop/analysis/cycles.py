"""Cycles of a duty without their electrics: temperatures and budgets from given losses, cycle by cycle."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine.heat import Heating

__all__ = ["Course", "Cycle", "Warming"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Cycle:
    """A cycle that was run."""

    number: int
    """In the duty, from 0."""
    start: Array
    """Temperatures at its start, shape (bodies,). [degC]"""
    losses: Array
    """Mean powers into the bodies from one thermal tick to the next, shape (ticks, bodies). [W]"""
    squares: Array
    """What the squared currents add from one thermal tick to the next, shape (ticks, budgets). [A^2 s]"""
    meters: Array
    """Energy of every meter over the cycle. [J]"""

    def towards(self, other: "Cycle", temperatures: Array) -> "Cycle":
        """Return what lies on the straight line to another cycle, where temperatures come nearest to it.

        Parameters
        ----------
        temperatures : ndarray, shape (bodies,)
            [degC]
        """
        way = other.start - self.start
        length = float(way @ way)
        share = float(way @ (temperatures - self.start)) / length if length > 0.0 else 0.0
        pairs = ((getattr(self, key), getattr(other, key)) for key in ("losses", "squares", "meters"))
        return Cycle(self.number, temperatures, *(a + share * (b - a) for a, b in pairs))


class Course(NamedTuple):
    """Temperatures and budgets over some cycles, at every thermal tick from their start on."""

    temperature: Array
    """Shape (ticks + 1, bodies). [degC]"""
    spent: Array
    """Shape (ticks + 1, budgets). [A^2 s]"""
    squares: Array
    """What the squared currents added, shape (ticks + 1, budgets). [A^2 s]"""
    meters: Array
    """Energy of every meter over all of it. [J]"""


class Warming:
    """The thermal network of a run and its budgets, without the run.

    Parameters
    ----------
    heating : Heating
        Of the run.
    """

    def __init__(self, heating: Heating) -> None:
        self.heating = heating
        self.seconds = heating.period / heating.ticks_per_second
        """Between thermal ticks. [s]"""
        self.sizes: Array = np.array([budget.size for budget in heating.heat.budgets])
        self._free: Array = np.array([budget.squared * self.seconds for budget in heating.heat.budgets])
        # From one thermal tick to the next temperatures T become idle + once·T + gain·P.
        cold, units = np.zeros(len(heating.heat.bodies)), np.eye(len(heating.heat.bodies))

        def after(warm: Array, power: Array) -> Array:
            return heating.after(warm, power, heating.period)[0]

        self._idle = after(cold, cold)
        self._once, self._gain = np.zeros((2, *units.shape))
        for column, unit in enumerate(units):
            self._once[:, column] = after(unit, cold) - self._idle
            self._gain[:, column] = after(cold, unit) - self._idle

    def through(self, cycle: Cycle, warm: Array, spent: Array) -> tuple[Array, Array]:
        """Return temperatures and budgets at the thermal ticks of a cycle.

        Parameters
        ----------
        warm : ndarray, shape (bodies,)
            Temperatures at its start. [degC]
        spent : ndarray, shape (budgets,)
            [A^2 s]
        """
        rows = self._idle + cycle.losses @ self._gain.T
        for row in rows:
            row += self._once @ warm
            warm = row
        # What is left over at each tick: of all that came in since the last tick at which nothing was.
        total = np.cumsum(cycle.squares - self._free, axis=0)
        return rows, total + np.maximum(spent, -np.minimum.accumulate(total, axis=0))

    def course(self, cycles: Sequence[Cycle]) -> Course:
        """Return the whole of a duty of which some cycles were run, the first and the last among them.

        Parameters
        ----------
        cycles : sequence of Cycle
            In order; between two of them losses lie on the straight line.
        """
        warm = np.array([body.start for body in self.heating.heat.bodies])
        spent = np.zeros(len(self.sizes))
        rows, budgets, squares = [warm[np.newaxis]], [spent[np.newaxis]], [spent[np.newaxis]]
        meters = np.zeros(len(cycles[0].meters))
        for a, b in zip(cycles, [*cycles[1:], cycles[-1]], strict=True):
            for number in range(a.number, max(b.number, a.number + 1)):
                cycle = a if number == a.number else a.towards(b, warm)
                more, left = self.through(cycle, warm, spent)
                rows.append(more)
                budgets.append(left)
                squares.append(cycle.squares)
                meters += cycle.meters
                warm, spent = more[-1], left[-1]
        return Course(np.concatenate(rows), np.concatenate(budgets), np.concatenate(squares), meters)

    def steady(self, a: Cycle, b: Cycle) -> Array | None:
        """Return the temperatures that a cycle begins and ends at, nothing where there are none [degC].

        Parameters
        ----------
        a, b : Cycle
            Losses are taken to lie on the straight line through both.
        """
        spent = np.zeros(len(self.sizes))

        def end(warm: Array) -> Array:
            ends: Array = self.through(a.towards(b, warm), warm, spent)[0][-1]
            return ends

        base = end(b.start)
        slope = np.array([end(b.start + unit) - base for unit in np.eye(len(base))]).T
        if np.max(np.abs(np.linalg.eigvals(slope)), initial=0.0) >= 1.0:
            return None
        found: Array = b.start + np.linalg.solve(np.eye(len(base)) - slope, base - b.start)
        return found
