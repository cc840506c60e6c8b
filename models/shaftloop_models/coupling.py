"""A coupling: a torsion spring with damping between two hubs.

Damping is either viscous (`damping`) or the relative damping ψ (`loss_factor_psi`, energy lost per
cycle over peak elastic energy), which real elastomer couplings keep over a wide band. ψ is realised
by Maxwell branches (see `shaftloop_models.loss_factor`). Parallel and angular offset of the shafts make
torque of order 1 and 2 and a bending load: see `shaftloop_models.misalignment`.

Splines and jaws may have a backlash (`shaftloop_models.play`), elastomers stiffen with the torque
(`shaftloop_models.progressive`), a torque limiter slips (`shaftloop_models.slip`).

Neglected: ageing and temperature.

References
----------
.. [1] DIN 740-2 for the definition of ψ. From memory.
"""

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated, Literal

import numpy as np

from shaftloop_models.line import Element, Inertia, Spring, TransmissionError
from shaftloop_models.loss_factor import DEFAULT_BAND, LossBand, Psi, complex_stiffness
from shaftloop_models.misalignment import transmission_error
from shaftloop_models.parameters import ParameterError, Quantity
from shaftloop_models.part import Part, Stands, part_kind
from shaftloop_models.play import spring_with_play
from shaftloop_models.progressive import CurvePoint, progressive
from shaftloop_models.slip import slipping

__all__ = ["Coupling", "MisalignmentLoad", "misalignment_load"]

_LAWS = ("backlash", "cubic_stiffness", "characteristic", "slip_torque")
"""Keys that make its spring other than linear."""


@part_kind
@dataclass(frozen=True)
class Coupling(Part):
    """Parameters of a coupling."""

    part: Literal["coupling"]
    name: str
    stiffness: Annotated[float, Quantity("N m/rad", "torsional stiffness", gt=0.0)]
    damping: Annotated[
        float | None,
        Quantity("N m s/rad", "viscous damping; with a backlash, that at the rated torque", ge=0.0),
    ] = None
    loss_factor_psi: Psi = None
    loss_band: LossBand = DEFAULT_BAND
    backlash: Annotated[float, Quantity("rad", "angle that it turns freely", ge=0.0, le=0.2)] = 0.0
    cubic_stiffness: Annotated[
        float, Quantity("N m/rad^3", "torque per cube of the twist, beside stiffness·twist", ge=0.0)
    ] = 0.0
    characteristic: tuple[CurvePoint, ...] = ()
    slip_torque: Annotated[
        float | None, Quantity("N m", "at which it slips, as a torque limiter", gt=0.0)
    ] = None
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia of the left hub", ge=0.0)] = 0.0
    inertia_right: Annotated[float, Quantity("kg m^2", "inertia of the right hub", ge=0.0)] = 0.0
    rated: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    limit: Annotated[float | None, Quantity("N m", "limit torque, beyond which it is damaged", gt=0.0)] = None
    max_speed: Annotated[float | None, Quantity("rad/s", "largest speed", gt=0.0)] = None
    rated_alternating: Annotated[
        float | None, Quantity("N m", "amplitude of alternating torque that it carries for good", gt=0.0)
    ] = None
    rated_heat: Annotated[float | None, Quantity("W", "damping power that it stands for good", gt=0.0)] = None
    parallel_offset: Annotated[float, Quantity("m", "distance between the axes of the hubs", ge=0.0)] = 0.0
    angular_offset: Annotated[
        float, Quantity("rad", "angle between the axes of the hubs", ge=0.0, le=0.175)
    ] = 0.0
    offset_phase: Annotated[
        float,
        Quantity("rad", "turns the pattern of order 1 and 2 against other couplings", ge=-6.3, le=6.3),
    ] = 0.0
    pitch_diameter: Annotated[
        float | None, Quantity("m", "pitch circle of pins, bolts or links that drive", gt=0.0)
    ] = None
    uneven_share: Annotated[
        float, Quantity("1", "how unevenly these share the torque: 0 even, 1 a single one", ge=0.0, le=1.0)
    ] = 0.1
    bending_stiffness: Annotated[
        float | None, Quantity("N m/rad", "moment per angle between the axes", ge=0.0)
    ] = None
    radial_stiffness: Annotated[
        float | None, Quantity("N/m", "radial force per distance between the axes", ge=0.0)
    ] = None

    def stands(self) -> Stands:
        """Return its torques and its largest speed."""
        return Stands(self.rated, self.limit, self.max_speed, self.rated_alternating, self.rated_heat)

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        if self.rated_heat is not None and not (self.damping or self.loss_factor_psi):
            raise ParameterError("rated_heat", "without damping or loss_factor_psi nothing makes heat")
        error = transmission_error(
            self.parallel_offset,
            self.angular_offset,
            self.pitch_diameter,
            self.uneven_share,
            self.offset_phase,
        )
        laws = [key for key in _LAWS if getattr(self, key)]
        if len(laws) + bool(error) > 1 and laws:
            other = laws[1] if len(laws) > 1 else "an offset"
            raise ParameterError(
                laws[0], f"together with {other} is not modelled: give one of them, or two couplings"
            )
        spring = replace(self._spring(), error=error)
        return [Inertia(self.inertia_left), spring, Inertia(self.inertia_right)]

    def warnings(self) -> list[tuple[tuple[str, ...], str]]:
        """Return a slip torque that protects nothing."""
        slip, limit = self.slip_torque, self.limit
        if slip is None or limit is None or slip <= limit:
            return []
        words = f"slips at {slip:g} N m, beyond its limit torque {limit:g} N m, which it cannot keep"
        return [(("slip_torque",), words)]

    def _spring(self) -> Spring:
        damping = self.damping, self.loss_factor_psi, self.loss_band
        if self.slip_torque is not None:
            return slipping(self.stiffness, self.damping, self.loss_factor_psi, self.slip_torque)
        spring = spring_with_play(self.stiffness, *damping, self.backlash, self.rated)
        if self.cubic_stiffness or self.characteristic:
            most = self.limit or (None if self.rated is None else 2.0 * self.rated)
            return progressive(spring, self.cubic_stiffness, self.characteristic, most)
        return spring


