"""One hyperperiod of a bench in stretches between the ticks of a loop, whose command is given at each."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["START", "Opening"]

Array = NDArray[np.float64]
_Where = tuple[int, int, int]

START: _Where = (0, 0, -1)
"""Position at the start of a hyperperiod: tick, instant, gap."""


class _Begun(NamedTuple):
    """How a bench stands before a tick of the loop."""

    number: int
    """Of the tick within the hyperperiod."""
    state: Array
    where: _Where


@dataclass(frozen=True)
class Opening:
    """Where a loop is cut."""

    stretch: Callable[[Array, _Where, int], _Where]
    """Moves a state on from a position to a tick."""
    slots: NDArray[np.intp]
    """Those that the map is about."""
    injected: int
    """Slot that carries the command in place of the controller's."""
    seen: int
    """Slot that is looked at."""
    ends: tuple[int, ...]
    """The next tick of the loop after each of a hyperperiod, after the last one the end. [tick]"""

    def moved(self, command: float, high: Array, low: Array) -> Array:
        """Return what differs between two states: mapped slots at the end, what is seen at each tick.

        Parameters
        ----------
        command : float
            Held at every tick. [N m]
        high, low : ndarray, shape (slots,)
            At the start; changed in place.
        """
        commands = np.full(len(self.ends), command)
        return self._run(commands, _Begun(0, high, START)) - self._run(commands, _Begun(0, low, START))

    def kicked(self, command: float, state: Array, unit: float) -> list[Array]:
        """Return what differs between a higher and a lower command at one tick, for every tick.

        Parameters
        ----------
        command : float
            Held at all other ticks. [N m]
        state : ndarray, shape (slots,)
            At the start.
        unit : float
            By which it is higher and lower. [N m]
        """
        found = []
        for begun in self._way(command, state.copy()):
            commands = np.full(len(self.ends), command)
            both = []
            for sign in (1.0, -1.0):
                commands[begun.number] = command + sign * unit
                both.append(self._run(commands, begun._replace(state=begun.state.copy())))
            found.append(both[0] - both[1])
        return found

    def _way(self, command: float, state: Array) -> Iterator[_Begun]:
        """Yield how the bench stands before each tick, where a kick begins: nothing changes until there."""
        where = START
        for number, end in enumerate(self.ends):
            yield _Begun(number, state, where)
            state[self.injected] = command
            where = self.stretch(state, where, end)

    def _run(self, commands: Array, begun: _Begun) -> Array:
        """Return the mapped slots after a hyperperiod, then what is seen at each tick from a start on."""
        (first, state, where), outputs = begun, np.zeros(len(self.ends))
        for number in range(first, len(self.ends)):
            state[self.injected] = commands[number]
            where = self.stretch(state, where, self.ends[number])
            outputs[number] = state[self.seen]
        return np.concatenate([state[self.slots], outputs])
