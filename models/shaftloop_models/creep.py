"""Creep of a belt: its pulleys turn a little apart, in proportion to the torque.

The belt reaches the driving pulley under the tension of its tight strand and leaves it under that of the
slack one, shrinking on the way by ``(F1 - F2)/(E·A)``; on the driven pulley it grows by as much. Its torque T
feeds a speed that the spring does not see [1]_:

::

    φ' = ωl - i·ωr - g        g = c·T·|ωl|        heat T·g

so that in a steady run ``i·ωr = ωl·(1 - c·T)``: the driven pulley lags behind, whichever it is.

Neglected: gross slip beyond what friction and preload carry, centrifugal tension, stick zones while at rest.

References
----------
.. [1] Roloff/Matek, Maschinenelemente, chapter on belt drives: slip by extension (Dehnschlupf), 1 to 2 %
   at the rated torque of flat and V belts. From memory.
"""

from typing import Any

from shaftloop_models.drag import smooth_sign
from shaftloop_models.line import Spring
from shaftloop_models.network import Network, Node, OwnKind, Ref

__all__ = ["declare_creep"]

_STILL = 0.5
"""Speed over which |ω| is rounded. [rad/s]"""


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: speed, what the torque depends on; p: share per torque, rounding, number of weights, weights."""
    torque = 0.0
    for i in range(int(p[2])):
        torque += p[3 + i] * x[1 + i]
    y[0] = p[0] * torque * x[0] * smooth_sign(x[0] / p[1])


_CREEP = OwnKind("creep of a belt", _evaluate, "lower the creep, or the stiffness of the belt", 0.5)


def declare_creep(
    net: Network, part: str, spring: Spring, node: Node, elastic: dict[Ref, float], speed: float
) -> tuple[Ref, tuple[str, str, list[tuple[float, Ref, Ref]]]]:
    """Add the creep of a belt and return its speed, and a meter of its heat: name, meaning, powers.

    Parameters
    ----------
    net : Network
        Equations to extend.
    part : str
        Name of the belt.
    spring : Spring
        With its creep.
    node : Node
        Body with its left pulley.
    elastic : dict
        Its torque as a form of states. [N m]
    speed : float
        Largest speed of the left pulley, for the step rule. [rad/s]
    """
    stiffness = spring.stiffness + sum(branch.stiffness for branch in spring.branches)
    (creep,) = net.term(
        _CREEP,
        [node.speed, *elastic],
        [spring.creep, _STILL, float(len(elastic)), *elastic.values()],
        [f"{part}.creep"],
        slope=spring.creep * stiffness * speed,
    )
    torque = net.signal(f"{part}.carried", elastic)
    return creep, ("creep", "creep of the belt", [(1.0, creep, torque)])
