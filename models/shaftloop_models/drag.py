"""Drag of bearings, seals and air.

Torque against the motion: ``d·ω + Tc·tanh(ω/ω_s) + w·ω·|ω|``.

The Coulomb part is smoothed: it reaches 76 % of `coulomb` at the speed `smoothing` and 99.5 % at
three times that, so a bench at rest creeps; valid above a few times the smoothing speed. With `breakaway` it
is not smoothed in a run: a body that moves is braked by `coulomb`, one at rest stands until the torque on it
exceeds `breakaway` (Coulomb friction with stiction [1]_). Analyses take the smooth form either way.
Neglected: the Stribeck dip between the two, presliding, that longer rest sticks harder, temperature.

References
----------
.. [1] H. Olsson et al., "Friction models and friction compensation", European Journal of Control
   4 (1998) 176-195, section 2 (static models). From memory.
"""

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from shaftloop_models.compiled import equation
from shaftloop_models.network import Network, Node, Rub, TermKind
from shaftloop_models.parameters import Checked, ParameterError, Quantity

__all__ = ["SATURATED", "Drag", "coulomb_torque", "declare_drag", "smooth_sign", "windage_torque"]

SATURATED = 20.0
"""Argument from which `smooth_sign` is exactly ±1."""
_POWERS_OF_TWO = 2.0 ** np.arange(64)
_LOG2_E = 1.4426950408889634
_LN2_HIGH = 0.693147180369123816490
_LN2_LOW = 1.90821492927058770002e-10


@equation
def smooth_sign(x: float) -> float:
    """Return tanh(x), absolute error below 3e-16, exactly ±1 from ``|x| >= 20``; NaN stays NaN.

    Own polynomial instead of the C library's, so that every kernel gives the same bits, and for
    speed: ``1 − 2/(exp(2|x|) + 1)`` with exp by range reduction and its Taylor polynomial of order 13.

    Parameters
    ----------
    x : float
        [1]
    """
    size = abs(x)
    if not size < SATURATED:  # NaN as well: as a table index below it would read foreign memory
        return x if math.isnan(x) else math.copysign(1.0, x)
    y = 2.0 * size
    k = int(y * _LOG2_E + 0.5)
    r = (y - k * _LN2_HIGH) - k * _LN2_LOW
    p = 1.0 / 6227020800.0
    p = p * r + 1.0 / 479001600.0
    p = p * r + 1.0 / 39916800.0
    p = p * r + 1.0 / 3628800.0
    p = p * r + 1.0 / 362880.0
    p = p * r + 1.0 / 40320.0
    p = p * r + 1.0 / 5040.0
    p = p * r + 1.0 / 720.0
    p = p * r + 1.0 / 120.0
    p = p * r + 1.0 / 24.0
    p = p * r + 1.0 / 6.0
    p = p * r + 0.5
    p = p * r + 1.0
    p = p * r + 1.0
    magnitude: float = 1.0 - 2.0 / (p * _POWERS_OF_TWO[k] + 1.0)
    return magnitude if x >= 0.0 else -magnitude


@equation
def coulomb_torque(speed: float, coulomb: float, smoothing: float) -> float:
    """Return the smoothed Coulomb drag, which has the sign of the speed [N m].

    Parameters
    ----------
    speed : float
        [rad/s]
    coulomb : float
        Drag torque at high speed. [N m]
    smoothing : float
        Speed over which the drag changes sign. [rad/s]
    """
    return coulomb * smooth_sign(speed / smoothing)


@equation
def windage_torque(speed: float, windage: float) -> float:
    """Return the windage drag, which has the sign of the speed [N m].

    Parameters
    ----------
    speed : float
        [rad/s]
    windage : float
        Drag torque per squared speed. [N m s^2/rad^2]
    """
    return windage * speed * abs(speed)


@dataclass(frozen=True)
class Drag(Checked):
    """Parameters of the drag on one body."""

    viscous: Annotated[float, Quantity("N m s/rad", "drag torque per speed", ge=0.0)] = 0.0
    coulomb: Annotated[float, Quantity("N m", "drag torque that does not depend on speed", ge=0.0)] = 0.0
    smoothing: Annotated[
        float, Quantity("rad/s", "speed over which the Coulomb drag changes sign", gt=0.0)
    ] = 0.5
    windage: Annotated[float, Quantity("N m s^2/rad^2", "drag torque per squared speed", ge=0.0)] = 0.0
    breakaway: Annotated[
        float | None, Quantity("N m", "torque up to which the body stands once at rest", gt=0.0)
    ] = None

    def check(self) -> None:
        """Check that what is at rest does not break loose more easily than it moves.

        Raises
        ------
        ParameterError
            Where it does.
        """
        if self.breakaway is not None and self.breakaway < self.coulomb:
            raise ParameterError(
                "breakaway",
                f"{self.breakaway:g} N m is below coulomb, {self.coulomb:g} N m; allowed: at least that",
            )


def declare_drag(
    net: Network,
    node: Node,
    drag: Drag,
    label: str,
    max_speed: float,
    meaning: str = "bearing, seal and air drag",
    *,
    sticks: bool = False,
) -> list[int]:
    """Add the drag to a node and return its loss meter, or nothing where there is no drag.

    Parameters
    ----------
    label : str
        Prefix of the names.
    max_speed : float
        Largest speed of the operating range, for the step rule. [rad/s]
    meaning : str, optional
        What the meter stands for.
    sticks : bool
        Whether `breakaway` counts.
    """
    sticks = sticks and drag.breakaway is not None
    if not (drag.viscous or drag.coulomb or drag.windage or sticks):
        return []
    speed = node.speed
    powers = []
    if drag.viscous:
        net.torque(node, speed, -drag.viscous)
        powers.append((drag.viscous, speed, speed))
    if sticks:
        held = net.held(f"{label}.coulomb", "N m")
        net.torque(node, held, -1.0)
        powers.append((1.0, held, speed))
        net.rubs.append(Rub(node, held, drag.coulomb, drag.breakaway or 0.0, len(net.meters)))
    elif drag.coulomb:
        (torque,) = net.term(
            TermKind.COULOMB,
            [speed],
            [drag.coulomb, drag.smoothing],
            [f"{label}.coulomb"],
            slope=drag.coulomb / drag.smoothing,
        )
        net.torque(node, torque, -1.0)
        powers.append((1.0, torque, speed))
    if drag.windage:
        (torque,) = net.term(
            TermKind.WINDAGE,
            [speed],
            [drag.windage],
            [f"{label}.windage"],
            slope=2.0 * drag.windage * max_speed,
        )
        net.torque(node, torque, -1.0)
        powers.append((1.0, torque, speed))
    return [net.meter(f"{label}.drag", meaning, powers)]
