"""Friction that sticks: who stands, who moves, and what follows for the equations.

A body that moves is braked by a held torque, ± its Coulomb friction. Where it comes to rest it stands, a
state without an equation, until the torque on it exceeds its breakaway torque. Kernels notice a change inside
a gap, go back to its start and make their way in steps of a power of two ticks to the tick at which it
happens (`engine.compiled.kernel.creep`); here the change is made.
"""

import math
from typing import TYPE_CHECKING

import numpy as np

from shaftloop.engine.compiled.kernel import pull
from shaftloop.engine.plant import sticking
from shaftloop.engine.position import Slip
from shaftloop.engine.runaway import stretch_of
from shaftloop.errors import SimulationError

if TYPE_CHECKING:
    from shaftloop.engine.build import Tables
    from shaftloop.engine.gaps import Gaps
    from shaftloop.engine.model import Model
    from shaftloop.engine.run import Run

__all__ = ["Friction"]

_MOST = 1000
"""Changes between two instants that are no motion any more."""


class Friction:
    """What sticks in one run."""

    def __init__(self, model: "Model") -> None:
        self.bodies = sticking(model.plant.network)
        self.slips: list[Slip] = []
        """What came to rest and what broke loose."""
        self._now: tuple[frozenset[int], int] = frozenset(), 1
        self._kept: dict[tuple[frozenset[int], int], tuple[Model, Gaps, Tables]] = {}

    def settle(self, run: "Run") -> None:
        """Decide who stands and who moves, at the tick at which something changes.

        A body whose speed has passed zero stops; what is left of its energy, that of less than a tick, goes
        to its drag. It moves on, or starts to move, where the torque on it exceeds what holds it.

        Raises
        ------
        SimulationError
            Where bodies come to rest and break loose much more often than tasks run.
        """
        model, state = run.model, run.state
        ways = state[model.stick_slot : model.stick_slot + len(self.bodies)]
        before = ways.copy()
        halted = [way * state[body.speed] <= 0.0 for way, body in zip(ways, self.bodies, strict=True)]
        for body in (body for body, stops in zip(self.bodies, halted, strict=True) if stops):
            energy = 0.5 * body.inertia * state[body.speed] ** 2
            meter = model.meter_slot + body.rubs[0].meter
            state[[meter, meter + len(model.plant.network.meters)]] += energy
            state[body.speed] = 0.0
        torques = np.empty(len(self.bodies))
        pull(run.tables.it, run.tables.numbers, state, run.work, torques)
        for number, body in enumerate(self.bodies):
            if halted[number]:
                loose = abs(torques[number]) > body.level
                ways[number] = math.copysign(1.0, torques[number]) if loose else 0.0
            for rub in body.rubs:
                state[len(model.plant.a) + rub.held.index] = ways[number] * rub.coulomb
            if ways[number] != before[number]:
                self.slips.append(Slip(run.position.tick, rub.node.name, int(ways[number])))
        self._check_slips(run)
        self.stand(run)

    def stand(self, run: "Run") -> None:
        """Take the equations in which those bodies stand that do so by the state of a run, at its stretch."""
        ways = run.state[run.model.stick_slot : run.model.stick_slot + len(self.bodies)]
        standing = frozenset(body.speed for body, way in zip(self.bodies, ways, strict=True) if way == 0.0)
        now = standing, stretch_of(run.model, run.state)
        if now == self._now:
            return
        self._kept[self._now] = run.equations
        self._now = now
        if now in self._kept:
            run.swap(self._kept[now])
        else:
            run.take(run.model.plant.standing(standing))

    def follow(self, run: "Run") -> None:
        """Let those move that do so by a state that was written from outside; the others stand."""
        state, model = run.state, run.model
        for number, body in enumerate(self.bodies):
            way = state[model.stick_slot + number] = np.sign(state[body.speed])
            for rub in body.rubs:
                state[len(model.plant.a) + rub.held.index] = way * rub.coulomb
        self.stand(run)

    def begin_anew(self, run: "Run") -> None:
        """Decide again after something has failed, for equations in which nothing stands yet."""
        self._kept, self._now = {}, (frozenset(), stretch_of(run.model, run.state))
        if self.bodies:
            self.settle(run)

    def _check_slips(self, run: "Run") -> None:
        if len(self.slips) < _MOST:
            return
        first = self.slips[-_MOST]
        if run.position.tick - first.tick < max(run.tables.calendar.gaps()):
            raise SimulationError(
                f"{first.body} comes to rest and breaks loose {_MOST} times between two ticks of a task, "
                f"at {run.clock.seconds(first.tick):.6g} s",
                "give its breakaway more distance from coulomb, or the springs beside it damping",
            )
