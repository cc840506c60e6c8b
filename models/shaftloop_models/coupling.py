"""A coupling: a torsion spring with damping between two hubs.

Damping is either viscous (`damping`) or the relative damping ψ (`loss_factor_psi`, energy lost per
cycle over peak elastic energy), which real elastomer couplings keep over a wide band. ψ is realised
by Maxwell branches (see `shaftloop_models.loss_factor`).

Neglected: backlash, the progressive characteristic of elastomers, ageing and temperature.

References
----------
.. [1] DIN 740-2 for the definition of ψ. From memory.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from shaftloop_models.line import Element, Inertia
from shaftloop_models.loss_factor import DEFAULT_BAND, damped_spring
from shaftloop_models.parameters import Quantity

__all__ = ["Coupling"]


@dataclass(frozen=True)
class Coupling:
    """Parameters of a coupling."""

    part: Literal["coupling"]
    name: str
    stiffness: Annotated[float, Quantity("N m/rad", "torsional stiffness", gt=0.0)]
    damping: Annotated[float | None, Quantity("N m s/rad", "viscous damping", ge=0.0)] = None
    loss_factor_psi: Annotated[
        float | None, Quantity("1", "energy lost per cycle over peak elastic energy", gt=0.0, le=3.0)
    ] = None
    loss_band: Annotated[
        tuple[float, float], Quantity("Hz", "frequency band over which psi holds", gt=0.0)
    ] = DEFAULT_BAND
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the left hub", ge=0.0)] = 0.0
    inertia_right: Annotated[float, Quantity("kg m^2", "inertia of the right hub", ge=0.0)] = 0.0
    rated: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        spring = damped_spring(self.stiffness, self.damping, self.loss_factor_psi, self.loss_band)
        return [Inertia(self.inertia_left), spring, Inertia(self.inertia_right)]
