"""Torque that depends on the angle of a rotor: ripple and cogging, by order.

An order n has n periods per turn, θ is the angle of the rotor:

::

    ripple   T = Σ A·cos(n·θ + φ)          A constant, or in proportion to the air-gap torque
    cogging  T = Σ A·cos(n·θ + φ) = −dE/dθ,   E = −Σ A/n·sin(n·θ + φ)

Ripple is made by current and magnets: its power T·ω comes from the DC link, free of loss. Cogging is made by
the magnets alone: it takes from the motion and gives back, and the energy E is stored in the field.

Neglected: the harmonics of the back-EMF that go with ripple and disturb the currents (with current control a
small share of the ripple); the dependence of phase and shape on load and saturation; skew and eccentricity
beyond the orders stated. An order is a ratio p/q of whole numbers, so that what depends on the angle repeats
after q turns.

References
----------
.. [1] Fourier series of the torque over the angle, and cogging as the derivative of the field energy: common
   practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Annotated, Literal

from shaftloop_models.compiled import equation
from shaftloop_models.network import ONE, Network, Node, Ref, TermKind
from shaftloop_models.parameters import Number, ParameterError, Quantity

__all__ = [
    "Cogging",
    "Ripple",
    "check_machine",
    "cosine",
    "declare_cogging",
    "declare_ripple",
    "potential_energy",
]

_TWO_OVER_PI = 0.6366197723675814
_HALF_PI_HIGH = 1.57079632673412561417
"""First 33 bits of π/2, so that its product with a count of quarters is exact."""
_HALF_PI_LOW = 6.07710050650619224932e-11
_FARTHEST = 1e9


@dataclass(frozen=True)
class Ripple:
    """One order of the torque ripple."""

    order: Annotated[Fraction, Number("periods per turn of the rotor", gt=0.0, le=1000.0)]
    amplitude: Annotated[
        float, Quantity("N m", "amplitude; with scales = torque that at rated torque", gt=0.0)
    ]
    phase: Annotated[float, Quantity("rad", "phase at angle 0", ge=-6.3, le=6.3)] = 0.0
    scales: Annotated[
        Literal["constant", "torque"],
        Number("constant amplitude, or one in proportion to the air-gap torque"),
    ] = "constant"


@dataclass(frozen=True)
class Cogging:
    """One order of the cogging torque."""

    order: Annotated[Fraction, Number("periods per turn of the rotor", gt=0.0, le=1000.0)]
    amplitude: Annotated[float, Quantity("N m", "amplitude", gt=0.0)]
    phase: Annotated[float, Quantity("rad", "phase at angle 0", ge=-6.3, le=6.3)] = 0.0


@equation
def cosine(x: float) -> float:
    """Return cos(x), absolute error below 3e-16 for ``|x| < 1e9``, else NaN.

    Own polynomials instead of the C library's, so that every kernel gives the same bits: Taylor of order
    16 and 15 around the nearest multiple of π/2.

    Parameters
    ----------
    x : float
        [rad]
    """
    if not abs(x) < _FARTHEST:
        return math.nan
    quarter = math.floor(x * _TWO_OVER_PI + 0.5)
    r = (x - quarter * _HALF_PI_HIGH) - quarter * _HALF_PI_LOW
    y = r * r
    place = int(quarter) & 3
    if place == 0 or place == 2:
        p = 1.0 / 20922789888000.0
        p = p * y - 1.0 / 87178291200.0
        p = p * y + 1.0 / 479001600.0
        p = p * y - 1.0 / 3628800.0
        p = p * y + 1.0 / 40320.0
        p = p * y - 1.0 / 720.0
        p = p * y + 1.0 / 24.0
        p = p * y - 0.5
        p = p * y + 1.0
        return p if place == 0 else -p
    p = -1.0 / 1307674368000.0
    p = p * y + 1.0 / 6227020800.0
    p = p * y - 1.0 / 39916800.0
    p = p * y + 1.0 / 362880.0
    p = p * y - 1.0 / 5040.0
    p = p * y + 1.0 / 120.0
    p = p * y - 1.0 / 6.0
    p = r * (p * y + 1.0)
    return -p if place == 1 else p


def check_machine(
    ripple: Sequence[Ripple], cogging: Sequence[Cogging], rated: float | None, strongest: float
) -> None:
    """Check ripple and cogging of a machine against its torque.

    Parameters
    ----------
    ripple : sequence of Ripple
        As stated.
    cogging : sequence of Cogging
        As stated.
    rated : float, optional
        Rated torque. [N m]
    strongest : float
        Largest torque, which stands for the rated one where that is not stated. [N m]

    Raises
    ------
    ParameterError
        Where an order is stated twice, the amplitudes exceed that torque, or one goes with the torque but
        the machine states no rated torque.
    """
    if rated is None and any(entry.scales == "torque" for entry in ripple):
        raise ParameterError(
            "ripple", 'scales = "torque" needs rated_torque: the amplitude is the one at that torque'
        )
    for key, orders in (("ripple", ripple), ("cogging", cogging)):
        _check_orders(key, orders)
        total = sum(entry.amplitude for entry in orders)
        allowed, name = (strongest, "largest") if rated is None else (rated, "rated")
        if total > allowed:
            raise ParameterError(
                key,
                f"amplitudes add up to {total:g} N m; allowed: at most the {name} torque, {allowed:g} N m; "
                "usual: 0.5 to 3 % of it",
            )


def _check_orders(key: str, orders: Sequence[Ripple | Cogging]) -> None:
    seen: set[Fraction] = set()
    for entry in orders:
        if entry.order in seen:
            raise ParameterError(
                key, f"order {entry.order} is stated twice; add the two as phasors and state their sum once"
            )
        seen.add(entry.order)


def declare_ripple(
    net: Network,
    name: str,
    orders: Sequence[Ripple],
    angle: tuple[Ref, ...],
    torque: tuple[Ref, Ref, float, float],
    reference: tuple[float | None, float],
) -> Ref:
    """Add the ripple term of a machine and return its torque, which nothing acts on yet [N m].

    Parameters
    ----------
    name : str
        Of the machine.
    orders : sequence of Ripple
        As stated, not empty.
    angle : tuple of Ref
        Angle of the rotor: the line's angle, then the twists that are subtracted from it.
    torque : tuple
        (q, d, a, b): air-gap torque without ripple as ``a·q + b·d·q``, of two states. [N m]
    reference : tuple
        (rated torque, at which amplitudes in proportion to it are stated [N m]; largest speed [rad/s]).
    """
    q, d, linear, product = torque
    rated, max_speed = reference
    values = [linear, product]
    for entry in orders:
        share = 0.0 if rated is None or entry.scales == "constant" else entry.amplitude / rated
        values += [float(entry.order), entry.phase, 0.0 if share else entry.amplitude, share]
    fastest = float(max(entry.order for entry in orders)) * max_speed
    return net.term(TermKind.RIPPLE, [q, d, *angle], values, [f"{name}.ripple"], slope=fastest)[0]


def declare_cogging(
    net: Network, name: str, orders: Sequence[Cogging], angle: tuple[Ref, ...], node: Node, max_speed: float
) -> Ref:
    """Add the cogging of a machine with its meter and stored energy, and return its torque [N m].

    Parameters
    ----------
    name : str
        Of the machine.
    orders : sequence of Cogging
        As stated, not empty.
    angle : tuple of Ref
        Angle of the rotor: the line's angle, then the twists that are subtracted from it.
    node : Node
        Body of the line that holds the rotor.
    max_speed : float
        Largest speed, for the step rule. [rad/s]
    """
    values = [0.0, 0.0]
    for entry in orders:
        values += [float(entry.order), entry.phase, entry.amplitude, 0.0]
    fastest = float(max(entry.order for entry in orders)) * max_speed
    reads = [node.speed, node.speed, *angle]
    (torque,) = net.term(TermKind.RIPPLE, reads, values, [f"{name}.cogging"], slope=fastest)
    net.torque(node, torque)
    meter = net.meter(
        f"{name}.cogging", "energy that cogging gives to the rotor", [(1.0, torque, node.speed)]
    )
    stored = [(float(o.order), o.amplitude, o.phase) for o in orders]
    field = net.potential(angle, partial(potential_energy, stored))
    net.balance(f"{name}.cogging", [], [meter], [], [(1.0, field, ONE)])
    return torque


def potential_energy(orders: Sequence[tuple[float, float, float]], angles: Sequence[float]) -> float:
    """Return the energy stored at an angle θ, ``−Σ amplitude/order·sin(order·θ + phase)`` [J].

    Parameters
    ----------
    orders : sequence of (float, float, float)
        Order, amplitude of the torque [N m], phase [rad].
    angles : sequence of float
        The line's angle, then the twists that are subtracted from it. [rad]
    """
    line, *twists = angles
    angle = line - sum(twists)
    return -math.fsum(a / n * math.sin(n * angle + phase) for n, a, phase in orders)
