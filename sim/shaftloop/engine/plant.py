"""The arrays of ``x' = A·x + B·u + G·N(x)`` and the vector z that terms, powers and tasks read.

``z = [C·x, x, u, N, 1, ...]``: the signals (linear forms of the states that are in use, padded to four), the
states, the held inputs, the outputs of the nonlinear terms, the constant, and results of terms
that drive no state. Terms read states, those that parts bring along held inputs too.
"""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.network import Network, Ref, Rub

__all__ = ["Plant", "Sticking", "sticking"]

Array = NDArray[np.float64]

_BEYOND = 1e-9
"""By how much more than its breakaway torque a body needs to break loose: rounding of what accelerates it."""


@dataclass(frozen=True)
class Plant:
    """The continuous part of a bench as arrays."""

    network: Network
    a: Array
    """(n, n)"""
    b: Array
    """(n, m)"""
    g: Array
    """(n, q)"""
    c: Array
    """(r, n): signals from states."""
    rows: dict[Ref, int]
    """Row of `c` of every signal in use."""
    loose: "Plant | None" = None
    """The same without bodies that stand, where some do."""

    def standing(self, rows: Collection[int]) -> "Plant":
        """Return the plant with the states of some numbers held as they are."""
        loose = self.loose or self
        if not rows:
            return loose
        a, b, g = loose.a.copy(), loose.b.copy(), loose.g.copy()
        for array in (a, b, g):
            array[list(rows)] = 0.0
        return replace(loose, a=a, b=b, g=g, loose=loose)

    @staticmethod
    def assemble(network: Network, extra: list[Ref]) -> "Plant":
        """Return the arrays of a network; `extra` are signals needed in z beyond those of the powers."""
        n, m, q = len(network.states), len(network.helds), len(network.outputs)
        a, b, g = np.zeros((n, n)), np.zeros((n, m)), np.zeros((n, q))
        target = {"state": a, "held": b, "output": g}
        for row, source, coefficient in network.linear:
            target[source.kind][row, source.index] += coefficient
        used = [ref for power in network.powers for ref in (power.a, power.b)]
        rows: dict[Ref, int] = {}
        for ref in (*used, *extra):
            if ref.kind == "signal":
                rows.setdefault(ref, len(rows))
        c = np.zeros((len(rows), n))
        for ref, row in rows.items():
            for state, weight in network.signals[ref.index][1].items():
                c[row, state.index] += weight
        return Plant(network, a, b, g, c, rows)

    @cached_property
    def identity(self) -> bytes:
        """Return what is equal where the arrays are."""
        digest = hashlib.sha256()
        for part in (self.a, self.b, self.g, self.c):
            digest.update(repr(part.shape).encode() + part.tobytes())
        return digest.digest()

    def signal(self, ref: Ref, state: NDArray[np.float64]) -> float:
        """Return the value of a signal in a state."""
        return float(self.c[self.rows[ref]] @ state[: len(self.a)])

    @cached_property
    def padded_signals(self) -> int:
        """Number of signals, rounded up to a multiple of four."""
        return len(self.c) + -len(self.c) % 4

    def z(self, ref: Ref) -> int:
        """Return the index in z of a quantity."""
        return self._first[ref.kind] + (self.rows[ref] if ref.kind == "signal" else ref.index)

    @cached_property
    def _first(self) -> dict[str, int]:
        """Where in z the quantities of each kind begin."""
        n, r, m, q = self.a.shape[0], self.padded_signals, self.b.shape[1], self.g.shape[1]
        end = r + n + m + q
        return {"signal": 0, "state": r, "held": r + n, "output": r + n + m, "one": end, "aside": end + 1}


@dataclass(frozen=True)
class Sticking:
    """A body with friction that sticks."""

    rubs: tuple[Rub, ...]

    @property
    def speed(self) -> int:
        """Number of the state that is its speed."""
        return self.rubs[0].node.speed.index

    @property
    def inertia(self) -> float:
        """Of the body [kg m^2]."""
        return self.rubs[0].node.inertia

    @property
    def level(self) -> float:
        """Torque beyond which it does not stand [N m]."""
        return sum(rub.breakaway for rub in self.rubs) * (1.0 + _BEYOND)


def sticking(network: Network) -> list[Sticking]:
    """Return the bodies of a network whose friction sticks."""
    found: dict[int, list[Rub]] = {}
    for rub in network.rubs:
        found.setdefault(rub.node.speed.index, []).append(rub)
    return [Sticking(tuple(rubs)) for rubs in found.values()]
