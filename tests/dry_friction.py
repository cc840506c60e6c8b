"""A line with dry friction in plain Python: events of SciPy's solver, no code of shaftloop.

Bodies on springs with viscous dampers; the torque of one machine follows its command with a lag. A body that
moves is braked by ± its Coulomb friction, one at rest stands until the torque on it exceeds its breakaway.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Body:
    """A body: inertia [kg m²], viscous drag [N m s/rad], Coulomb and breakaway torque [N m]."""

    inertia: float
    viscous: float = 0.0
    coulomb: float = 0.0
    breakaway: float | None = None


@dataclass(frozen=True)
class Line:
    """Bodies left to right, springs (stiffness, damping) between them, and the machine."""

    bodies: tuple[Body, ...]
    springs: tuple[tuple[float, float], ...]
    machine: int
    lag: float
    """[s]"""

    def torques(self, x: Array) -> Array:
        """Return the torque on every body but for its dry friction [N m]."""
        n = len(self.bodies)
        speed, twist, drive = x[:n], x[n:-1], x[-1]
        found = -np.array([body.viscous for body in self.bodies]) * speed
        found[self.machine] += drive
        for i, (stiffness, damping) in enumerate(self.springs):
            carried = stiffness * twist[i] + damping * (speed[i] - speed[i + 1])
            found[i] -= carried
            found[i + 1] += carried
        return found

    def rates(self, x: Array, ways: Sequence[int], command: float) -> Array:
        """Return x' where every body with dry friction stands (0) or moves (±1)."""
        n, rates = len(self.bodies), np.zeros_like(x)
        for i, (body, torque) in enumerate(zip(self.bodies, self.torques(x), strict=True)):
            stands = body.breakaway is not None and ways[i] == 0
            friction = 0.0 if body.breakaway is None else ways[i] * body.coulomb
            rates[i] = 0.0 if stands else (torque - friction) / body.inertia
        rates[n:-1] = x[: n - 1] - x[1:n]
        rates[-1] = (command - x[-1]) / self.lag
        return rates


Change = tuple[float, int, int]
"""Instant [s], number of the body, and where it moves from then on: 0 or the sign of its speed."""


def solve(line: Line, commands: Sequence[tuple[float, float]], end: float) -> tuple[list[Change], Array]:
    """Return what came to rest and broke loose, and the speeds at the end [rad/s].

    Parameters
    ----------
    line : Line
        At rest at the start.
    commands : sequence of (float, float)
        Instants [s] and the torque commands from then on [N m].
    end : float
        [s]
    """
    n = len(line.bodies)
    x, ways = np.zeros(2 * n), [0] * n
    changes: list[Change] = []
    spans = [*commands, (end, 0.0)]
    for (now, command), (until, _) in pairwise(spans):
        time = now
        while time < until:
            watched = [
                _event(line, i, ways[i]) for i, body in enumerate(line.bodies) if body.breakaway is not None
            ]
            found = solve_ivp(
                lambda t, y, c=command: line.rates(y, ways, c),
                (time, until),
                x,
                method="DOP853",
                rtol=1e-12,
                atol=1e-14,
                events=watched,
                max_step=1e-3,
            )
            time, x = float(found.t[-1]), found.y[:, -1].copy()
            if found.status == 1:
                _decide(line, x, ways, time, changes)
    return changes, x[:n]


def _event(line: Line, number: int, way: int):  # type: ignore[no-untyped-def]
    body = line.bodies[number]

    def stops(_: float, x: Array) -> float:
        # A body that has just broken loose begins at zero: what counts is that it falls.
        return (
            float(way * x[number]) if way else float(abs(line.torques(x)[number]) - (body.breakaway or 0.0))
        )

    stops.terminal, stops.direction = True, -1 if way else 1  # type: ignore[attr-defined]
    return stops


def _decide(line: Line, x: Array, ways: list[int], time: float, changes: list[Change]) -> None:
    """Let everything that has reached zero, or its breakaway torque, change together."""
    tight = 1e-9
    halted = [way != 0 and abs(x[i]) < tight for i, way in enumerate(ways)]
    x[: len(ways)][halted] = 0.0
    torques = line.torques(x)
    for i, body in enumerate(line.bodies):
        if body.breakaway is None or not (halted[i] or ways[i] == 0):
            continue
        loose = abs(torques[i]) >= body.breakaway * (1.0 - 1e-9)
        way = int(np.sign(torques[i])) if loose else 0
        if way != ways[i]:
            changes.append((time, i, way))
        ways[i] = way
