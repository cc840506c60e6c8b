"""A torque sensor on the bench: signal path in the network, sampler, errors of the reading."""

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.part import BenchPart, Ideal, Site, on_bench
from shaftloop.bench.parts.sampling import sampling_ideals
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel, NoiseChannel
from shaftloop.engine.rows import SAMPLE_NUMBERS, AverageWords, SampleNumbers, SampleWords
from shaftloop.kernels.arrays import Floats
from shaftloop_models.network import Network, Ref
from shaftloop_models.torque_sensor import (
    TorqueSensor,
    declare_signal_path,
    hysteresis_play,
    noise_path,
    nonlinearity_coefficient,
)

__all__ = ["BenchTorqueSensor"]


@on_bench(TorqueSensor)
class BenchTorqueSensor(BenchPart[TorqueSensor]):
    """A torque sensor on a bench."""

    number: int
    """Of the part in the line, which decides its zero in a run."""
    true_torque: Ref
    """Signal. [N m]"""
    spring: int
    """Number of its spring in the line."""
    seen: Ref
    """What the sampler sees: behind low-pass and moving average. [N m]"""
    filters: tuple[Ref, ...]
    """States of the signal path, in order."""

    def imperfections(self) -> list[Ideal]:
        """Return the errors of the reading; the range is taken away with its quantiser kept."""
        return [
            Ideal("hysteresis of the torque sensor", lambda part: replace(part, hysteresis=0.0)),
            Ideal(
                "zero of the torque sensor from run to run",
                lambda part: replace(part, repeatability=0.0),
                True,
            ),
            Ideal("noise of the torque sensor", lambda part: replace(part, noise_density=0.0), True),
            Ideal(
                "quantiser of the torque sensor", lambda part: replace(part, bits=None, resolution=0.0), True
            ),
            Ideal("range of the torque sensor", _boundless),
        ]

    def ideals(self) -> list[Ideal]:
        """Return it without its low-pass, without its sampling, and without its latency."""
        found = sampling_ideals(self.parameters)
        if self.parameters.filter is not None:
            unfiltered = Ideal("sensor filter", lambda part: replace(part, filter=None, noise_density=0.0))
            found.insert(0, unfiltered)
        return found

    def declare(self, net: Network, site: Site) -> None:
        """Add the signal path."""
        edge = site.edge
        assert edge is not None, "a torque sensor has a spring"
        self.number, self.spring = site.number, site.spring
        self.true_torque = edge.elastic
        self.seen, states = declare_signal_path(net, self.parameters, edge.elastic)
        self.filters = tuple(states)

    def signals(self) -> list[Ref]:
        """Return what the sampler sees, and the true torque."""
        return [self.seen, self.true_torque]

    def wire(self, wiring: Wiring) -> None:
        """Add the sampler; a smooth one has no range, quantiser, hysteresis and repeatability."""
        part, layout, smooth = self.parameters, wiring.layout, wiring.smooth
        clock = part.timing()
        self.reading_slot = layout.add(f"{self.name}.reading", SlotKind.HELD, "N m")
        emit = wiring.line(self.name, "N m", clock, self.reading_slot)
        delivery = len(wiring.tasks) - 1
        span = math.inf if smooth or part.range is None else part.range
        reach, share = (0.0, 0.0) if smooth else hysteresis_play(part)
        follower = layout.add(f"{self.name}.hysteresis", SlotKind.HELD, "N m") if share else 0
        zero = part.zero
        if part.repeatability and not smooth:
            zero += part.repeatability * part.rated * _normal(wiring.description.seed, self.number)
        errors = SampleNumbers(
            gain=1.0 + part.gain_error,
            zero=zero,
            cubic=nonlinearity_coefficient(part),
            rated=part.rated,
            range=span,
            quantum=0.0 if smooth else part.quantiser_step(),
            reach=reach,
            share=share,
            drift=0.0,
            since=0.0,
        )
        kind, a = at.SAMPLE, tuple(SampleWords(wiring.plant.z(self.seen), emit, follower))
        count = part.averaged_samples() - 1
        if count >= 0:
            before = layout.add(f"{self.name}.means", SlotKind.DELAY, "N m", count)
            kind, a = at.AVERAGE, tuple(AverageWords(self.seen.index, emit, follower, before, count))
        task = wiring.add(f"{self.name}.sample", kind, clock, Priority.SAMPLE, a, errors)
        self.zero = task, SAMPLE_NUMBERS.zero
        self.shown_by = delivery if clock.latency else self.zero[0]

    def channels(self, prefix: str) -> Iterator[Channel]:
        """Yield true torque and reading."""
        yield Channel(f"{prefix}true_torque", "N m", (("z", self.true_torque, 1.0),))
        yield Channel(f"{prefix}reading", "N m", (("state", self.reading_slot, 1.0),))

    def peaks(self) -> list[tuple[str, Ref]]:
        """Return the true torque."""
        return [(f"{self.name}.true_torque", self.true_torque)]

    def loads(self, state: Floats) -> Iterator[Violation]:
        """Yield the reading, where its range is stated."""
        if self.parameters.range is not None:
            reading, advice = abs(float(state[self.reading_slot])), "or choose a lower torque with `torque`"
            yield Violation(
                f"range of sensor {self.name}",
                reading,
                self.parameters.range,
                "N m",
                f"raise line.{self.name}.range {advice}",
            )

    @property
    def guarded(self) -> dict[str, tuple[int, int | Ref]]:
        """Its reading, and the true torque."""
        return {"reading": (self.shown_by, self.reading_slot), "true_torque": (-1, self.true_torque)}

    def noises(self) -> list[NoiseChannel]:
        """Return the noise ahead of the low-pass."""
        if not self.parameters.noise_density:
            return []
        f, g = noise_path(self.parameters)
        return [NoiseChannel(self.filters[0].index, f, g, self.parameters.noise_density)]


def _boundless(part: TorqueSensor) -> TorqueSensor:
    return replace(part, range=None, bits=None, resolution=part.quantiser_step())


def _normal(seed: int, number: int) -> float:
    """Return the normal value of a sensor in the run with a seed."""
    return float(np.random.Generator(np.random.Philox(key=seed, counter=number)).standard_normal())
