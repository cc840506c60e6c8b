"""A small sinusoidal torque at the air gap of a machine, and what the sampled bench makes of it.

Between the instants of its tasks the bench at its steady state is ``x' = A·x + B·u + b·e^{iωt}``. A comes
from the derivatives of the compiled terms; the tasks and the gaps behind them are the stepper's own
transitions (`HyperMap.transitions`). The state is split into ``x = X·e^{iωt} + r``. ``X = (iω − A)⁻¹·b`` is
the response of the plant alone. The rest r is driven by what the tasks see of X; one hyperperiod T maps it
to itself times ``e^{iωT}``, which gives r. So the response is exact at any frequency, also above half the
rate of a sampler: what a sampler of rate fs makes of a frequency f appears at ``|f − fs·round(f/fs)|`` with
the size given here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.tangent import term_slopes
from shaftloop.bench.handles import LoopHandle
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.torque_sensor import BenchTorqueSensor
from shaftloop_models.lowpass import state_space
from shaftloop_models.network import Ref
from shaftloop_models.part import Machine

__all__ = [
    "ForcedBench",
    "Responses",
    "SampledLine",
    "Source",
    "air_gap_torque",
    "deliveries",
    "folded",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Source = Callable[[Array], Complex]

_NOTHING = 1e-7
"""Share below which what a task sees of the plant is rounding of the differences."""
_CHUNK = 4_000_000
"""Matrix elements that are solved for at once."""


@dataclass(frozen=True)
class Responses:
    """Responses to a torque at the air gap, per N m; sampled ones at the instants of their own sampler."""

    frequency: Array
    """Shape (n,). [Hz]"""
    air_gap: Complex
    """Whole change of the machine's air-gap torque, what is put there included, shape (n,). [N m/N m]"""
    true: Complex
    """True torque at the samples of the sensor, shape (n,). [N m/N m]"""
    seen: Complex
    """What the sampler sees behind the low-pass, at the samples, shape (n,). [N m/N m]"""
    reading: Complex
    """Reading when it arrives, so with the latency in its phase, shape (n,). [N m/N m]"""
    speed: Complex
    """Speed of the machine at the samples of the sensor, shape (n,). [rad/s/(N m)]"""


@dataclass(frozen=True)
class SampledLine:
    """A line in sampled values, from a sinusoidal torque at the air gap."""

    frequency: float
    """Where it appears: from 0 to half the rate of the sampler. [Hz]"""
    size: float
    """Amplitude per N m at the air gap. [N m/N m]"""
    direct: bool
    """Whether the frequency folded once gives it; further lines are what loops of other rates add."""


