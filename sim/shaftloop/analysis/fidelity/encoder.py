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

import numpy as np

from shaftloop_models.encoder import EDGES_PER_LINE, Encoder, speed_quantum

__all__ = ["EncoderFigures", "crossover_speed", "encoder_figures", "timing_quantum"]


@dataclass(frozen=True)
class EncoderFigures:
    """Figures of an encoder at a speed."""

    name: str
    edges: int
    """Per turn."""
    counting: float
    """Step of the counted speed. [rad/s]"""
    counting_relative: float | None
    """Relative to the speed; None at rest. [1]"""
    timing: float | None
    """Step of the speed from timed edges; None without a clock. [rad/s]"""
    timing_relative: float | None
    """[1]"""
    crossover: float | None
    """Speed at which both resolve alike; timing is better below. [rad/s]"""
    delay: float
    """Half the counting period and the latency. [s]"""
    turn_error: float
    """Amplitude of the angle error once per turn. [rad]"""
    turn_ripple: float
    """Amplitude of the speed ripple that it makes, after counting over the period. [rad/s]"""
    turn_frequency: float
    """[Hz]"""


def timing_quantum(speed: float, edges: int, clock: float) -> float:
    """Return the step of a speed from the time between neighbouring edges [rad/s].

    Parameters
    ----------
    speed : float
        [rad/s]
    edges : int
        Per turn.
    clock : float
        Of the timer. [Hz]
    """
    return speed**2 * edges / (2.0 * math.pi * clock)


def crossover_speed(edges: int, clock: float, gate: float) -> float:
    """Return the speed at which counting and timing resolve alike [rad/s].

    Parameters
    ----------
    edges : int
        Per turn.
    clock : float
        Of the timer. [Hz]
    gate : float
        Counting period. [s]
    """
    return 2.0 * math.pi / edges * math.sqrt(clock / gate)


def encoder_figures(
    encoder: Encoder, speed: float, clock: float | None = None, turn_error: float = 0.0
) -> EncoderFigures:
    """Return the figures of an encoder at a speed.

    Parameters
    ----------
    encoder : Encoder
        Parameters.
    speed : float
        [rad/s]
    clock : float, optional
        Of a timer of edges. [Hz]
    turn_error : float
        Amplitude of the angle error once per turn, e.g. eccentricity over radius of the grating. [rad]
    """
    edges, period = EDGES_PER_LINE * encoder.lines, float(1 / encoder.sampling)
    speed = abs(speed)
    counting = speed_quantum(edges, period)
    timing = None if clock is None else timing_quantum(speed, edges, clock)
    turning = speed / (2.0 * math.pi)
    mean_over_period = float(np.sinc(turning * period))
    return EncoderFigures(
        encoder.name,
        edges,
        counting,
        counting / speed if speed else None,
        timing,
        timing / speed if timing is not None and speed else None,
        None if clock is None else crossover_speed(edges, clock, period),
        0.5 * period + float(encoder.latency.seconds(1 / encoder.sampling)),
        turn_error,
        speed * turn_error * abs(mean_over_period),
        turning,
    )
