"""What a sampler makes of what it sees: errors, range and quantiser of a torque; speed from edges."""

import math

from shaftloop_models.compiled import equation

__all__ = ["count_edges", "digitise", "graduation", "hysteresis", "time_edges"]


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


@equation
def hysteresis(value: float, follower: float, reach: float, share: float) -> tuple[float, float]:
    """Return the value with hysteresis and the new follower, both in the unit of the value.

    The follower is a play operator: it moves only when the value pulls it.

    Parameters
    ----------
    value : float
        [N m]
    follower : float
        Before. [N m]
    reach : float
        How far the follower lags. [N m]
    share : float
        Of the lag, added to the value.
    """
    follower = min(max(follower, value - reach), value + reach)
    return value + share * (follower - value), follower


@equation
def graduation(
    angle: float, rest: float, turn: float, error: float, phase: float
) -> tuple[float, float, float]:
    """Return the angle that a graduation with an error once per turn shows, turn, and gain of the speed.

    Parameters
    ----------
    angle : float
        Angle since the last counted edge, without the error made since the last sample. [rad]
    rest : float
        What it was after the last sample. [rad]
    turn : float
        Angle of the disc at the last sample. [rad]
    error : float
        Amplitude of the angle error. [rad]
    phase : float
        [rad]
    """
    after = turn + (angle - rest)
    after -= 2.0 * math.pi * math.floor(after / (2.0 * math.pi))
    shown = angle + error * (math.sin(after + phase) - math.sin(turn + phase))
    return shown, after, 1.0 + error * math.cos(after + phase)


@equation
def time_edges(
    angle: float, edge: float, speed: float, now: float, last: float, reported: float, clock: float
) -> tuple[float, float, float]:
    """Return the speed from timed edges [rad/s], the angle left over [rad], and when the last edge came [s].

    Parameters
    ----------
    angle : float
        Angle turned since the last counted edge. [rad]
    edge : float
        Angle between edges. [rad]
    speed : float
        At the sample, with which the instant of the last edge is found. [rad/s]
    now, last : float
        Instant of this sample, and of the last edge. [s]
    reported : float
        Speed reported before. [rad/s]
    clock : float
        Rate of the clock. [Hz]
    """
    edges = math.floor(angle / edge)
    rest = angle - edge * edges
    if edges == 0:
        bound = edge / max(now - last, 1.0 / clock)
        return min(max(reported, -bound), bound), rest, last
    late = 0.0
    if speed > 0.0:
        late = rest / speed
    elif speed < 0.0:
        late = (rest - edge) / speed
    came = math.floor(max(now - late, last) * clock) / clock
    time = max(came - last, 1.0 / clock)
    return edges * edge / time, rest, came
