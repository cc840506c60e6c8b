"""Lateral critical speeds of what turns between its supports, and its residual unbalance.

A straight elastic beam in bending (Euler and Bernoulli) with spread and concentrated mass, on ends that are
free, supported or fixed; a radial stiffness of what carries an end lies in series. Finite elements give the
frequencies; Rayleigh's quotient of the deflection under the own weight lies above the lowest one, Dunkerley's
sum of the deflections under each mass alone below it.

Neglected: shear and rotary inertia (a solid shaft ten diameters long between supports comes out 1 % high, one
of five diameters 5 %), gyroscopic inertia, damping, different stiffness in two planes, bending stiffness of
couplings.

References
----------
.. [1] Influence coefficients, Rayleigh and Dunkerley: Shigley's Mechanical Engineering Design, section 7-6,
   from memory (check E3.2).
.. [2] Residual unbalance: ISO 21940-11, quality grade G = e·ω (check E13.2).
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.parameters import Checked, Number, ParameterError, Quantity

__all__ = [
    "CLEAR",
    "Criticals",
    "End",
    "Lateral",
    "Mass",
    "Rotor",
    "critical_speeds",
    "residual_unbalance",
    "tube",
    "unbalance_force",
]

CLEAR = 1.2
"""Lowest critical speed over the largest speed in use. Common practice, no source."""
_FINE = 20
"""Elements between two places at which something sits or changes: 3e-6 of the lowest frequency."""

End = Literal["supported", "fixed", "free"]


@dataclass(frozen=True)
class Mass:
    """A mass that sits on a rotor."""

    mass: Annotated[float, Quantity("kg", "mass", gt=0.0)]
    at: Annotated[float, Quantity("m", "distance from the left end", ge=0.0)]


@dataclass(frozen=True)
class Lateral(Checked):
    """How a part is carried and what of it bends; a shaft has keys of its own for its dimensions."""

    span: Annotated[float | None, Quantity("m", "length between its ends", gt=0.0)] = None
    diameter: Annotated[float | None, Quantity("m", "outer diameter of what bends", gt=0.0)] = None
    inner_diameter: Annotated[float, Quantity("m", "its bore", ge=0.0)] = 0.0
    youngs_modulus: Annotated[
        float | None, Quantity("Pa", "in place of the material's, or of steel", gt=0.0)
    ] = None
    bending_stiffness: Annotated[
        float | None, Quantity("N m^2", "Young's modulus times second moment of area", gt=0.0)
    ] = None
    mass: Annotated[float, Quantity("kg", "mass spread evenly over the span", ge=0.0)] = 0.0
    masses: tuple[Mass, ...] = ()
    left: Annotated[End, Number("how the left end is carried")] = "supported"
    right: Annotated[End, Number("how the right end is carried")] = "supported"
    left_stiffness: Annotated[
        float | None, Quantity("N/m", "radial stiffness of what carries the left end", gt=0.0)
    ] = None
    right_stiffness: Annotated[
        float | None, Quantity("N/m", "radial stiffness of what carries the right end", gt=0.0)
    ] = None
    balance_grade: Annotated[
        float | None, Quantity("m/s", "balance quality grade G of ISO 21940-11, e.g. 6.3 mm/s", gt=0.0)
    ] = None

    def check(self) -> None:
        """Check that the ends hold it.

        Raises
        ------
        ParameterError
            Where it could move as a whole, or a free end has a stiffness.
        """
        if "fixed" not in (self.left, self.right) and "free" in (self.left, self.right):
            raise ParameterError(
                "left" if self.left == "free" else "right",
                f"{self.left} on the left and {self.right} on the right hold nothing; allowed: both ends "
                "supported, or at least one fixed",
            )
        for key, end, stiffness in (
            ("left_stiffness", self.left, self.left_stiffness),
            ("right_stiffness", self.right, self.right_stiffness),
        ):
            if end == "free" and stiffness is not None:
                raise ParameterError(
                    key, f"{stiffness:g} N/m at an end that is free; leave it out, or support the end"
                )

    def own_section(self, modulus: float) -> "tuple[float, float, float]":
        """Return length [m], bending stiffness [N m^2] and mass per length [kg/m] from its own keys.

        Parameters
        ----------
        modulus : float
            Young's modulus where none is stated. [Pa]

        Raises
        ------
        ParameterError
            Where span or bending stiffness are missing, or the latter is given twice.
        """
        if self.span is None:
            raise ParameterError("lateral", 'span is missing: length between the ends, e.g. span = "120 mm"')
        if (self.bending_stiffness is None) == (self.diameter is None):
            raise ParameterError(
                "lateral",
                "give either bending_stiffness or diameter (with inner_diameter and youngs_modulus)",
            )
        if self.bending_stiffness is not None or self.diameter is None:
            return self.span, self.bending_stiffness or 0.0, self.mass / self.span
        if self.inner_diameter >= self.diameter:
            raise ParameterError(
                "lateral",
                f"inner_diameter = {self.inner_diameter:g} m must be below the diameter {self.diameter:g} m",
            )
        stiffness = (self.youngs_modulus or modulus) * tube(self.diameter, self.inner_diameter)[0]
        return self.span, stiffness, self.mass / self.span

    def rotor(
        self, sections: "tuple[tuple[float, float, float], ...]", beside: tuple[float | None, float | None]
    ) -> "Rotor":
        """Return what bends, on its ends.

        Parameters
        ----------
        sections : tuple of (float, float, float)
            Length [m], bending stiffness [N m^2] and mass per length [kg/m] of each, left to right.
        beside : tuple of (float or None, float or None)
            Radial stiffness of what is left and right of it, for an end that states none. [N/m]

        Raises
        ------
        ParameterError
            Where a mass sits outside, or nothing has a mass.
        """
        span = sum(length for length, _, _ in sections)
        for mass in self.masses:
            if mass.at > span * (1.0 + 1e-9):
                raise ParameterError(
                    "lateral", f"a mass at = {mass.at:g} m is outside its span; allowed: 0 to {span:g} m"
                )
        carried = (self.left_stiffness or beside[0], self.right_stiffness or beside[1])
        rotor = Rotor(
            sections,
            tuple((mass.mass, min(mass.at, span)) for mass in self.masses),
            (self.left, None if self.left == "free" else carried[0]),
            (self.right, None if self.right == "free" else carried[1]),
        )
        if rotor.mass == 0.0:
            raise ParameterError("lateral", "without a mass there is no critical speed; give mass or masses")
        return rotor


@dataclass(frozen=True)
class Rotor:
    """A beam with masses on its ends."""

    sections: tuple[tuple[float, float, float], ...]
    """Length [m], bending stiffness [N m^2] and mass per length [kg/m] of each, left to right."""
    masses: tuple[tuple[float, float], ...]
    """Mass [kg] and distance from the left end [m] of each."""
    left: tuple[End, float | None]
    """How it is carried, and with which radial stiffness; nothing where that counts as stiff. [N/m]"""
    right: tuple[End, float | None]

    @property
    def mass(self) -> float:
        """Return the whole mass [kg]."""
        return sum(length * line for length, _, line in self.sections) + sum(mass for mass, _ in self.masses)


@dataclass(frozen=True)
class Criticals:
    """Lateral critical speeds of a rotor."""

    above: float
    """Bound of the lowest one from above, by Rayleigh. [rad/s]"""
    lowest: float
    """[rad/s]"""
    below: float
    """Bound of the lowest one from below, by Dunkerley. [rad/s]"""
    second: float | None
    """The next one; nothing where there is a single mass and no other. [rad/s]"""


def tube(diameter: float, inner_diameter: float) -> tuple[float, float]:
    """Return second moment of area [m^4] and area [m^2] of a circular section.

    Parameters
    ----------
    diameter, inner_diameter : float
        [m]
    """
    return (
        math.pi * (diameter**4 - inner_diameter**4) / 64.0,
        math.pi * (diameter**2 - inner_diameter**2) / 4.0,
    )


@lru_cache(maxsize=64)
def critical_speeds(rotor: Rotor) -> Criticals:
    """Return the lateral critical speeds of a rotor, with bounds of the lowest."""
    stiffness, inertia = _matrices(rotor)
    size = len(stiffness)
    gone: list[int] = []
    for (kind, radial), first in ((rotor.left, 0), (rotor.right, size - 2)):
        stiffness[first, first] += radial or 0.0
        gone += [first] if kind != "free" and radial is None else []
        gone += [first + 1] if kind == "fixed" else []
    free = np.delete(np.arange(size), gone)
    whole = inertia @ np.tile([1.0, 0.0], size // 2)
    k, m, weight = stiffness[np.ix_(free, free)], inertia[np.ix_(free, free)], whole[free]
    root = np.linalg.cholesky(k)
    half = np.linalg.solve(root, np.linalg.solve(root, m).T)
    squares = np.sort(np.linalg.eigvalsh(0.5 * (half + half.T)))[::-1]
    sag = np.linalg.solve(k, weight)
    return Criticals(
        math.sqrt(float(sag @ weight) / float(sag @ m @ sag)),
        1.0 / math.sqrt(squares[0]),
        1.0 / math.sqrt(float(np.trace(half))),
        1.0 / math.sqrt(squares[1]) if len(squares) > 1 and squares[1] > 1e-9 * squares[0] else None,
    )


def _matrices(rotor: Rotor) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return stiffness and mass of the free beam over (deflection, slope) of every node [SI]."""
    ends = np.cumsum([0.0, *(length for length, _, _ in rotor.sections)])
    places = np.unique(np.round([*ends, *(place for _, place in rotor.masses)], 12))
    nodes = np.concatenate(
        [
            *(np.linspace(a, b, _FINE, endpoint=False) for a, b in pairwise(places)),
            [ends[-1]],
        ]
    )
    size = 2 * len(nodes)
    k, m = np.zeros((size, size)), np.zeros((size, size))
    for i, (a, b) in enumerate(pairwise(nodes)):
        section = min(int(np.searchsorted(ends, 0.5 * (a + b))) - 1, len(rotor.sections) - 1)
        _, bending, line = rotor.sections[section]
        h, place = b - a, slice(2 * i, 2 * i + 4)
        scale = np.outer([1.0, h, 1.0, h], [1.0, h, 1.0, h])
        k[place, place] += bending / h**3 * _STIFFNESS * scale
        m[place, place] += line * h / 420.0 * _INERTIA * scale
    for mass, at in rotor.masses:
        node = 2 * int(np.argmin(np.abs(nodes - at)))
        m[node, node] += mass
    return k, m


_STIFFNESS = np.array(
    [[12.0, 6.0, -12.0, 6.0], [6.0, 4.0, -6.0, 2.0], [-12.0, -6.0, 12.0, -6.0], [6.0, 2.0, -6.0, 4.0]]
)
_INERTIA = np.array(
    [
        [156.0, 22.0, 54.0, -13.0],
        [22.0, 4.0, 13.0, -3.0],
        [54.0, 13.0, 156.0, -22.0],
        [-13.0, -3.0, -22.0, 4.0],
    ]
)
"""Of a beam element of unit length, over deflection and slope of its ends."""


def residual_unbalance(grade: float, mass: float, speed: float) -> float:
    """Return the permissible residual unbalance of a rigid rotor [kg m].

    Parameters
    ----------
    grade : float
        Balance quality grade G: eccentricity times speed. [m/s]
    mass : float
        [kg]
    speed : float
        Highest speed of service. [rad/s]
    """
    return grade / speed * mass


def unbalance_force(unbalance: float, speed: float) -> float:
    """Return the radial force of an unbalance, which turns with a rigid rotor [N].

    Parameters
    ----------
    unbalance : float
        [kg m]
    speed : float
        [rad/s]
    """
    return unbalance * speed**2