class ForcedBench:
    """A smooth bench at its steady state, with a torque added at the air gap of a machine.

    The reading of one sensor is looked at. The commands of the loops are kept at their steady state if
    `held`, else the loops answer.
    """

    def __init__(self, bench: HyperMap, state: Array, machine: str, sensor: str, *, held: bool) -> None:
        from scipy.linalg import expm

        self.bench = bench
        self._machine: BenchMachine[Machine] = bench.bench.machines[machine]
        self._sensor: BenchTorqueSensor = bench.bench.sensors[sensor]
        loop = bench.bench.torque_loop()
        self.loop: LoopHandle | None = loop if loop is not None and loop.source == sensor else None
        """That controls the torque at the sensor."""
        self._ticks = np.array(bench.run.tables.calendar.ticks)
        self._times = self._ticks / bench.run.clock.ticks_per_second
        plant = bench.bench.model.plant
        self.slopes = term_slopes(bench, state)
        self.a = plant.a + plant.g @ self.slopes
        self._rows = {
            "true": self._signal_row(self._sensor.true_torque),
            "seen": self._seen_row(),
            "air_gap": self._air_gap_row(),
            "speed": np.eye(len(self.a))[self._machine.node.speed.index],
        }
        moves = bench.transitions(state, held=held)
        gaps = np.diff([*self._times, bench.hyperperiod])
        drifts = {gap: expm(self.a * gap) for gap in dict.fromkeys(gaps)}
        keep = self._keep(moves)
        count = len(self.a)
        sizes = bench.difference_steps
        self._seen_by_tasks = []
        self._moves = []
        cache: dict[int, tuple[Array, Array]] = {}
        for move, gap in zip(moves, gaps, strict=True):
            if id(move) not in cache:
                seen = move[:, :count].copy()
                seen[:count] -= drifts[gap]
                seen[np.abs(seen) * sizes[:count] < _NOTHING * sizes[:, None]] = 0.0
                cache[id(move)] = (move[np.ix_(keep, keep)], seen[keep])
            self._moves.append(cache[id(move)][0])
            self._seen_by_tasks.append(cache[id(move)][1])
        self._at = {int(bench.slots[slot]): place for place, slot in enumerate(keep)}
        self._width = len(keep)

    def respond(self, frequency: Array, source: Source | None = None) -> Responses:
        """Return the responses at some frequencies above 0, shape (n,) [Hz].

        A source acts in place of 1 N m at the air gap: it takes angular frequencies (n,) [rad/s], and returns
        what adds to the derivatives of the plant states, shape (states, n).
        """
        points = np.atleast_1d(np.asarray(frequency, dtype=np.float64))
        per_point = max(self._width**2, len(self._times) * self._width, len(self.a) ** 2)
        chunk = max(1, _CHUNK // per_point)
        parts = [self._respond(points[i : i + chunk], source) for i in range(0, len(points), chunk)]
        names = ("air_gap", "true", "seen", "reading", "speed")
        return Responses(points, *(np.concatenate([part[name] for part in parts]) for name in names))

    def states(self, frequency: float, source: Source) -> Complex:
        """Return how the plant states swing at the samples of the sensor, shape (states,); frequency [Hz]."""
        omega = np.array([2.0 * np.pi * frequency])
        return self._swing(omega, self._plant_alone(omega, source))[0][:, 0]

    def lines(
        self, frequency: float, *, received: bool = False, source: Source | None = None
    ) -> list[SampledLine]:
        """Return the lines that a torque of one frequency [Hz] makes in the readings, largest first.

        `received`: in what the torque loop receives at its ticks, in place of the readings as they arrive.

        Raises
        ------
        ValueError
            Where `received` is asked for and no torque loop reads the sensor.
        """
        period, phase = deliveries(self._sensor)
        slot = self._sensor.reading_slot
        if received:
            if self.loop is None:
                raise ValueError("no torque loop reads this sensor")
            period, phase = 1 / self.loop.parameters.rate, self.loop.parameters.phase
            slot = self.loop.reading_slot
        omega = np.array([2.0 * np.pi * frequency])
        rest = self._rest(omega, self._plant_alone(omega, source))
        instants = self._instants(period, phase)
        times = self._times[instants]
        values = np.array([rest[k + 1][self._at[slot], 0] for k in instants])
        found: dict[float, SampledLine] = {}
        for m in range(len(instants)):
            shifted = frequency + m / self.bench.hyperperiod
            size = abs(np.mean(values * np.exp(-2j * np.pi * shifted * times)))
            where = folded(shifted, float(1 / period))
            found.setdefault(round(where, 6), SampledLine(where, float(size), m == 0))
        return sorted(found.values(), key=lambda line: -line.size)

    def _respond(self, frequency: Array, source: Source | None) -> dict[str, Complex]:
        omega = 2.0 * np.pi * frequency
        wave = np.exp(1j * np.outer(self._times, omega))
        swing, rest = self._swing(omega, self._plant_alone(omega, source))
        found = {name: np.asarray(row @ swing) for name, row in self._rows.items()}
        arriving = self._instants(*deliveries(self._sensor))
        place = self._at[self._sensor.reading_slot]
        found["reading"] = sum(rest[k + 1][place] / wave[k] for k in arriving) / len(arriving)
        if source is None:
            found["air_gap"] = 1.0 + found["air_gap"]
        return found

    def _swing(self, omega: Array, plant: Complex) -> tuple[Complex, list[Complex]]:
        """Return how the plant states swing at the samples of the sensor, and r as `_rest` does."""
        rest, sensor = self._rest(omega, plant), self._sensor.parameters
        wave = np.exp(1j * np.outer(self._times, omega))
        samples = self._instants(1 / sensor.sampling, sensor.phase)
        turned = sum(self._plant_rest(rest[k], len(self.a)) / wave[k] for k in samples) / len(samples)
        return np.asarray(plant + turned), rest

    def _plant_alone(self, omega: Array, source: Source | None) -> Complex:
        """Return X of the plant alone, shape (states, n)."""
        if source is None:
            drive = np.zeros((len(self.a), len(omega)), dtype=np.complex128)
            drive[self._machine.node.speed.index] = 1.0 / self._machine.node.inertia
        else:
            drive = source(omega)
        pencil = 1j * omega[:, None, None] * np.eye(len(self.a)) - self.a
        return np.asarray(np.linalg.solve(pencil, drive.T[:, :, None])[:, :, 0].T)

    def _rest(self, omega: Array, plant: Complex) -> list[Complex]:
        """Return r before every instant, and at the end of the hyperperiod, each of shape (slots, n)."""
        shape = (self._width, len(omega))
        pushes = [
            seen @ (plant * np.exp(1j * omega * time))
            for seen, time in zip(self._seen_by_tasks, self._times, strict=True)
        ]
        once, grown = np.eye(self._width), np.zeros(shape, dtype=np.complex128)
        for move, push in zip(self._moves, pushes, strict=True):
            once, grown = move @ once, move @ grown + push
        turn = np.exp(1j * omega * self.bench.hyperperiod)
        pencil = turn[:, None, None] * np.eye(self._width) - once
        moving = np.zeros(shape, dtype=np.complex128)
        driven = np.abs(grown).max(axis=0) > 0.0
        if driven.any():
            moving[:, driven] = np.linalg.solve(pencil[driven], grown.T[driven][:, :, None])[:, :, 0].T
        states = [moving]
        for move, push in zip(self._moves, pushes, strict=True):
            moving = move @ moving + push
            states.append(moving)
        return states

    def _plant_rest(self, rest: Complex, count: int) -> Complex:
        """Return the plant's part of r, with zeros for the states that nothing looked at depends on."""
        result = np.zeros((count, rest.shape[1]), dtype=np.complex128)
        for slot, place in self._at.items():
            if slot < count:
                result[slot] = rest[place]
        return result

    def _keep(self, moves: list[Array]) -> NDArray[np.intp]:
        """Return the slots that are written at all and that something looked at depends on."""
        slots = list(self.bench.slots)
        written = np.any([np.abs(move - np.eye(len(move))).sum(axis=1) > 0.0 for move in moves], axis=0)
        depends = np.any([move != 0.0 for move in {id(m): m for m in moves}.values()], axis=0)
        wanted = np.zeros(len(slots), dtype=bool)
        for row in self._rows.values():
            wanted[: len(row)] |= row != 0.0
        readers = [self._sensor.reading_slot, *([self.loop.reading_slot] if self.loop else [])]
        wanted[[slots.index(slot) for slot in readers]] = True
        while True:
            more = wanted | depends[wanted].any(axis=0)
            if (more == wanted).all():
                return np.flatnonzero(wanted & written)
            wanted = more

    def _instants(self, period: Fraction, phase: Fraction) -> list[int]:
        """Return the numbers of the instants at which a periodic task is due."""
        clock = self.bench.run.clock
        every, first = clock.ticks(period), clock.ticks(phase)
        due = np.flatnonzero((self._ticks - first) % every == 0)
        return [int(number) for number in due]

    def _signal_row(self, ref: Ref) -> Array:
        plant = self.bench.bench.model.plant
        return np.asarray(plant.c[plant.rows[ref]])

    def _air_gap_row(self) -> Array:
        """Return the machine's own torque as a form of the plant states."""
        row = np.zeros(len(self.a))
        for weight, ref in self._machine.torque:
            if ref.kind == "output":
                row += weight * self.slopes[ref.index]
            else:
                row[ref.index] += weight
        return row

    def _seen_row(self) -> Array:
        """Return what is behind the low-pass as a form of the plant states."""
        part = self._sensor.parameters
        if part.filter is None:
            return self._signal_row(self._sensor.true_torque)
        names = [name for name, _ in self.bench.bench.model.plant.network.states]
        last = names.index(f"{part.name}.filter{state_space(part.filter)[2] + 1}")
        return np.asarray(np.eye(len(self.a))[last])


def folded(frequency: float, rate: float) -> float:
    """Return where a frequency appears in samples: how far from the nearest multiple of their rate [Hz]."""
    return abs(frequency - rate * round(frequency / rate))


def deliveries(sensor: BenchTorqueSensor) -> tuple[Fraction, Fraction]:
    """Return period and phase at which new readings arrive [s]."""
    part = sensor.parameters
    period = 1 / part.sampling
    return period, (part.phase + part.latency.seconds(period)) % period


def air_gap_torque(bench: HyperMap, state: Array, machine: str) -> float:
    """Return the air-gap torque of a machine in a state [N m]."""
    terms = bench.run.term_outputs(state)
    parts = bench.bench.machines[machine].torque
    return float(
        sum(w * (terms[ref.index] if ref.kind == "output" else state[ref.index]) for w, ref in parts)
    )
