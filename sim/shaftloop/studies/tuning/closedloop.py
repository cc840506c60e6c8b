"""A plant and its controller put together: poles, modes and responses in time."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import Controller, controller_of
from shaftloop.studies.tuning.plant import LoopPlant

__all__ = ["ClosedLoop", "Response", "close", "closed_loop"]

Array = NDArray[np.float64]

_FIRST, _MOST = 256, 4096
"""Hyperperiods that a response is looked at, at first and at most."""
_TAIL = 1e-2
"""Share of the error in the second half at which a response counts as settled."""


@dataclass(frozen=True)
class Response:
    """Reading and command at the ticks of the loop, from rest."""

    time: Array
    """Shape (n,). [s]"""
    reading: Array
    """Shape (n,)."""
    command: Array
    """Shape (n,). [N m]"""


@dataclass(frozen=True)
class ClosedLoop:
    """A closed loop over one hyperperiod: ``x⁺ = A·x + B·(r, d)``, ``(y, v) = C·x + D·(r, d)``.

    r is the set-point, d a torque added to the command; both are constant within a hyperperiod.
    """

    a: Array
    """(n, n); the plant's states come first."""
    b: Array
    """(n, 2)"""
    c: Array
    """(2p, n): readings at the p ticks, then commands."""
    d: Array
    """(2p, 2)"""
    period: float
    """Of the loop. [s]"""

    @cached_property
    def radius(self) -> float:
        """Largest absolute eigenvalue."""
        return float(np.max(np.abs(np.linalg.eigvals(self.a))))

    @cached_property
    def _powers(self) -> list[Array]:
        return [self.a]

    def _power(self, doublings: int) -> Array:
        """Return the map over ``2**doublings`` rounds."""
        while len(self._powers) <= doublings:
            self._powers.append(self._powers[-1] @ self._powers[-1])
        return self._powers[doublings]

    def walk(self, state: Array, doublings: int, count: int) -> Array:
        """Return the states from one on without input, shape (n, count).

        Parameters
        ----------
        state : ndarray, shape (n,)
            The first.
        doublings : int
            They are ``2**doublings`` rounds apart.
        count : int
            How many.
        """
        states, known = np.empty((len(state), count)), 1
        states[:, 0] = state
        while known < count:
            more = min(known, count - known)
            np.matmul(self._power(doublings), states[:, :more], out=states[:, known : known + more])
            known, doublings = known + more, doublings + 1
        return states

    def step(self, source: int, rounds: int) -> Response:
        """Return the response to a unit step.

        Parameters
        ----------
        source : int
            0 of the set-point, 1 of a torque added to the command.
        rounds : int
            Hyperperiods that are looked at; rounded up to a power of two.
        """
        ticks, later, known = len(self.c) // 2, self.b[:, source], 1
        # Rounds m to 2m follow from those before: x(k + m) = A^m·x(k) + x(m), from rest.
        doublings = max(rounds - 1, 1).bit_length()
        states = np.zeros((len(self.a), 1 << doublings))
        for number in range(doublings):
            power = self._power(number)
            states[:, known : 2 * known] = power @ states[:, :known] + later[:, None]
            later, known = power @ later + later, 2 * known
        seen = (self.c @ states).T + self.d[:, source]
        reading, command = seen[:, :ticks].ravel(), seen[:, ticks:].ravel()
        return Response(np.asarray(np.arange(len(reading)) * self.period), reading, command)

    def settled_step(self, source: int, final: float) -> Response:
        """Return the response to a unit step until it has settled for good, or for a very long time.

        Parameters
        ----------
        source : int
            0 of the set-point, 1 of a torque added to the command.
        final : float
            Where the reading ends.
        """
        rounds = _FIRST
        while True:
            response = self.step(source, rounds)
            error = np.abs(response.reading - final)
            tail = error[len(error) // 2 :].sum()
            if tail <= _TAIL * error.sum() or rounds >= _MOST:
                return response
            rounds *= 4


@lru_cache(maxsize=16)
def closed_loop(plant: LoopPlant, loop: Loop) -> ClosedLoop:
    """Return a plant in closed loop with the controller and the active damping of a loop; kept for a while.

    From as few states as its responses need.

    Parameters
    ----------
    plant : LoopPlant
        What is controlled.
    loop : Loop
        Its controller.
    """
    return close(plant.under(loop).minimal, controller_of(loop))


def close(system: OpenLoop, controller: Controller) -> ClosedLoop:
    """Return a plant in closed loop with a controller.

    Parameters
    ----------
    system : OpenLoop
        What is controlled, from the command to minus the reading.
    controller : Controller
        Its controller, of the same period.
    """
    n, m, ticks = len(system.a), len(controller.a), len(system.instants)
    # Everything is a row over (plant, controller, r, d); commands are found tick by tick.
    width = n + m + 2
    memory = np.zeros((m, width))
    memory[:, n : n + m] = np.eye(m)
    setpoint, disturbance = np.zeros(width), np.zeros(width)
    setpoint[-2], disturbance[-1] = 1.0, 1.0
    readings, commands = np.zeros((ticks, width)), np.zeros((ticks, width))
    for j in range(ticks):
        reading = np.zeros(width)
        reading[:n] = -system.c[j]
        reading -= system.d[j, :j] @ commands[:j]
        own = -system.d[j, j]
        # The command and the reading of one instant may depend on each other in a test plant.
        free = controller.c @ memory + controller.d[0] * setpoint + disturbance
        command = (free + controller.d[1] * reading) / (1.0 - controller.d[1] * own)
        reading = reading + own * command
        readings[j], commands[j] = reading, command
        memory = controller.a @ memory + np.outer(controller.b[:, 0], setpoint)
        memory += np.outer(controller.b[:, 1], reading)
    plant_next = np.zeros((n, width))
    plant_next[:, :n] = system.a
    plant_next += system.b @ commands
    after = np.vstack([plant_next, memory])
    seen = np.vstack([readings, commands])
    return ClosedLoop(after[:, :-2], after[:, -2:], seen[:, :-2], seen[:, -2:], controller.period)
