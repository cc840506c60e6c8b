"""How much more delay a loop can stand.

Ahead of the sampler a delay is continuous: it is realised exactly by sampling that much earlier with the
instants of delivery fixed. After the sampler latency acts as a staircase: it does nothing until the
reading misses the tick of its reader, then the reading is older by the whole step.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor, gcd

from shaftloop.analysis.hypermap import HyperMap, spectral_radius
from shaftloop.analysis.margins import Margins
from shaftloop.scenario.description import Description
from shaftloop_models.encoder import Encoder
from shaftloop_models.parameters import Delay
from shaftloop_models.torque_sensor import TorqueSensor

__all__ = ["DelayMargin", "delay_margin"]

_MOST_STEPS = 4096


@dataclass(frozen=True)
class DelayMargin:
    """What additional delay brings a loop to the boundary of stability."""

    ahead: float | None
    """Delay of the continuous signal ahead of the sampler, to one tick [s]; None with a reason."""
    plateau: float | None
    """Additional latency after the sampler that changes nothing [s]; None with a reason."""
    edge: float | None
    """Largest additional latency after the sampler that leaves the bench stable [s]; None with a reason."""
    reason: str
    """Why a figure does not exist; empty where all do."""


def delay_margin(description: Description, margins: Margins) -> DelayMargin:
    """Return the delay margins of a loop.

    Parameters
    ----------
    description : Description
        The bench.
    margins : Margins
        Of the loop, at the operating point of interest.
    """
    name = description.origin(next(s.reads for s in description.loop if s.name == margins.loop))
    part = next((p for p in description.line if p.name == name), None)
    if not margins.stable:
        return DelayMargin(None, None, None, "the bench is unstable as it is")
    if margins.phase_delay_margin is None:
        return DelayMargin(None, None, None, "the loop gain never reaches 1, so no delay makes it unstable")
    if not isinstance(part, TorqueSensor | Encoder):
        return DelayMargin(
            margins.phase_delay_margin, None, None, "ideal speed feedback has no sampler; from the response"
        )

    def radius(change: Callable[[TorqueSensor | Encoder], TorqueSensor | Encoder]) -> float:
        line = tuple(change(p) if p is part and isinstance(p, type(part)) else p for p in description.line)
        bench = HyperMap(replace(description, line=line))
        return spectral_radius(bench.dynamics(bench.steady(margins.point)))

    bench = HyperMap(description)
    tick = Fraction(1, bench.run.clock.ticks_per_second)
    ahead = _ahead(part, margins.phase_delay_margin, tick, radius)
    first, step = _staircase(description, margins.loop, part, tick)
    edge = _edge(part, first, step, tick, margins.phase_delay_margin, radius)
    reason = "" if edge is not None else "stable for every latency that was tried"
    return DelayMargin(ahead, float(first * tick), edge, reason)


_Radius = Callable[[Callable[[TorqueSensor | Encoder], TorqueSensor | Encoder]], float]


def _earlier(part: TorqueSensor | Encoder, delay: Fraction) -> TorqueSensor | Encoder:
    """Return a sensor that samples earlier and delivers at the same instants."""
    period = 1 / part.sampling
    latency = Delay(part.latency.seconds(period) + delay)
    return replace(part, phase=(part.phase - delay) % period, latency=latency)


def _later(part: TorqueSensor | Encoder, delay: Fraction) -> TorqueSensor | Encoder:
    """Return a sensor that delivers later."""
    return replace(part, latency=Delay(part.latency.seconds(1 / part.sampling) + delay))


def _ahead(part: TorqueSensor | Encoder, estimate: float, tick: Fraction, radius: _Radius) -> float | None:
    """Return the delay ahead of the sampler at which the largest eigenvalue reaches 1, to one tick [s]."""

    def excess(ticks: int) -> float:
        return radius(lambda p: _earlier(p, ticks * tick)) - 1.0

    middle = round(estimate / tick)
    wide = 4 + middle // 100_000
    low, high = max(middle - wide, 0), middle + wide
    below, above = excess(low), excess(high)
    while below >= 0.0 and low > 0:
        wide *= 8
        low = max(low - wide, 0)
        below = excess(low)
    while above < 0.0:
        wide *= 8
        high += wide
        above = excess(high)
        if high > 100 * middle:
            return None
    while high - low > 1:
        share = below / (below - above)
        ticks = low + min(max(round(share * (high - low)), 1), high - low - 1)
        value = excess(ticks)
        if value < 0.0:
            low, below, above = ticks, value, 0.5 * above
        else:
            high, above, below = ticks, value, 0.5 * below
    return float(high * tick)


def _staircase(
    description: Description, loop: str, part: TorqueSensor | Encoder, tick: Fraction
) -> tuple[int, int]:
    """Return the first edge of the staircase and the distance to the next [tick]."""
    reader = next((hop for hop in description.hop if hop.carries == part.name), None)
    task = next(spec for spec in description.loop if spec.name == loop)
    period, phase = (reader.period, reader.phase) if reader else (1 / task.rate, task.phase)
    sample = 1 / part.sampling
    step = gcd(int(period / tick), int(sample / tick))
    delivered = part.phase + part.latency.seconds(sample)
    return int((phase - delivered) / tick) % step, step


def _edge(
    part: TorqueSensor | Encoder, first: int, step: int, tick: Fraction, estimate: float, radius: _Radius
) -> float | None:
    """Return the last edge of the staircase before the bench is unstable [s]."""

    def unstable(steps: int) -> bool:
        return radius(lambda p: _later(p, (first + steps * step + 1) * tick)) >= 1.0

    guess = max(floor((estimate / tick - first) / step), 1)
    low, high = -1, guess
    while not unstable(high):
        low, high = high, 2 * high + 1
        if high > _MOST_STEPS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if unstable(middle) else (middle, high)
    return float((first + high * step) * tick)
