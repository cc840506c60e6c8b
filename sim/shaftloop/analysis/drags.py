"""What brakes the bodies of the line at a speed.

The network knows: every loss that a body bears is metered as a torque times the speed of that body.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np

from shaftloop.bench.handles import Bench
from shaftloop.engine.run import Run

__all__ = ["Drags"]


class Drags:
    """The drags on some bodies of a line that turns as one.

    Parameters
    ----------
    bench : Bench
        The bench.
    run : Run
        Of that bench; its terms are asked, it is not moved.
    bodies : iterable of int
        Numbers in the line.
    """

    def __init__(self, bench: Bench, run: Run, bodies: Iterable[int]) -> None:
        net, nodes = bench.model.plant.network, [bench.line.nodes[body] for body in bodies]
        losses = {balance.element: balance.losses for balance in net.balances}
        self._run, self._still = run, np.zeros_like(run.state)
        self._rubs = {rub.held.index: rub.coulomb for rub in net.rubs}
        self._speeds = [node.speed.index for node in bench.line.nodes]
        self._paces = np.array([node.pace for node in bench.line.nodes])
        self._powers = [
            (net.meters[power.meter].name, node.pace * power.coefficient, power.a.kind, power.a.index)
            for node in nodes
            for power in net.powers
            if power.meter in losses[node.name] and power.b == node.speed
        ]

    def torques(self, speed: float) -> dict[str, float]:
        """Return the torque against the motion, at the leftmost shaft, by the name of its loss meter [N m].

        Parameters
        ----------
        speed : float
            Of the leftmost body. [rad/s]
        """
        state = self._still.copy()
        state[self._speeds] = speed * self._paces
        rubs = {held: np.copysign(size, speed) for held, size in self._rubs.items()}
        values: dict[str, Any] = {
            "output": self._run.term_outputs(state),
            "state": state,
            "one": np.ones(1),
            "held": rubs,
        }
        found: dict[str, float] = {}
        for name, coefficient, kind, index in self._powers:
            found[name] = found.get(name, 0.0) + coefficient * float(values[kind][index])
        return found
