"""What a two-way supply makes of the command of its voltage loop."""

from shaftloop_models.compiled import equation

__all__ = ["supply_tick"]

_LEAST_LINE = 0.5
"""Share of the line's voltage below which the switches are off."""


@equation
def supply_tick(
    command: float, line: float, bridged: float, integral: float, limits: tuple[float, float, float]
) -> tuple[float, float]:
    """Return the power that is asked for [W] and the integral of the loop [W].

    Beyond a limit the integral is taken back as the command is; while the switches are off it is 0.

    Parameters
    ----------
    command : float
        Of the loop. [W]
    line : float
        Share of the line's voltage. [1]
    bridged : float
        1 where the link is charged. [1]
    integral : float
        Of the loop. [W]
    limits : tuple of float
        Largest power, largest power back [W]; share of the excess that a tick takes from the integral [1].
    """
    most, back, share = limits
    if line < _LEAST_LINE or bridged < 0.5:
        return 0.0, 0.0
    used = min(max(command, -back), most)
    return used, integral + share * (used - command)