@dataclass(frozen=True)
class MisalignmentLoad:
    """What a misaligned coupling does at a speed and torque."""

    error_1x: float
    """Amplitude of the transmission error once per turn. [rad]"""
    error_2x: float
    """Amplitude of the transmission error twice per turn. [rad]"""
    torque_1x: float
    """Amplitude of the torque once per turn between hubs that turn evenly. [N m]"""
    torque_2x: float
    """Amplitude of the torque twice per turn between hubs that turn evenly. [N m]"""
    bending_moment: float | None
    """At the coupling, fixed in space; nothing where its bending stiffness is not stated. [N m]"""
    radial_force: float | None
    """At the coupling, fixed in space; nothing where its radial stiffness is not stated. [N]"""
    order: Fraction = Fraction(1)
    """Periods per turn of its left end of what stands as once per turn: the teeth of a mesh."""


def misalignment_load(coupling: Coupling, torque: float, speed: float) -> MisalignmentLoad:
    """Return torque and bending load of a coupling from its offsets.

    Parameters
    ----------
    torque : float
        Mean torque that it carries. [N m]
    speed : float
        [rad/s]
    """
    spring = next(element for element in coupling.elements() if isinstance(element, Spring))
    error = spring.error or TransmissionError(0.0, 0.0, 0.0)
    # Without the viscous damper, which sees no motion between hubs that turn evenly.
    elastic = Spring(spring.stiffness, 0.0, spring.branches)
    turning = abs(speed) / (2.0 * math.pi)
    stiffness = np.abs(complex_stiffness(elastic, np.array([turning, 2.0 * turning])))
    tilt, bending, radial = coupling.angular_offset, coupling.bending_stiffness, coupling.radial_stiffness
    return MisalignmentLoad(
        error.first,
        error.second,
        float(stiffness[0] * error.first),
        float(stiffness[1] * error.second),
        None if bending is None else bending * tilt + abs(torque) * math.sin(tilt),
        None if radial is None else radial * coupling.parallel_offset,
    )
