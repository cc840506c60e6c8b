"""Electrical power meter between the DC link and the inverter of a machine.

Each reading is the mean of the power over one period of `sampling`, taken from the energy that passed, so
it is exact whatever happens inside the period. Then

1. the bandwidth, as a first-order lag on these means;
2. ``y = zero + (1 + gain_error)·p``, range clamp and quantiser (half to even);
3. latency to whoever reads it.

`class_reading` and `class_range` state limits of error; they do not change the run and serve the
uncertainty of power and efficiency.

Neglected: separate voltage and current channels and their phase error (none on a DC link), sampling
inside the period, temperature.

References
----------
.. [1] Limits of error as a share of the reading plus a share of the range: common practice, no source.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from shaftloop_models.parameters import Delay, Number, Quantity, Sampled

__all__ = ["PowerMeter", "lag_share", "meter_delay"]


@dataclass(frozen=True)
class PowerMeter(Sampled):
    """Parameters of an electrical power meter."""

    name: str
    on: Annotated[str, Number("machine whose power from the link is read")]
    sampling: Annotated[Fraction, Quantity("Hz", "rate of the readings, each a mean over one period", gt=0.0)]
    range: Annotated[float, Quantity("W", "largest reading, either sign", gt=0.0)]
    bandwidth: Annotated[
        float | None, Quantity("Hz", "corner of a first-order lag; none where left out", gt=0.0)
    ] = None
    phase: Annotated[Fraction, Quantity("s", "first reading", ge=0.0)] = Fraction(0)
    latency: Annotated[
        Delay, Quantity("s", "from the end of the period to the reader", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    gain_error: Annotated[float, Quantity("1", "relative error of the gain", gt=-1.0, lt=1.0)] = 0.0
    zero: Annotated[float, Quantity("W", "reading without power")] = 0.0
    resolution: Annotated[float, Quantity("W", "quantiser step; 0 switches it off", ge=0.0)] = 0.0
    class_reading: Annotated[
        float, Quantity("1", "limit of error as a share of the reading", ge=0.0, lt=1.0)
    ] = 0.0
    class_range: Annotated[float, Quantity("1", "limit of error as a share of the range", ge=0.0, lt=1.0)] = (
        0.0
    )


def lag_share(meter: PowerMeter) -> float:
    """Return how much of a change the first-order lag passes on in one period [1]."""
    if meter.bandwidth is None:
        return 1.0
    return -math.expm1(-2.0 * math.pi * meter.bandwidth / float(meter.sampling))


def meter_delay(meter: PowerMeter) -> float:
    """Return how late a slowly changing power is read: half a period, the lag, the latency [s].

    A torque reading with another delay belongs to another instant: their product is off by the
    difference of the delays times the rate of change.
    """
    period, share = 1 / meter.sampling, lag_share(meter)
    lag = float(period) * (1.0 - share) / share
    return 0.5 * float(period) + lag + float(meter.latency.seconds(period))
