"""What may be built around a PI controller, as sections for `shaftloop.control.filters.biquad`.

T is the period of the loop, z its shift. Poles that stand for a time constant or a cutoff are mapped exactly,
``p = exp(−2π·f·T)``; the high-pass is the bilinear one, like the filters on the reading.

**Derivative.** ``D(z) = kd·(1 − z⁻¹)/T·(1 − p)/(1 − p·z⁻¹)``: the difference of two ticks behind a low-pass.
Its slope at low frequency is kd whatever the cutoff, and it never rings.

**Path model.** ``b·e^(−sτ)/(1 + s·T₁)`` behind a zero-order hold, τ = m·T + ε with 0 ≤ ε < T. With
``a = exp(−T/T₁)``, ``c₀ = 1 − exp(−(T − ε)/T₁)``, ``c₁ = 1 − a − c₀`` it is exactly

    ``P(z) = b·z^(−1−m)·(c₀ + c₁·z⁻¹)/(1 − a·z⁻¹)``,  without delay  ``P₀(z) = b·z⁻¹·(1 − a)/(1 − a·z⁻¹)``.

**Predictor** [1]_. The controller reads ``y + (P₀ − P)·u``.

**Disturbance observer** [2]_. With ``Q(z) = (1 − q)·z⁻¹/(1 − q·z⁻¹)``, the estimate of what disturbs the
command is ``Q/P₀·y − Q/P₀·P·u``; it is taken away from the command. Both factors are proper and stable, for
every delay: only the lag is inverted, never the delay or the zero that its fraction of a tick makes.

Both models read the raw reading, ahead of the filters on it, and u is the command as it left the controller,
after clamp and limiter, so neither winds up. The limits of the drive itself are not seen. What an analysis
injects behind the controller is not seen either: the loop is broken between controller and drive, and its
response is that of drive, line and sensor times the whole controller. A gain or delay margin is therefore one
of the plant, of which the models know nothing.

References
----------
.. [1] O. J. M. Smith, A controller to overcome dead time, ISA Journal 6 (1959). From memory.
.. [2] K. Ohnishi, M. Shibata, T. Murakami, Motion control for advanced mechatronics, IEEE/ASME
   Transactions on Mechatronics 1 (1996). From memory.
"""

import math
from fractions import Fraction

from shaftloop.control.filters import Section, design
from shaftloop.control.parameters import ActiveDamping, DisturbanceObserver, Loop, PathModel, Predictor
from shaftloop.control.parameters import ReadingLowPass as LowPass

__all__ = [
    "controller_response",
    "damping_section",
    "derivative_section",
    "observer_sections",
    "predictor_sections",
    "setpoint_section",
    "whole_samples",
]


def setpoint_section(cutoff: float, rate: float) -> Section:
    """Return the low-pass of the set-point: first order, bilinear, -3 dB at the cutoff [Hz]."""
    return design(LowPass("low_pass", cutoff), rate)


def derivative_section(kd: float, cutoff: float, rate: float) -> Section:
    """Return the derivative of gain kd [s] or [N m s^2/rad] behind its low-pass [Hz]."""
    pole = math.exp(-2.0 * math.pi * cutoff / rate)
    gain = kd * rate * (1.0 - pole)
    return gain, -gain, 0.0, -pole, 0.0


def damping_section(damping: ActiveDamping, rate: float) -> Section:
    """Return the gain of an active damping with its high-pass, at the rate of the loop [Hz]."""
    if damping.cutoff is None:
        return damping.gain, 0.0, 0.0, 0.0, 0.0
    b0, b1, _, a1, _ = setpoint_section(damping.cutoff, rate)
    return damping.gain * (1.0 - b0), damping.gain * (a1 - b1), 0.0, a1, 0.0


def predictor_sections(model: Predictor, period: Fraction) -> tuple[Section, Section]:
    """Return P₀ and P for the command of the tick before, the second for one delayed by whole samples."""
    pole, rise, early, late = _lag(model, period)
    gain = model.model_gain.value
    return (gain * rise, 0.0, 0.0, -pole, 0.0), (gain * early, gain * late, 0.0, -pole, 0.0)


def observer_sections(model: DisturbanceObserver, period: Fraction) -> tuple[Section, Section]:
    """Return Q/P₀ for the reading, and Q·P/P₀ for the command as for `predictor_sections`."""
    pole, rise, early, late = _lag(model, period)
    q = math.exp(-2.0 * math.pi * model.cutoff * float(period))
    share = (1.0 - q) / rise
    inverse = share / model.model_gain.value
    return (inverse, -pole * inverse, 0.0, -q, 0.0), (share * early, share * late, 0.0, -q, 0.0)


def whole_samples(model: PathModel, period: Fraction) -> int:
    """Return the whole samples m in the delay of a path, at the period of the loop [s]."""
    return math.floor(model.delay.seconds(period) / period)


def controller_response(loop: Loop, z: complex) -> complex:
    """Return what a loop makes of its reading, command over minus reading, without clamp and active damping.

    z shifts by one tick of the loop: exp(j·2π·f·T).
    """
    period, rate = 1 / loop.rate, float(loop.rate)
    forward: complex = loop.kp.value + loop.ki.value * float(period) / (z - 1.0)
    if loop.kd.value > 0.0 and loop.derivative_cutoff is not None:
        forward += _value(derivative_section(loop.kd.value, loop.derivative_cutoff, rate), z)
    for spec in loop.filters:
        forward *= _value(design(spec, rate), z)
    inner: complex = 1.0
    if loop.predictor is not None:
        prompt, delayed = predictor_sections(loop.predictor, period)
        samples = whole_samples(loop.predictor, period)
        inner += forward * (_value(prompt, z) - _value(delayed, z) * z**-samples) / z
    if loop.disturbance_observer is not None:
        read, sent = observer_sections(loop.disturbance_observer, period)
        samples = whole_samples(loop.disturbance_observer, period)
        forward += _value(read, z)
        inner -= _value(sent, z) * z ** (-samples - 1)
    return complex(forward / inner)


def _lag(model: PathModel, period: Fraction) -> tuple[float, float, float, float]:
    """Return a, 1 − a, c₀ and c₁ of a path."""
    if model.time_constant == 0.0:
        return 0.0, 1.0, 1.0, 0.0
    rest = float(period - model.delay.seconds(period) % period)
    rise = -math.expm1(-float(period) / model.time_constant)
    early = -math.expm1(-rest / model.time_constant)
    return 1.0 - rise, rise, early, rise - early


def _value(section: Section, z: complex) -> complex:
    b0, b1, b2, a1, a2 = section
    return (b0 + b1 / z + b2 / z**2) / (1.0 + a1 / z + a2 / z**2)
