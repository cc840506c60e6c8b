"""What an encoder's speed is worth: resolution of counting and of timing, delay, error once per turn.

*Counting* edges over a period T resolves ``2π/(N·T)``, whatever the speed; *timing* the distance of edges
with a clock f_c resolves ``ω²·N/(2π·f_c)``. Both are equal where the rate of the edges is ``sqrt(f_c/T)``.
Counted speed is the mean over the period, so half of it late. A grating that sits eccentric by e at the
radius r errs by the angle e/r once per turn, which shows as a speed ripple of ``ω·e/r``, the same share at
any speed.

References
----------
.. [1] Resolution of both methods: checks E8.1 to E8.3.
"""

import math
from dataclasses import dataclass
from typing import cast

import numpy as np

from shaftloop_models.encoder import EDGES_PER_LINE, Encoder, speed_quantum, timing_resolution
from shaftloop_models.part import Sensor

__all__ = ["EncoderFigures", "crossover_speed", "encoder_figures"]


@dataclass(frozen=True)
class EncoderFigures:
    """Figures of an encoder at a speed."""

    name: str
    edges: int
    """Per turn."""
    method: str
    """``counting`` or ``timing``."""
    counting: float
    """Step of the counted speed. [rad/s]"""
    counting_relative: float | None
    """Relative to the speed; None at rest. [1]"""
    timing: float | None
    """Step of the speed from the time between neighbouring edges; None at rest or without a clock. [rad/s]"""
    timing_over_period: float | None
    """The same from the last edges of two periods, as the method timing of an encoder does. [rad/s]"""
    crossover: float | None
    """Speed at which counting and timing neighbouring edges resolve alike; timing is finer below. [rad/s]"""
    delay: float
    """Half the counting period and the latency. [s]"""
    turn_error: float
    """Amplitude of the angle error once per turn. [rad]"""
    turn_ripple: float
    """Amplitude of the speed ripple that it makes, after counting over the period. [rad/s]"""
    turn_frequency: float
    """[Hz]"""


def crossover_speed(edges: int, clock: float, gate: float) -> float:
    """Return the speed at which counting over a gate [s] and timing by a clock [Hz] resolve alike [rad/s]."""
    return 2.0 * math.pi / edges * math.sqrt(clock / gate)


def encoder_figures(
    sensor: Sensor, speed: float, clock: float | None = None, turn_error: float = 0.0
) -> EncoderFigures:
    """Return the figures of an encoder at a speed [rad/s].

    In place of its own: the clock of a timer of edges [Hz], and the amplitude of the angle error once per
    turn, eccentricity over radius of the grating. [rad]
    """
    encoder = cast(Encoder, sensor)
    edges, period = EDGES_PER_LINE * encoder.lines, float(1 / encoder.sampling)
    speed, rate = abs(speed), clock or encoder.clock_rate()
    counting = speed_quantum(edges, period)
    turning = speed / (2.0 * math.pi)
    neighbours = over_period = None
    if rate and speed:
        apart = 1.0 / (edges * turning)
        neighbours = timing_resolution(speed, rate, apart)
        over_period = timing_resolution(speed, rate, max(period, apart))
    error = turn_error or encoder.turn_error
    return EncoderFigures(
        encoder.name,
        edges,
        encoder.method,
        counting,
        counting / speed if speed else None,
        neighbours,
        over_period,
        crossover_speed(edges, rate, period) if rate else None,
        0.5 * period + float(encoder.latency.seconds(1 / encoder.sampling)),
        error,
        speed * error * abs(float(np.sinc(turning * period))),
        turning,
    )
