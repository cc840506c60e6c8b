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
    before: float,
    angle: float,
    edge: float,
    speed: float,
    now: float,
    period: float,
    known: tuple[float, float, float],
    clock: float,
) -> tuple[float, float, float, float]:
    """Return speed from timed edges [rad/s], angle left over [rad], instant of the last edge [s], its way.

    Between two samples the angle is taken for the parabola through both angles with the speed at the end: it
    crosses every edge between them, so an edge is never timed before the previous sample. The speed is the
    angle between two edges over the time between them, thus 0 where an edge is passed back over.

    Parameters
    ----------
    before, angle : float
        Angle since the last counted edge, after the previous sample and now. [rad]
    edge : float
        Angle between edges. [rad]
    speed : float
        At the sample. [rad/s]
    now, period : float
        Instant of this sample, and the time since the previous one. [s]
    known : tuple of float
        Instant of the last edge [s]; its way, 1 forwards, -1 backwards, 0 before the first edge; speed
        reported before [rad/s].
    clock : float
        Rate of the clock. [Hz]
    """
    last, way, reported = known
    edges = math.floor(angle / edge)
    rest = angle - edge * edges
    if edges == 0:
        bound = edge / max(now - last, 1.0 / clock)
        return min(max(reported, -bound), bound), rest, last, way
    passed = 1.0 if edges > 0 else -1.0
    beyond = rest if edges > 0 else rest - edge
    curve = (speed * period - (angle - before)) * beyond / period**2
    slope = speed + passed * math.sqrt(max(speed * speed - 4.0 * curve, 0.0))
    late = 2.0 * beyond / slope if slope * passed > 0.0 else 0.0
    came = math.floor((now - min(max(late, 0.0), period)) * clock) / clock
    if way == 0.0:
        return 0.0, rest, came, passed
    # An edge passed forwards lies at the start of the step behind it, one passed backwards at its end.
    turned = edge * (edges + 0.5 * (way - passed))
    return turned / max(came - last, 1.0 / clock), rest, came, passed
