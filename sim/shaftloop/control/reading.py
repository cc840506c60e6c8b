"""What a sampler makes of the value it sees: gain, zero, nonlinearity, range and quantiser."""

import math

from shaftloop_models.compiled import equation

__all__ = ["count_edges", "digitise"]


@equation
def digitise(
    value: float, gain: float, zero: float, cubic: float, rated: float, span: float, quantum: float
) -> float:
    """Return the reading of a sample [N m].

    Parameters
    ----------
    value : float
        Low-passed torque at the instant. [N m]
    gain : float
        1 + relative gain error.
    zero : float
        [N m]
    cubic : float
        c of ``c·v·(1 − (v/rated)²)``.
    rated : float
        [N m]
    span : float
        Largest reading, either sign. [N m]
    quantum : float
        Quantiser step, rounded half to even; 0 switches it off. [N m]
    """
    y = zero + gain * value
    if cubic != 0.0:
        y += cubic * value * (1.0 - (value / rated) ** 2)
    y = min(max(y, -span), span)
    if quantum > 0.0:
        y = quantum * _half_even(y / quantum)
    return y


@equation
def _half_even(x: float) -> float:
    down = math.floor(x)
    rest = x - down
    if rest > 0.5 or (rest == 0.5 and down % 2.0 != 0.0):
        return down + 1.0
    return float(down)


@equation
def count_edges(angle: float, edge: float, rate: float) -> tuple[float, float]:
    """Return the counted speed [rad/s] and the angle left over [rad].

    Parameters
    ----------
    angle : float
        Angle turned since the last counted edge. [rad]
    edge : float
        Angle between edges; 0 reports the mean speed without counting. [rad]
    rate : float
        Sampling rate. [Hz]
    """
    if edge == 0.0:
        return angle * rate, 0.0
    counted = edge * math.floor(angle / edge)
    return counted * rate, angle - counted
