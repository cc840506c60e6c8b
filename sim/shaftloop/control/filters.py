"""Filters on the reading as second-order sections.

The sections are designed by the bilinear transform, prewarped at the frequency that names the filter, and
run in transposed direct form II: ``y = b0·x + w1``, ``w1 = b1·x − a1·y + w2``, ``w2 = b2·x − a2·y``.

References
----------
.. [1] Bilinear transform with prewarping: G. F. Franklin, J. D. Powell, M. Workman, Digital Control of
   Dynamic Systems, chapter 6. From memory; tests compare with scipy.signal.
"""

import math

from shaftloop.control.parameters import Filter, LeadLag, Notch, ReadingLowPass
from shaftloop_models.compiled import equation

__all__ = ["Section", "biquad", "design"]

Section = tuple[float, float, float, float, float]
"""(b0, b1, b2, a1, a2), a0 = 1."""


@equation
def biquad(
    x: float, w1: float, w2: float, b0: float, b1: float, b2: float, a1: float, a2: float
) -> tuple[float, float, float]:
    """Return (output, w1, w2) of one tick of a section."""
    y = b0 * x + w1
    return y, b1 * x - a1 * y + w2, b2 * x - a2 * y


def design(spec: Filter, rate: float) -> Section:
    """Return the section of a filter at the rate of the loop [Hz]; its frequencies lie below half of it."""
    if isinstance(spec, ReadingLowPass):
        numerator, denominator = (0.0, 0.0, 1.0), (1.0, math.sqrt(2.0), 1.0)
        if spec.order == 1:
            numerator, denominator = (0.0, 0.0, 1.0), (0.0, 1.0, 1.0)
        return _bilinear(numerator, denominator, spec.cutoff, rate)
    if isinstance(spec, Notch):
        wide = 2.0 * spec.damping
        return _bilinear((1.0, spec.depth * wide, 1.0), (1.0, wide, 1.0), spec.frequency, rate)
    return _lead_lag(spec, rate)


def _lead_lag(spec: LeadLag, rate: float) -> Section:
    ratio = math.tan(math.pi * spec.pole / rate) / math.tan(math.pi * spec.zero / rate)
    return _bilinear((0.0, ratio, 1.0), (0.0, 1.0, 1.0), spec.pole, rate)


def _bilinear(
    numerator: tuple[float, float, float],
    denominator: tuple[float, float, float],
    frequency: float,
    rate: float,
) -> Section:
    """Transform polynomials in s/ω0 (s², s, 1) with ω0 = 2π·frequency mapped exactly."""
    k = 1.0 / math.tan(math.pi * frequency / rate)
    n2, n1, n0 = numerator[0] * k * k, numerator[1] * k, numerator[2]
    d2, d1, d0 = denominator[0] * k * k, denominator[1] * k, denominator[2]
    if numerator[0] == 0.0 and denominator[0] == 0.0:
        a0 = d1 + d0
        return ((n1 + n0) / a0, (n0 - n1) / a0, 0.0, (d0 - d1) / a0, 0.0)
    a0 = d2 + d1 + d0
    return (
        (n2 + n1 + n0) / a0,
        2.0 * (n0 - n2) / a0,
        (n2 - n1 + n0) / a0,
        2.0 * (d0 - d2) / a0,
        (d2 - d1 + d0) / a0,
    )
