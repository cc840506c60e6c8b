"""One hyperperiod of a bench in stretches between the ticks of loops, whose commands are given at each."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["START", "Cut", "Opened", "Opening"]

Array = NDArray[np.float64]
_Where = tuple[int, int, int]

START: _Where = (0, 0, -1)
"""Position at the start of a hyperperiod: tick, instant, gap."""


class Cut(NamedTuple):
    """A tick of a loop that is cut."""

    tick: int
    """Within the hyperperiod."""
    injected: int
    """Slot that carries the command in place of the controller's."""
    seen: int
    """Slot that is looked at."""
    loop: int
    """Number of the loop."""


@dataclass(frozen=True)
class Opened:
    """Derivatives of a hyperperiod with loops cut, over the mapped slots, as in `openloop.OpenLoop`."""

    a: Array
    b: Array
    c: Array
    d: Array
    ticks: NDArray[np.int64]
    """Of the cuts, one loop after the other."""
    loops: NDArray[np.intp]
    """Number of the loop of every cut."""

    def alone(self, loop: int) -> "Opened":
        """Return the same with one loop cut, the others closed.

        Parameters
        ----------
        loop : int
            Its number.
        """
        own, rest = np.flatnonzero(self.loops == loop), np.flatnonzero(self.loops != loop)
        b, d = self.b[:, own], self.d[np.ix_(own, own)]
        passed = np.linalg.inv(np.eye(len(rest)) - self.d[np.ix_(rest, rest)])
        into, beside = self.b[:, rest] @ passed, self.d[np.ix_(own, rest)] @ passed
        back, through = self.c[rest], self.d[np.ix_(rest, own)]
        found = self.a + into @ back, b + into @ through, self.c[own] + beside @ back, d + beside @ through
        return Opened(*found, self.ticks[own], self.loops[own])


class _Begun(NamedTuple):
    """How a bench stands before a tick of a loop."""

    number: int
    """Of the tick within the hyperperiod."""
    state: Array
    where: _Where


@dataclass(frozen=True)
class Opening:
    """Where loops are cut."""

    stretch: Callable[[Array, _Where, int], _Where]
    """Moves states on from a position to a tick."""
    slots: NDArray[np.intp]
    """Those that the map is about."""
    cuts: Sequence[Cut]
    """By rising tick."""
    end: int
    """Of the hyperperiod. [tick]"""

    def opened(
        self,
        base: Array,
        state: Array,
        steps: Array,
        units: Array,
        differences: Callable[[Array, Callable[[Array], Array]], Array],
    ) -> Opened:
        """Return the derivatives.

        Parameters
        ----------
        base : ndarray, shape (cuts,)
            Commands held at the cuts. [N m]
        state : ndarray, shape (slots,)
            At the start.
        steps, units : ndarray, shape (mapped slots,), (cuts,)
            By which states and commands are higher and lower.
        differences : callable
            `differences` of the mapped slots.
        """
        ac = differences(state, partial(self.moved, base)) / (2.0 * steps)
        bd = np.column_stack(self.kicked(base, state, units)) / (2.0 * units)
        count, loops = len(self.slots), np.array([cut.loop for cut in self.cuts])
        order = np.argsort(loops, kind="stable")
        ticks, rows = np.array([cut.tick for cut in self.cuts]), count + order
        return Opened(ac[:count], bd[:count, order], ac[rows], bd[rows][:, order], ticks[order], loops[order])

    def moved(self, commands: Array, pairs: Array) -> Array:
        """Return what comes to differ in pairs of states: mapped slots at the end, what is seen at each cut.

        Parameters
        ----------
        commands : ndarray, shape (cuts,)
            Held at every cut. [N m]
        pairs : ndarray, shape (2, pairs, slots)
            At the start; changed in place.
        """
        high, low = self._run(commands, _Begun(0, pairs, START))
        return np.asarray(high - low)

    def kicked(self, commands: Array, state: Array, units: Array) -> list[Array]:
        """Return what differs between a higher and a lower command at one cut, for every cut.

        Parameters
        ----------
        commands : ndarray, shape (cuts,)
            Held at all other cuts. [N m]
        state : ndarray, shape (slots,)
            At the start.
        units : ndarray, shape (cuts,)
            By which it is higher and lower. [N m]
        """
        found = []
        for begun in self._way(commands, state.copy()):
            both = np.tile(commands, (2, 1))
            both[:, begun.number] += [units[begun.number], -units[begun.number]]
            high, low = self._run(both, begun._replace(state=np.tile(begun.state, (2, 1))))
            found.append(high - low)
        return found

    def _way(self, commands: Array, state: Array) -> Iterator[_Begun]:
        """Yield how the bench stands before each cut, where a kick begins: nothing changes until there."""
        where = START
        for number, cut in enumerate(self.cuts):
            yield _Begun(number, state, where)
            state[cut.injected] = commands[number]
            where = self._onward(state, where, number)

    def _run(self, commands: Array, begun: _Begun) -> Array:
        """Return the mapped slots after a hyperperiod, then what is seen at each cut from a start on."""
        first, state, where = begun
        outputs = np.zeros((*state.shape[:-1], len(self.cuts)))
        waiting: list[int] = []
        for number in range(first, len(self.cuts)):
            state[..., self.cuts[number].injected] = commands[..., number]
            waiting.append(number)
            where, before = self._onward(state, where, number), where
            if where != before:
                for passed in waiting:
                    outputs[..., passed] = state[..., self.cuts[passed].seen]
                waiting = []
        return np.concatenate([state[..., self.slots], outputs], axis=-1)

    def _onward(self, state: Array, where: _Where, number: int) -> _Where:
        """Move on to the next tick of a cut, unless that is the same one."""
        to = self.cuts[number + 1].tick if number + 1 < len(self.cuts) else self.end
        return where if to == self.cuts[number].tick else self.stretch(state, where, to)
