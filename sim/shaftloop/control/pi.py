"""Sampled PI controller with clamp, and the limiter that takes over from another loop."""

from shaftloop_models.compiled import equation

__all__ = ["BACK_CALCULATION", "CONDITIONAL", "limit_between", "pi_update", "track"]

BACK_CALCULATION = 0
"""The integrator is pulled back by what the clamp cut off, with gain ki/kp."""
CONDITIONAL = 1
"""The integrator stops while the clamp cuts and the error drives further into it."""


@equation
def pi_update(
    error: float,
    integral: float,
    kp: float,
    ki: float,
    period: float,
    direct: float,
    clamp: float,
    method: int,
) -> tuple[float, float]:
    """Return the clamped output and the new integral of one tick.

    ``u = kp·e + I + direct``, ``us = u`` inside the clamp; then the forward-Euler integral
    ``I += T·ki·e``, plus ``T·(ki/kp)·(us − u)`` with back-calculation.

    Parameters
    ----------
    error : float
        Set-point minus reading. [N m] or [rad/s]
    integral : float
        Integral part before the tick. [N m]
    kp, ki : float
        Gains.
    period : float
        Period of the loop. [s]
    direct : float
        Feedforward. [N m]
    clamp : float
        Largest output, either sign. [N m]
    method : int
        `BACK_CALCULATION` or `CONDITIONAL`.
    """
    u = kp * error + integral + direct
    us = min(max(u, -clamp), clamp)
    if method == CONDITIONAL:
        if (u > clamp and error > 0.0) or (u < -clamp and error < 0.0):
            return us, integral
        return us, integral + period * ki * error
    if us != u:
        return us, integral + period * (ki * error + (ki / kp) * (us - u))
    return us, integral + period * ki * error


@equation
def limit_between(request: float, lower: float, upper: float) -> float:
    """Return the request, cut to the limits; the upper limit wins where they cross [N m]."""
    return min(max(request, lower), upper)


@equation
def track(
    integral: float, kp: float, ki: float, period: float, error: float, output: float, used: float
) -> float:
    """Return the integral of a limiter whose output may not be the one in use.

    ``I += T·(ki·e + (ki/kp)·(used − output))``: while another loop is in charge the integral follows
    that loop's command, so that the limiter takes over without a bump when its error changes sign.

    Parameters
    ----------
    integral : float
        [N m]
    kp, ki : float
        Gains; kp above 0.
    period : float
        [s]
    error : float
        Error of the limiter. [rad/s]
    output, used : float
        What the limiter asks for, and the command in use. [N m]
    """
    return integral + period * (ki * error + (ki / kp) * (used - output))
