"""A spring that stiffens, or softens, with its twist.

The elastic torque is an odd function of the twist φ, either cubic or through points of a data sheet:

::

    F = k·φ + c·φ³           or        F(φ) monotone through the points, slope k at φ = 0

Between points it is a cubic that does not overshoot [1]_, beyond the last one it goes on with its slope.
What damps acts on the *stretched* twist σ, ``σ' = √(F'(φ)/k)·φ'``: a damper d and Maxwell branches of
forces g carry ``√(F'/k)·(d·σ' + Σg)``. So damping grows with the tangent stiffness F', the relative damping
ψ of small motions is the same at every mean torque, as data sheets of elastomer couplings state it [2]_, and
no energy is made.

A quick state follows ``φ − T/k``, for whoever reads the torque as ``k·(φ − b)`` (channels, peaks): exactly
for the elastic part, within 1/(100·λ) for the damping, λ = √(F'·(1/J1 + i²/J2)). Equations and meters take
the torque itself.

Neglected: creep, temperature, ageing, that ψ depends on amplitude (10 to 30 % over the range of a data sheet,
common practice, no source). Valid up to the last point; small motions are those about the operating point.

References
----------
.. [1] F. N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic interpolants",
   SIAM Journal on Scientific and Statistical Computing 5 (1984) 300-304.
   From memory; the tests compare with that of scipy.
.. [2] One ψ beside stiffnesses at several torques: common practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Annotated, Any

from shaftloop_models.compiled import equation
from shaftloop_models.line import SWING_STEP, Laid, Law, Spring, SpringSite
from shaftloop_models.network import ONE, OwnKind
from shaftloop_models.parameters import ParameterError, Quantity
from shaftloop_models.play import QUICK

__all__ = ["MOST_POINTS", "CurvePoint", "Progressive", "progressive", "segment"]

MOST_POINTS = 5
"""Points of a characteristic, its origin aside."""


@dataclass(frozen=True)
class CurvePoint:
    """A point of the torque over the twist."""

    twist: Annotated[float, Quantity("rad", "twist", gt=0.0)]
    torque: Annotated[float, Quantity("N m", "torque at this twist", gt=0.0)]


@equation
def segment(t: float, width: float, rise: float, begins: float, ends: float) -> tuple[float, float]:
    """Return (rise so far [N m], slope [N m/rad]) of a cubic between two points.

    Parameters
    ----------
    t : float
        Place between the points, 0 to 1. [1]
    width, rise : float
        From the first to the second. [rad], [N m]
    begins, ends : float
        Slopes at the two. [N m/rad]
    """
    chord = rise / width
    second, third = 3.0 * chord - 2.0 * begins - ends, begins + ends - 2.0 * chord
    return width * t * (begins + t * (second + t * third)), begins + t * (2.0 * second + 3.0 * t * third)


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """x: twist, speeds, forces; p: stiffness, ratio, damping, number of forces, c, number of points, points.

    y: torque missing against the linear spring, rate of the twist that carries nothing, rate of the stretch
    beyond the twist, torque of the damper.
    """
    k, slip = p[0], x[1] - p[1] * x[2]
    size, count = abs(x[0]), int(p[5])
    torque, slope = size * (k + p[4] * size * size), k + 3.0 * p[4] * size * size
    if count:
        place = 0  # of the first number of the point at or below, 0 for the origin
        for i in range(count):
            if size >= p[6 + 3 * i]:
                place = 6 + 3 * i
        low, base, begins = (p[place], p[place + 1], p[place + 2]) if place else (0.0, 0.0, k)
        above = place + 3 if place else 6
        if above < 6 + 3 * count:
            width = p[above] - low
            risen, slope = segment((size - low) / width, width, p[above + 1] - base, begins, p[above + 2])
            torque = base + risen
        else:
            torque, slope = base + begins * (size - low), begins
    stretch = math.sqrt(slope / k)
    forces = 0.0
    for i in range(int(p[3])):
        forces += x[3 + i]
    y[3] = stretch * stretch * p[2] * slip
    y[2] = (stretch - 1.0) * slip
    y[1] = (1.0 - slope / k) * slip
    y[0] = (
        k * x[0]
        - math.copysign(torque, x[0])
        - (stretch * stretch - 1.0) * p[2] * slip
        - (stretch - 1.0) * forces
    )


_PROGRESSIVE = OwnKind(
    "progressive spring",
    _evaluate,
    "lower its stiffness at the limit torque or raise the inertias beside it",
    SWING_STEP,
)


@dataclass(frozen=True)
class Progressive(Law):
    """Torque over twist of a spring, and the largest torque that is expected."""

    cubic: float
    """c. [N m/rad^3]"""
    points: tuple[tuple[float, float, float], ...]
    """Twist [rad], torque [N m] and slope [N m/rad] by rising twist; empty for a cubic."""
    most: float
    """Up to which the step rule follows its slope. [N m]"""

    def declare(self, at: SpringSite) -> Laid:
        """Add what it adds to the linear spring."""
        net, part, spring, forces, k = at.net, at.part, at.spring, at.forces, at.spring.stiffness
        steepest = max(k, self.curve(k, self.strain(k, self.most))[1], *(slope for *_, slope in self.points))
        fastest = at.swing(steepest)
        numbers = [k, spring.ratio, spring.damping, float(len(forces)), self.cubic, float(len(self.points))]
        outputs = net.term(
            _PROGRESSIVE,
            [at.twist, at.left.speed, at.right.speed, *forces],
            [*numbers, *(value for point in self.points for value in point)],
            [f"{part}.{name}" for name in ("missing_torque", "free_rate", "stretch_rate", "damper_torque")],
            slope=fastest,
        )
        lost, rate, stretched, damped = outputs
        taken = net.state(f"{part}.free_twist", "rad")
        net.derivative(taken, taken, -QUICK * fastest)
        net.derivative(taken, lost, QUICK * fastest / k)
        net.derivative(taken, rate, 1.0)
        powers = []
        if spring.damping:
            powers.append((1.0, damped, net.signal(f"{part}.slip", at.rates)))
        for force, branch in zip(forces, spring.branches, strict=True):
            net.derivative(force, stretched, branch.stiffness)
            powers.append((1.0 / (branch.stiffness * branch.time_constant), force, force))
        stored = net.potential([at.twist], partial(self._energy, k))
        return Laid(
            taken, lost, [(-1.0, lost)], [("damping", "damping loss", powers)], (1.0, stored, ONE), outputs
        )

    def words(self, stiffness: float) -> str:
        """Return what the tangent is at the largest torque."""
        _, slope = self.curve(stiffness, self.strain(stiffness, self.most))
        return f"{slope / stiffness:.3g} times as stiff at {self.most:g} N m"

    def curve(self, stiffness: float, twist: float) -> tuple[float, float]:
        """Return elastic torque [N m] and tangent stiffness [N m/rad].

        Parameters
        ----------
        stiffness : float
            At zero torque. [N m/rad]
        twist : float
            [rad]
        """
        found = [0.0] * 4
        numbers = [stiffness, 1.0, 0.0, 0.0, self.cubic, float(len(self.points))]
        _evaluate([twist, 1.0, 0.0], [*numbers, *(v for point in self.points for v in point)], found)
        return stiffness * twist - found[0], stiffness * (1.0 - found[1])

    def strain(self, stiffness: float, torque: float) -> float:
        """Return the twist under a steady torque [rad], by halving an interval."""
        low, high = 0.0, 1.0
        while self.curve(stiffness, high)[0] < abs(torque):
            high *= 2.0
        for _ in range(100):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.curve(stiffness, middle)[0] < abs(torque) else (low, middle)
        return math.copysign(high, torque)

    def _energy(self, stiffness: float, values: Sequence[float]) -> float:
        """Return the elastic energy at a twist [J]: of a cubic, or of its cubics by Gauss, which is exact."""
        size = abs(values[0])
        if not self.points:
            return 0.5 * stiffness * size**2 + 0.25 * self.cubic * size**4
        ends = [0.0, *(min(point[0], size) for point in self.points), size]
        away = math.sqrt(1.0 / 3.0)
        return sum(
            0.5 * (b - a) * self.curve(stiffness, 0.5 * (a + b) + side * 0.5 * (b - a) * away)[0]
            for a, b in pairwise(ends)
            for side in (-1.0, 1.0)
        )


def progressive(spring: Spring, cubic: float, points: Sequence[CurvePoint], most: float | None) -> Spring:
    """Return a spring with a characteristic.

    Parameters
    ----------
    spring : Spring
        Linear, with its stiffness at zero torque.
    cubic : float
        0 where points are given. [N m/rad^3]
    points : sequence of CurvePoint
        Empty where `cubic` is given.
    most : float, optional
        Largest torque that is expected. [N m]

    Raises
    ------
    ParameterError
        Where both are given, the points do not rise or contradict the stiffness, or the torque is missing.
    """
    if cubic and points:
        raise ParameterError(
            "cubic_stiffness", f"{cubic:g} N m/rad^3 beside a characteristic: give one of them"
        )
    if most is None:
        raise ParameterError("rated", "missing: a stiffness that changes with the torque is judged by it")
    if len(points) > MOST_POINTS:
        raise ParameterError("characteristic", f"{len(points)} points; allowed: up to {MOST_POINTS}")
    pairs = [(0.0, 0.0), *((point.twist, point.torque) for point in points)]
    widths = [b[0] - a[0] for a, b in pairwise(pairs)]
    rises = [b[1] - a[1] for a, b in pairwise(pairs)]
    for number, (width, rise) in enumerate(zip(widths, rises, strict=True), 1):
        if width <= 0.0 or rise <= 0.0:
            raise ParameterError(
                "characteristic",
                f"point {number} ({pairs[number][0]:g} rad, {pairs[number][1]:g} N m) does not lie above "
                "the one before it: twist and torque must both rise from point to point",
            )
    chords = [rise / width for width, rise in zip(widths, rises, strict=True)]
    k = spring.stiffness
    if chords and not chords[0] / 3.0 <= k <= 3.0 * chords[0]:
        raise ParameterError(
            "stiffness",
            f"{k:g} N m/rad at zero torque contradicts the first point of the characteristic, "
            f"{chords[0]:g} N m/rad on the way there; allowed: a third to three times of it",
        )
    slopes = [
        3.0 * (w0 + w1) / ((2.0 * w1 + w0) / c0 + (w1 + 2.0 * w0) / c1)
        for w0, w1, c0, c1 in zip(widths, widths[1:], chords, chords[1:], strict=False)
    ] + chords[-1:]
    known = tuple((*pair, slope) for pair, slope in zip(pairs[1:], slopes, strict=True))
    return replace(spring, law=Progressive(cubic, known, most))
