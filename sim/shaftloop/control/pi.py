"""Sampled PI controller with clamp, and the limiter that takes over from another loop."""

from shaftloop_models.compiled import equation

__all__ = ["BACK_CALCULATION", "CONDITIONAL", "pi_update", "upper_limit"]

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
def upper_limit(
    request: float,
    error: float,
    integral: float,
    active: bool,
    kp: float,
    ki: float,
    period: float,
    clamp: float,
) -> tuple[float, float, bool]:
    """Return (limit, integral, active) of a limiter that keeps a quantity from rising above its limit.

    While another loop is in charge the integral follows that loop's request, so the limit lies kp·e above
    it: the limiter changes nothing below its limit, and takes over without a bump when its error
    changes sign. In charge it is a PI controller, until it asks for more than the other loop.

    Parameters
    ----------
    request : float
        What the other loop asks for. [N m]
    error : float
        Limit minus the quantity. [rad/s]
    integral : float
        Integral part before the tick. [N m]
    active : bool
        Whether the limiter was in charge at the tick before.
    kp, ki : float
        Gains.
    period : float
        [s]
    clamp : float
        Bound of the integral, either sign. [N m]
    """
    if not active:
        integral = request
    limit = kp * error + integral
    if limit < request:
        return limit, min(max(integral + period * ki * error, -clamp), clamp), True
    return limit, integral, False
