"""Solid, hollow and stepped shafts.

Stiffness of a section ``k = G·Ip/L`` with ``Ip = π(D⁴ − d⁴)/32``; sections in series. Inertia
``ρ·Ip·L``, half of the whole at each end.

Neglected: the inertia between the ends (between two equal bodies the first frequency comes out 1.6 %
low where the shaft has a tenth of the inertia of one body, 12 % low where it has as much; divide such a
shaft into several), stress concentration and the added compliance of steps, keyways and flanges. Valid
for circular sections in the elastic range.

References
----------
.. [1] J. M. Gere, Mechanics of Materials, chapter 3 (checks E2.1, E2.2).
"""

import math
from dataclasses import dataclass
from typing import Annotated, Literal

from shaftloop_models.lateral import Lateral, Rotor, tube
from shaftloop_models.line import Element, Inertia
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi, damped_spring
from shaftloop_models.material import MATERIALS, MaterialName
from shaftloop_models.parameters import ParameterError, Quantity
from shaftloop_models.part import Part, Stands, part_kind

__all__ = ["Section", "Shaft", "polar_moment", "shear_stress", "stepped_stiffness"]


def polar_moment(diameter: float, inner_diameter: float = 0.0) -> float:
    """Return the polar second moment of area of a circular section [m^4].

    Parameters
    ----------
    diameter, inner_diameter : float
        Outer and inner diameter. [m]
    """
    return math.pi * (diameter**4 - inner_diameter**4) / 32.0


def shear_stress(
    torque: float, diameter: float, inner_diameter: float = 0.0, at: float | None = None
) -> float:
    """Return the shear stress of a circular section under torsion [Pa].

    Parameters
    ----------
    torque : float
        [N m]
    diameter, inner_diameter : float
        Outer and inner diameter. [m]
    at : float, optional
        Diameter at which the stress is taken; the outer one where not given. [m]
    """
    return torque * 0.5 * (diameter if at is None else at) / polar_moment(diameter, inner_diameter)


@dataclass(frozen=True)
class Section:
    """One cylindrical section of a shaft."""

    diameter: Annotated[float, Quantity("m", "outer diameter", gt=0.0)]
    length: Annotated[float, Quantity("m", "length", gt=0.0)]
    inner_diameter: Annotated[float, Quantity("m", "bore", ge=0.0)] = 0.0


def stepped_stiffness(sections: tuple[Section, ...], shear_modulus: float) -> float:
    """Return the torsional stiffness of sections in series [N m/rad].

    Parameters
    ----------
    sections : tuple of Section
        In any order.
    shear_modulus : float
        [Pa]
    """
    slenderness = sum(s.length / polar_moment(s.diameter, s.inner_diameter) for s in sections)
    return shear_modulus / slenderness


@part_kind
@dataclass(frozen=True)
class Shaft(Part):
    """Parameters of a shaft: one section by diameter and length, or several by `sections`."""

    part: Literal["shaft"]
    name: str
    diameter: Annotated[float | None, Quantity("m", "outer diameter", gt=0.0)] = None
    inner_diameter: Annotated[float, Quantity("m", "bore", ge=0.0)] = 0.0
    length: Annotated[float | None, Quantity("m", "length between the ends", gt=0.0)] = None
    sections: tuple[Section, ...] = ()
    material: MaterialName = "steel"
    shear_modulus: Annotated[float | None, Quantity("Pa", "in place of the material's", gt=0.0)] = None
    density: Annotated[float | None, Quantity("kg/m^3", "in place of the material's", ge=0.0)] = None
    damping: Annotated[float | None, Quantity("N m s/rad", "viscous damping", ge=0.0)] = None
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    rated: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    limit: Annotated[float | None, Quantity("N m", "limit torque, beyond which it is damaged", gt=0.0)] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None
    lateral: Lateral | None = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed)

    def all_sections(self) -> tuple[Section, ...]:
        """Return the sections, checked.

        Raises
        ------
        ParameterError
            Where the geometry is missing, given twice, or a bore is not smaller than its diameter.
        """
        single = self.diameter is not None or self.length is not None or self.inner_diameter > 0.0
        if self.sections and single:
            raise ParameterError(
                "sections", "give either sections, each with its own dimensions, or diameter and length"
            )
        sections = self.sections
        if not sections:
            if self.diameter is None:
                raise ParameterError("diameter", "missing: give diameter and length, or sections")
            if self.length is None:
                raise ParameterError("length", "missing: give diameter and length, or sections")
            sections = (Section(self.diameter, self.length, self.inner_diameter),)
        for section in sections:
            if section.inner_diameter >= section.diameter:
                raise ParameterError(
                    "inner_diameter",
                    f"{section.inner_diameter:g} m must be below the diameter {section.diameter:g} m",
                )
        return sections

    def stress(self, torque: float) -> float:
        """Return the shear stress of its weakest section, without what steps and keyways add [Pa]."""
        return max(shear_stress(torque, s.diameter, s.inner_diameter) for s in self.all_sections())

    def rotor(self, beside: tuple[float | None, float | None]) -> Rotor | None:
        """Return what of it bends between its ends.

        Parameters
        ----------
        beside : tuple of (float or None, float or None)
            Radial stiffness with which the parts left and right of it carry it. [N/m]

        Raises
        ------
        ParameterError
            Where `lateral` states what the shaft has keys of its own for.
        """
        if self.lateral is None:
            return None
        for key in ("span", "diameter", "inner_diameter", "bending_stiffness", "mass"):
            if getattr(self.lateral, key):
                raise ParameterError("lateral", f"{key} is that of the shaft; leave it out of lateral")
        modulus = self.lateral.youngs_modulus or MATERIALS[self.material].youngs_modulus
        shapes = [(s.length, *tube(s.diameter, s.inner_diameter)) for s in self.all_sections()]
        sections = [(length, modulus * moment, self._density() * area) for length, moment, area in shapes]
        return self.lateral.rotor(tuple(sections), beside)

    def check(self) -> None:
        """Check dimensions, damping, and what bends."""
        self.elements()
        self.rotor((None, None))

    def _density(self) -> float:
        return MATERIALS[self.material].density if self.density is None else self.density

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        sections, density = self.all_sections(), self._density()
        modulus = self.shear_modulus or MATERIALS[self.material].shear_modulus
        inertia = sum(density * polar_moment(s.diameter, s.inner_diameter) * s.length for s in sections)
        stiffness = stepped_stiffness(sections, modulus)
        spring = damped_spring(stiffness, self.damping, self.loss_factor_psi, self.loss_band)
        return [Inertia(0.5 * inertia), spring, Inertia(0.5 * inertia)]
