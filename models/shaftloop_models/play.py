"""Backlash: an angle that a spring turns freely before its flanks touch.

The flanks press by ``s = φ − clip(φ)``, what the twist φ is beyond ± half the backlash, and carry

::

    T = k·s + d·(k·|s|/Tr)·φ' where they touch, 0 between          Tr rated torque

The damping grows with what presses the flanks and is `damping` at the rated torque, so that no torque jumps
where they meet [1]_. A quick state (rate 100·λ, with λ = √(k·(1/J1 + i²/J2)) that of a body between the
flanks) follows clip(φ), for whoever reads the torque as ``k·(φ − b)``: channels, peaks, the friction of a
mesh. Equations and meters take the torque itself.

Neglected: oil between the flanks, sticking. Small motions are those of the flank that touches at the
operating point; where no torque is carried, the line is open there.

References
----------
.. [1] K. H. Hunt, F. R. E. Crossley, "Coefficient of restitution interpreted as damping in vibroimpact",
   Journal of Applied Mechanics 42 (1975) 440-445: damping in proportion to the penetration. From memory.
.. [2] Dead zone with elasticity behind it: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from shaftloop_models.compiled import equation
from shaftloop_models.line import SWING_STEP, Laid, Law, Spring, SpringSite
from shaftloop_models.loss_factor import damped_spring
from shaftloop_models.network import ONE, OwnKind
from shaftloop_models.parameters import ParameterError

__all__ = ["QUICK", "Play", "held_within", "spring_with_play"]

QUICK = 100.0
"""Rate over λ at which what a channel shows follows the law of a spring."""


def spring_with_play(
    stiffness: float,
    damping: float | None,
    psi: float | None,
    band: tuple[float, float],
    play: float,
    rated: float | None,
) -> Spring:
    """Return the spring for either kind of damping, behind a backlash where there is one.

    Parameters
    ----------
    stiffness : float
        [N m/rad]
    damping : float, optional
        Viscous damping; with a backlash, that at the rated torque. [N m s/rad]
    psi : float, optional
        As for `damped_spring`; not with a backlash. [1]
    band : tuple of float
        As for `damped_spring`. [Hz]
    play : float
        0 for no backlash. [rad]
    rated : float, optional
        Rated torque. [N m]

    Raises
    ------
    ParameterError
        Where a backlash comes with a damping by energy, or with a damping but no rated torque; otherwise as
        `damped_spring`.
    """
    if not play:
        return damped_spring(stiffness, damping, psi, band)
    if psi is not None:
        raise ParameterError(
            "loss_factor_psi",
            f"{psi:g} would pull at flanks that part; with a backlash, give damping instead: that at the "
            "rated torque",
        )
    if damping and rated is None:
        raise ParameterError("rated", "missing: damping with a backlash is that at the rated torque")
    return Spring(stiffness, law=Play(play, (damping or 0.0) / (rated or 1.0)))


@equation
def held_within(angle: float, play: float) -> float:
    """Return an angle held within ± half a play [rad].

    Parameters
    ----------
    angle : float
        [rad]
    play : float
        [rad]
    """
    return min(max(angle, -0.5 * play), 0.5 * play)


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: twist, speeds of left and right; p: play, ratio, stiffness, damping per torque."""
    held = held_within(x[0], p[0])
    slip = x[1] - p[1] * x[2]
    y[0] = p[2] * held
    y[1] = p[3] * p[2] * abs(x[0] - held) * slip
    y[2] = slip if abs(x[0]) < 0.5 * p[0] else 0.0


_PLAY = OwnKind(
    "backlash",
    _evaluate,
    "lower the stiffness behind the backlash or raise the inertias beside it",
    SWING_STEP,
)


@dataclass(frozen=True)
class Play(Law):
    """A backlash."""

    play: float
    """Angle that it turns without any torque. [rad]"""
    pressed_damping: float
    """Viscous damping per torque that presses its flanks. [s/rad]"""

    def free(self) -> float:
        """Return the angle that it turns without any torque [rad]."""
        return self.play

    def declare(self, at: SpringSite) -> Laid:
        """Add the backlash of a spring, which has no branches."""
        net, part, twist = at.net, at.part, at.twist
        k, play, fastest = at.spring.stiffness, self.play, at.swing(at.spring.stiffness)
        outputs = net.term(
            _PLAY,
            [twist, at.left.speed, at.right.speed],
            [play, at.spring.ratio, k, self.pressed_damping],
            [f"{part}.play_torque", f"{part}.flank_damping", f"{part}.play_rate"],
            slope=fastest,
        )
        lost, damped, rate = outputs
        taken = net.state(f"{part}.play", "rad")
        net.derivative(taken, taken, -QUICK * fastest)
        net.derivative(taken, lost, QUICK * fastest / k)
        net.derivative(taken, rate, 1.0)
        slip = net.signal(f"{part}.slip", at.rates)
        stored = net.potential([twist], partial(_energy, k, play))
        losses = [("damping", "damping loss", [(1.0, damped, slip)])]
        return Laid(taken, lost, [(-1.0, lost), (1.0, damped)], losses, (1.0, stored, ONE), outputs)


def _energy(stiffness: float, play: float, values: Sequence[float]) -> float:
    return 0.5 * stiffness * (values[0] - held_within(values[0], play)) ** 2
