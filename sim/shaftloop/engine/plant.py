"""The arrays of ``x' = A·x + B·u + G·N(z)`` and the vector z that terms, powers and tasks read.

``z = [1, C·x, u, outputs of the terms]``: the constant, the signals (linear forms of the states, those
that terms read first), the held inputs, and the outputs of the nonlinear terms.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.network import Network, Ref

__all__ = ["Plant"]

Array = NDArray[np.float64]


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
    read_by_terms: int
    """The first rows of `c` are the ones that terms read."""
    rows: dict[Ref, int]
    """Row of `c` of every state or signal that is used."""

    @staticmethod
    def assemble(network: Network, extra: list[Ref]) -> "Plant":
        """Return the arrays of a network.

        Parameters
        ----------
        network : Network
            The equations.
        extra : list of Ref
            States and signals that are needed in z beyond those of terms and powers.
        """
        n, m, q = len(network.states), len(network.helds), len(network.outputs)
        a, b, g = np.zeros((n, n)), np.zeros((n, m)), np.zeros((n, q))
        target = {"state": a, "held": b, "output": g}
        for row, source, coefficient in network.linear:
            target[source.kind][row, source.index] += coefficient
        terms = [ref for term in network.terms for ref in term.reads]
        powers = [ref for power in network.powers for ref in (power.a, power.b)]
        stored = [ref for balance in network.balances for _, *pair in balance.stored for ref in pair]
        rows: dict[Ref, int] = {}
        read_by_terms = 0
        for refs in (terms, [*powers, *extra, *stored]):
            for ref in refs:
                if ref.kind in ("state", "signal"):
                    rows.setdefault(ref, len(rows))
            read_by_terms = read_by_terms or len(rows)
        if not terms:
            read_by_terms = 0
        c = np.zeros((len(rows), n))
        for ref, row in rows.items():
            form = {ref: 1.0} if ref.kind == "state" else network.signals[ref.index][1]
            for state, weight in form.items():
                c[row, state.index] += weight
        return Plant(network, a, b, g, c, read_by_terms, rows)

    def z(self, ref: Ref) -> int:
        """Return the index in z of a quantity."""
        if ref.kind == "one":
            return 0
        if ref.kind == "held":
            return 1 + len(self.rows) + ref.index
        if ref.kind == "output":
            return 1 + len(self.rows) + self.b.shape[1] + ref.index
        return 1 + self.rows[ref]
