"""How much more delay a loop can stand, at its reading and at its command.

Without active damping both stand the same delay, but for sampling. With it, a delay at the command delays the
damping too, one at the reading does not.

Ahead of the sampler a delay is continuous: it is realised exactly by sampling that much earlier with the
instants of delivery fixed. Behind it, and at the command, latency acts as a staircase: it does nothing until
the value misses the tick of its reader, then it is older by the whole step.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from math import gcd
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.carried import Known
from shaftloop.analysis.cost import MapWork
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.margins import Margins, margins_of_each
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.response import fundamental
from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop_models.parameters import Delay
from shaftloop_models.part import Part, Sensor
from shaftloop_models.supply import SUPPLY

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
_Sender = Sensor | Loop
_Item = TypeVar("_Item", Part, Loop)

__all__ = ["DelayMargin", "PathMargin", "delay_margin"]

_LONGEST = 1000
"""Samples of a delay beyond which it is that of the response: one step more or less no longer matters."""
_FURTHEST = 100
"""Multiple of the delay that the response predicts, up to which the boundary is looked for."""

_Excess = Callable[[int], float]


@dataclass(frozen=True)
class PathMargin:
    """Additional delay at one place that brings a loop to the boundary of stability."""

    value: float | None
    """[s]; None with a reason."""
    reason: str = ""
    """Why there is none; empty where there is one."""
    endless: bool = False
    """Whether there is none because no delay matters."""


@dataclass(frozen=True)
class DelayMargin:
    """What additional delay brings a loop to the boundary of stability."""

    reading: PathMargin
    """Smallest delay of the signal ahead of the sampler that makes the bench unstable, to one tick."""
    command: PathMargin
    """Largest additional output latency of the loop that leaves the bench stable."""
    plateau: PathMargin
    """Additional latency after the sampler that changes nothing."""
    edge: PathMargin
    """Largest additional latency after the sampler that leaves the bench stable."""

    def smaller_first(self) -> tuple[tuple[str, PathMargin], tuple[str, PathMargin]]:
        """Return ``reading`` and ``command`` with their margins, the smaller first."""
        both = ("reading", self.reading), ("command", self.command)
        size = [np.inf if path.value is None else path.value for _, path in both]
        return both if size[0] <= size[1] else (both[1], both[0])


_NEVER = PathMargin(None, "the loop gain never reaches 1, so no delay makes it unstable", endless=True)
_NOT_FOUND = PathMargin(None, f"stable with all delays up to {_FURTHEST} times what the response predicts")


def delay_margin(description: Description, margins: Margins, start: Known | None = None) -> DelayMargin:
    """Return the delay margins of a loop.

    Parameters
    ----------
    margins : Margins
        Of the loop, at the operating point of interest.
    start : mapping, optional
        The steady state there, by slot.
    """
    if not margins.stable:
        unstable = PathMargin(None, "the bench is unstable as it is")
        return DelayMargin(unstable, unstable, unstable, unstable)
    bench = _DelayedBench(description, margins, start)
    sensor = description.part(bench.source)
    at_reading, at_command = bench.predicted()
    command = bench.last_edge(bench.sender(), at_command)
    if sensor is not None and sensor.samples:
        sensor = cast(Sensor, sensor)
        plateau = PathMargin(float(bench.stairs(sensor)[0] * bench.tick))
        reading, edge = bench.ahead(sensor, at_reading), bench.last_edge(sensor, at_reading)
        return DelayMargin(reading, command, plateau, edge)
    missing = PathMargin(None, "ideal speed feedback has no sampler; from the response")
    return DelayMargin(_NEVER if at_reading is None else PathMargin(at_reading), command, missing, missing)


class _DelayedBench:
    """A stable bench, and the same with more delay at one place."""

    def __init__(self, description: Description, margins: Margins, start: Known | None) -> None:
        self._description, self._margins, self._start = description, margins, start
        self._bench = HyperMap(description, MapWork({}))
        self._loop = self._bench.bench.loops[margins.loop]
        self.source = self._loop.source
        self.tick = Fraction(1, self._bench.run.clock.ticks_per_second)

    def predicted(self) -> tuple[float | None, float | None]:
        """Return the margins at reading and command by the response, None where no delay matters [s]."""
        margins = self._margins
        whole = margins.phase_delay_margin
        if self._loop.parameters.active_damping is None:
            return whole, whole
        state = held_state(self._bench, margins.point, self._start)
        torque = self._bench.bench.model.layout.number(f"{margins.loop}.damping")
        damping = fundamental(self._bench.open([self._loop], state, [torque]), margins.frequency)
        # What is left of the loop at its reading, the damping closed.
        return _smallest_delay(margins.frequency, (margins.response - damping) / (1.0 + damping)), whole

    def sender(self) -> Loop:
        """Return the loop whose command goes to the machine: the loop itself or its limiter."""
        name = self._margins.loop
        limiters = [loop for loop in self._description.loop if loop.limiter_of == name]
        return (limiters or [loop for loop in self._description.loop if loop.name == name])[0]

    def ahead(self, sensor: Sensor, predicted: float | None) -> PathMargin:
        """Return the delay ahead of the sampler at which the largest eigenvalue reaches 1."""
        if predicted is None:
            return _NEVER
        if predicted > _LONGEST * _timing(sensor)[0]:
            return PathMargin(predicted)
        guess = round(self._soonest(predicted) / self.tick)
        found = _first_unstable(lambda n: self._excess(_earlier(sensor, n * self.tick)), guess)
        return _NOT_FOUND if found is None else PathMargin(float(found * self.tick))

    def last_edge(self, sender: _Sender, predicted: float | None) -> PathMargin:
        """Return the last edge of the staircase behind a sender before the bench is unstable."""
        if predicted is None:
            return _NEVER
        if predicted > _LONGEST * _timing(sender)[0]:
            return PathMargin(predicted)
        first, step = self.stairs(sender)

        def edge(number: int) -> Fraction:
            return (first + (number - 1) * step) * self.tick

        soonest = predicted if isinstance(sender, Loop) else self._soonest(predicted)
        guess = max(round((soonest / self.tick - first) / step) + 1, 1)
        found = _first_unstable(
            lambda n: self._excess(_later(sender, edge(n) + self.tick) if n else sender), guess
        )
        return _NOT_FOUND if found is None else PathMargin(float(edge(found)))

    def _soonest(self, predicted: float) -> float:
        """Return what is predicted, or what another loop is predicted to stand at the same reading [s].

        A delay there is a delay for all that read it.
        """
        return min([predicted, *self._beside])

    @cached_property
    def _beside(self) -> list[float]:
        beside = [
            loop
            for loop in self._bench.bench.loops.values()
            if loop.source == self.source and loop.break_slot >= 0 and not loop.parameters.limiter_of
        ]
        beside.remove(self._loop)
        if not beside:
            return []
        state = held_state(self._bench, self._margins.point, self._start)
        found = margins_of_each(self._bench, beside, self._margins.point, state)
        return [of.phase_delay_margin for of in found if of.phase_delay_margin is not None]

    def stairs(self, sender: _Sender) -> tuple[int, int]:
        """Return the first edge of the staircase behind a sender and the distance to the next [tick]."""
        period, latency = _timing(sender)
        reads_at, phase = self._reader(sender)
        step = gcd(int(reads_at / self.tick), int(period / self.tick))
        return int((phase - sender.phase - latency) / self.tick) % step, step

    def _reader(self, sender: _Sender) -> tuple[Fraction, Fraction]:
        """Return period and phase of who reads what a sender has delivered [s]."""
        loop = self._loop.parameters
        command = isinstance(sender, Loop)
        carried = loop.name if command else sender.name
        hop = next((hop for hop in self._description.hop if hop.carries == carried), None)
        if hop is not None:
            return hop.period, hop.phase
        if not command or loop.acts_on == SUPPLY:
            return 1 / loop.rate, loop.phase
        clock = self._bench.bench.machines[loop.acts_on].parameters.timing()
        return clock.period, clock.phase

    def _excess(self, changed: _Sender) -> float:
        """Return by how much the largest eigenvalue exceeds 1 with a sensor or a loop changed."""
        old = self._description
        line = tuple(_swapped(part, changed) for part in old.line)
        loops = tuple(_swapped(loop, changed) for loop in old.loop)
        bench = HyperMap(replace(old, line=line, loop=loops), MapWork({}, 4.0))
        state = held_state(bench, self._margins.point, self._start)
        return spectral_radius(bench.dynamics(state)) - 1.0


def _swapped(item: _Item, changed: _Sender) -> _Item:
    """Return the item of a list, or the changed one in its place."""
    return changed if isinstance(changed, type(item)) and changed.name == item.name else item


def _smallest_delay(frequency: Array, response: Complex) -> float | None:
    """Return the smallest delay that turns a gain crossover onto -180°, from the points of a grid [s]."""
    size = np.log(np.abs(response))
    at = np.flatnonzero(size[:-1] * size[1:] < 0.0)
    if not len(at):
        return None
    share = size[at] / (size[at] - size[at + 1])
    where, value = ((1.0 - share) * of[at] + share * of[at + 1] for of in (frequency, response))
    return float(np.min(np.degrees(np.angle(-value)) % 360.0 / 360.0 / where))


def _timing(sender: _Sender) -> tuple[Fraction, Fraction]:
    """Return period and latency of a sensor or loop [s]."""
    clock = sender.timing()
    return clock.period, clock.latency


def _earlier(sensor: Sensor, delay: Fraction) -> Sensor:
    """Return a sensor that samples earlier and delivers at the same instants."""
    period, latency = _timing(sensor)
    phase, late = (sensor.phase - delay) % period, Delay(latency + delay)
    return replace(sensor, phase=phase, latency=late)  # type: ignore[call-arg]


def _later(sender: _Sender, delay: Fraction) -> _Sender:
    """Return a sensor or loop that delivers later."""
    latency = Delay(_timing(sender)[1] + delay)
    if isinstance(sender, Loop):
        return replace(sender, output_latency=latency)
    return replace(sender, latency=latency)  # type: ignore[call-arg]


def _first_unstable(excess: _Excess, guess: int) -> int | None:
    """Return the smallest number, near a guess, at which the excess is positive; at 0 it is not."""
    wide = 1 + guess // 1000
    low, high = max(guess - wide, 0), guess + wide
    below, above = excess(low), excess(high)
    while below >= 0.0 and low > 0:
        wide *= 8
        low, high, above = max(low - wide, 0), low, below
        below = excess(low)
    while above < 0.0:
        wide *= 8
        low, high, below = high, high + wide, above
        above = excess(high)
        if high > _FURTHEST * guess:
            return None
    side = 0.0
    while high - low > 1:
        share = below / (below - above)
        middle = low + min(max(round(share * (high - low)), 1), high - low - 1)
        value = excess(middle)
        # An end that stays once more is taken for nearer to the boundary, by the bend seen: it might stay.
        nearer = max(1.0 - value / (below if value < 0.0 else above), 0.1) if value * side > 0.0 else 1.0
        side = value
        if value < 0.0:
            low, below, above = middle, value, above * nearer
        else:
            high, above, below = middle, value, below * nearer
    return high
