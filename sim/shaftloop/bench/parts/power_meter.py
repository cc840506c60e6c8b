"""A power meter on the bench: no part of the line, it reads the energy that a machine takes from the link."""

from collections.abc import Iterator
from typing import Any

from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.control.reading import digitise
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel
from shaftloop_models.power_meter import PowerMeter, lag_share

__all__ = ["BenchPowerMeter"]


def _sample(x: Any, p: Any, y: Any) -> None:
    """x: energy; p: rate, share of the lag, gain, zero, range, quantum; y: reading, energy before, power."""
    y[2] += p[1] * ((x[1] - y[1]) * p[0] - y[2])
    y[1] = x[1]
    y[0] = digitise(y[2], p[2], p[3], 0.0, 1.0, p[4], p[5])


class BenchPowerMeter:
    """A power meter on a bench; `energy` is the slot of what its machine has taken from the link."""

    reading_slot: int

    def __init__(self, parameters: PowerMeter, wiring: Wiring, energy: int) -> None:
        self.parameters = part = parameters
        layout, clock = wiring.layout, part.timing()
        self.reading_slot = layout.add(f"{part.name}.reading", SlotKind.HELD, "W")
        emit = wiring.line(part.name, "W", clock, self.reading_slot)
        memory = layout.add(f"{part.name}.memory", SlotKind.HELD, "", 2)
        errors = 1.0 + part.gain_error, part.zero, part.range, part.resolution
        slots = -1, (energy,), (emit, memory, memory + 1)
        numbers = float(part.sampling), lag_share(part), *errors
        wiring.own_task(f"{part.name}.sample", Priority.SAMPLE, clock, _sample, slots, numbers)

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield the reading."""
        yield Channel(f"{prefix}power", "W", (("state", self.reading_slot, 1.0),))
