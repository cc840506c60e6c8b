"""Temperatures of a run over time, and what of its limits of current over time is spent."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine.heat import Heat, Heating

__all__ = ["HeatTrace", "heat_trace"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HeatTrace:
    """What warmed up in a run, from one thermal tick to the next."""

    heat: Heat
    """Bodies and budgets."""
    time: Array
    """Thermal ticks, shape (rows,). [s]"""
    temperature: Array
    """Of every body, shape (rows, bodies). [degC]"""
    spent: Array
    """Share of every budget, shape (rows, budgets). [1]"""
    squared: Array
    """Integral of the squared current of every budget from the start, shape (rows, budgets). [A^2 s]"""

    def extremes(self) -> dict[str, tuple[float, float]]:
        """Return (lowest, highest) temperature of every body by its name [degC]."""
        names = (body.name for body in self.heat.bodies)
        ends = zip(self.temperature.min(axis=0).tolist(), self.temperature.max(axis=0).tolist(), strict=True)
        return dict(zip(names, ends, strict=True))

    def reached(self, values: Array, bound: float) -> float | None:
        """Return when values that stand at the thermal ticks first pass a bound, nothing where never [s].

        Parameters
        ----------
        values : ndarray, shape (rows,)
            By straight lines between thermal ticks.
        bound : float
            In their unit.
        """
        above = values > bound
        if not above.any():
            return None
        last = int(np.argmax(above))
        if last == 0:
            return float(self.time[0])
        a, b = values[last - 1 : last + 1]
        share = (bound - a) / (b - a)
        return float(self.time[last - 1] + share * (self.time[last] - self.time[last - 1]))


def heat_trace(heating: Heating) -> HeatTrace:
    """Return what warmed up in a run.

    Parameters
    ----------
    heating : Heating
        Of the run, at its end.
    """
    heat, bodies = heating.heat, len(heating.heat.bodies)
    rows = np.array([values for _, values in heating.rows])
    budgets = rows[:, heat.budget_slot(0) - heat.slots - 1 :].reshape(len(rows), -1, 3)
    return HeatTrace(
        heat,
        np.array([tick for tick, _ in heating.rows]) / heating.ticks_per_second,
        rows[:, :bodies],
        budgets[:, :, 0] / np.array([budget.size for budget in heat.budgets]),
        budgets[:, :, 1],
    )
