"""What brakes the bodies of the line at a speed.

The network knows: every loss that a body bears is metered as a torque times the speed of that body.
"""

from collections.abc import Iterable, Mapping
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
    levers : dict, optional
        Torque that is looked for per torque on each of these bodies; without it that at the leftmost shaft.
    """

    def __init__(
        self, bench: Bench, run: Run, bodies: Iterable[int], levers: Mapping[int, float] | None = None
    ) -> None:
        net, nodes = bench.model.plant.network, bench.line.nodes
        levers = {body: nodes[body].pace for body in bodies} if levers is None else levers
        losses = {balance.element: balance.losses for balance in net.balances}
        self._run, self._still = run, np.zeros_like(run.state)
        self._rubs = {rub.held.index: rub.coulomb for rub in net.rubs}
        self._speeds = [node.speed.index for node in bench.line.nodes]
        self._paces = np.array([node.pace for node in bench.line.nodes])
        self._powers = [
            (net.meters[power.meter].name, lever * power.coefficient, power.a.kind, power.a.index)
            for body, lever in levers.items()
            for power in net.powers
            if power.meter in losses[nodes[body].name] and power.b == nodes[body].speed
        ]

    def torques(self, speed: float) -> dict[str, float]:
        """Return the torque against the motion that is looked for, by the name of its loss meter [N m].

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
