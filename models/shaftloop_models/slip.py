"""A torque limiter: a spring with its damper in series with dry friction.

What spring and damper would carry, ``Tt = k·(φ − s) + d·φ'``, goes through a friction that holds up to the
slip torque Ts, s being what has slipped of the twist φ [1]_:

::

    T = Tt held within ± Ts            s' = (Tt − T)/d            friction heat T·s'

So nothing slips while |Tt| < Ts, no torque is ever above Ts, and all power is accounted for:
``T·φ' = d/dt ½k·(φ − s)² + d·(φ' − s')² + T·s'``. The channel of its torque shows ``k·(φ − s)``, which
while it slips differs from T only for a time d/k after it began.

Neglected: that friction falls once it slips (static 10 to 30 % above sliding, common practice, no source),
that it grows with speed and fades with heat; that a limiter with a detent lets go altogether. Valid as long
as its lining stays within its heat per slip, which is to be held against `loss_energy.<name>.slip`.

References
----------
.. [1] Elastic element in series with dry friction (Jenkin element): common practice, no source.
"""

from dataclasses import dataclass
from typing import Any

from shaftloop_models.line import SWING_STEP, Laid, Law, Spring, SpringSite
from shaftloop_models.network import OwnKind
from shaftloop_models.parameters import ParameterError

__all__ = ["Slip", "slipping"]


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: twist, what slipped, speeds; p: stiffness, damping, ratio, slip torque; y: what slips away."""
    torque = p[0] * (x[0] - x[1]) + p[1] * (x[2] - p[2] * x[3])
    y[0] = torque - min(max(torque, -p[3]), p[3])


_SLIP = OwnKind(
    "torque limiter", _evaluate, "raise the damping of the limiter or the inertias beside it", SWING_STEP
)


@dataclass(frozen=True)
class Slip(Law):
    """A friction in series with a spring and its damper."""

    torque: float
    """Slip torque. [N m]"""
    damping: float
    """Viscous damping. [N m s/rad]"""

    def declare(self, at: SpringSite) -> Laid:
        """Add the limiter of a spring, which has no branches."""
        net, part, twist = at.net, at.part, at.twist
        k, d = at.spring.stiffness, self.damping
        taken = net.state(f"{part}.slipped", "rad")
        outputs = net.term(
            _SLIP,
            [twist, taken, at.left.speed, at.right.speed],
            [k, d, at.spring.ratio, self.torque],
            [f"{part}.slipping_torque"],
            slope=max(at.swing(k), k / d),
        )
        (over,) = outputs
        net.derivative(taken, over, 1.0 / d)
        slip = net.signal(f"{part}.slip", at.rates)
        damped = {speed: d * rate for speed, rate in at.rates.items()}
        tried = net.signal(f"{part}.tried", {twist: k, taken: -k} | damped)
        strained = net.signal(f"{part}.strained", {twist: 1.0, taken: -1.0})
        losses = [
            ("damping", "damping loss", [(d, slip, slip), (-2.0, slip, over), (1.0 / d, over, over)]),
            ("slip", "heat of what slips", [(1.0 / d, over, tried), (-1.0 / d, over, over)]),
        ]
        return Laid(
            taken,
            over,
            [(-k, taken), (d, slip), (-1.0, over)],
            losses,
            (0.5 * k, strained, strained),
            outputs,
        )

    def words(self, stiffness: float) -> str:
        """Return where it slips."""
        return f"slips at {self.torque:g} N m"


def slipping(stiffness: float, damping: float | None, psi: float | None, torque: float) -> Spring:
    """Return a spring with a torque limiter.

    Parameters
    ----------
    stiffness : float
        [N m/rad]
    damping : float, optional
        Viscous damping, which it must have. [N m s/rad]
    psi : float, optional
        Relative damping, which it must not have. [1]
    torque : float
        Slip torque. [N m]

    Raises
    ------
    ParameterError
        Where the viscous damping is missing, or not the only one.
    """
    if not damping or psi is not None:
        raise ParameterError(
            "damping",
            "what slips needs a viscous damping and no loss_factor_psi: write damping, usually "
            "psi·stiffness/(4·pi²·f), f the first resonance",
        )
    return Spring(stiffness, law=Slip(torque, damping))
