"""A power meter on the bench: no part of the line, it reads the energy that a machine takes from the link."""

from collections.abc import Iterator

from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel, Task
from shaftloop.engine.rows import PowerNumbers, PowerWords
from shaftloop_models.power_meter import PowerMeter, lag_share

__all__ = ["BenchPowerMeter"]


class BenchPowerMeter:
    """A power meter on a bench; `energy` is the slot of what its machine has taken from the link."""

    reading_slot: int

    def __init__(self, parameters: PowerMeter, wiring: Wiring, energy: int) -> None:
        self.parameters = part = parameters
        layout, clock = wiring.layout, part.timing()
        self.reading_slot = layout.add(f"{part.name}.reading", SlotKind.HELD, "W")
        emit = wiring.line(part.name, "W", clock.period, clock.phase, clock.latency, self.reading_slot)
        memory = layout.add(f"{part.name}.memory", SlotKind.HELD, "", 2)
        f = PowerNumbers(
            rate=float(part.sampling),
            lag=lag_share(part),
            gain=1.0 + part.gain_error,
            zero=part.zero,
            range=part.range,
            quantum=part.resolution,
        )
        a = PowerWords(energy, emit, memory)
        name = f"{part.name}.sample"
        wiring.add(Task(name, at.POWER, clock.period, clock.phase, Priority.SAMPLE, a, f))

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield the reading."""
        yield Channel(f"{prefix}power", "W", (("state", self.reading_slot, 1.0),))
