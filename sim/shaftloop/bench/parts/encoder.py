"""An encoder on the bench: at each sample its edges become a speed."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from shaftloop.bench.parts.part import BenchPart, Ideal, Site, on_bench
from shaftloop.bench.parts.sampling import sampling_ideals
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel
from shaftloop.engine.rows import EdgesNumbers, EdgesWords
from shaftloop_models.encoder import (
    EDGES_PER_LINE,
    Encoder,
    declare_angle,
    edge_angle,
    speed_quantum,
    timing_resolution,
)
from shaftloop_models.network import Network, Node, Ref

__all__ = ["BenchEncoder"]

_FINE_EDGES = 10**7


def _turn_on(x: Any, p: Any, y: Any) -> None:
    """x: speed counted; p: edge, rate; y: angle, count."""
    y[1] += math.floor(x[1] / (p[0] * p[1]) + 0.5)
    y[0] = y[1] * p[0]


def _turned(x: Any, p: Any, y: Any) -> None:
    """x: states of the line; p: weights; y: angle."""
    y[0] = 0.0
    for i in range(int(p[0])):
        y[0] += p[1 + i] * x[1 + i]


@on_bench(Encoder)
class BenchEncoder(BenchPart[Encoder]):
    """An encoder on a bench."""

    node: Node
    """Body it turns with."""
    angle: Ref
    """State: angle since the last counted edge. [rad]"""
    turned: tuple[tuple[float, Ref], ...]
    """Its angle on a smooth bench with loops on positions, as `Site` has it."""

    def imperfections(self) -> list[Ideal]:
        """Return edges and the error of the graduation."""
        return [
            Ideal("edges of the encoder", lambda part: replace(part, lines=_FINE_EDGES), True),
            Ideal("angle error of the encoder", lambda part: replace(part, turn_error=0.0)),
        ]

    def step(self, speed: float) -> float:
        """Return the step of the speed that is read at a speed [rad/s]."""
        part = self.parameters
        edges, period, clock = EDGES_PER_LINE * part.lines, float(1 / part.sampling), part.clock_rate()
        if not clock:
            return speed_quantum(edges, period)
        if not speed:
            return 0.0
        apart = 2.0 * math.pi / (edges * abs(speed))
        return timing_resolution(speed, clock, max(period, apart))

    @property
    def guarded(self) -> dict[str, tuple[int, int | Ref]]:
        """Its reading, and the speed of its body."""
        return {"reading": (self.shown_by, self.reading_slot), "speed": (-1, self.node.speed)}

    def ideals(self) -> list[Ideal]:
        """Return it without its sampling, and without its latency."""
        return sampling_ideals(self.parameters)

    def declare(self, net: Network, site: Site) -> None:
        """Add the angle that is counted."""
        self.turned = site.turned
        self.node, self.angle = site.node, declare_angle(net, self.parameters, site.node)

    def wire(self, wiring: Wiring) -> None:
        """Add the sampler; on a smooth bench it reports the mean speed, without edges or graduation error."""
        part, clock = self.parameters, self.parameters.timing()
        self.reading_slot = wiring.layout.add(f"{self.name}.speed", SlotKind.HELD, "rad/s")
        emit = wiring.line(self.name, "rad/s", clock, self.reading_slot)
        delivery = len(wiring.tasks) - 1
        edge = 0.0 if wiring.smooth else edge_angle(part.lines)
        kind, a = at.ENCODER, EdgesWords(self.angle.index, emit)
        if not wiring.smooth and (part.turn_error or part.clock_rate()):
            memory = wiring.layout.add(f"{self.name}.edges", SlotKind.HELD, "", 5)
            kind, a = at.EDGES, a._replace(memory=memory, speed=self.node.speed.index)
        f = EdgesNumbers(edge, float(part.sampling), part.turn_error, part.turn_phase, part.clock_rate())
        sample = wiring.add(f"{self.name}.sample", kind, clock, Priority.SAMPLE, a, f)
        self.shown_by = delivery if clock.latency else sample
        if any(loop.controls and loop.reads == self.name for loop in wiring.description.loop):
            self._wire_position(wiring, emit, edge)

    def _wire_position(self, wiring: Wiring, emitted: int, edge: float) -> None:
        """Count on in whole edges, which loses no digits; a smooth bench takes the angle as it is."""
        clock, rate = self.parameters.timing(), float(self.parameters.sampling)
        self.position_slot = wiring.layout.add(f"{self.name}.position", SlotKind.HELD, "rad")
        told = f"{self.name}.position"
        emit = wiring.line(told, "rad", clock, self.position_slot)
        if wiring.smooth:
            weights, states = zip(*self.turned, strict=True)
            slots, numbers = (-1, tuple(s.index for s in states), (emit,)), (float(len(weights)), *weights)
            self.position_task = wiring.own_task(told, Priority.SAMPLE, clock, _turned, slots, numbers)
            return
        count = wiring.layout.add(f"{self.name}.count", SlotKind.INTEGER, "1")
        ends, step = (-1, (emitted,), (emit, count)), (edge, rate)
        self.position_task = wiring.own_task(told, Priority.SAMPLE, clock, _turn_on, ends, step)

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield the angle that a position loop receives."""
        if self.position_slot >= 0:
            yield Channel(f"{prefix}position", "rad", (("state", self.position_slot, 1.0),))
