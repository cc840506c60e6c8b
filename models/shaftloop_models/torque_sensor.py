"""In-line torque sensor: a measuring spring between two end inertias, and its signal path.

The *true torque* is ``k·twist`` of the measuring spring (what its strain shows). The signal path is

1. noise of stated density, added ahead of the low-pass;
2. the low-pass;
3. at each sample: ``y = zero + (1 + gain_error)·v + c·v·(1 − (v/rated)²)``, with the last summand
   scaled so that its largest deviation inside the rated range is `nonlinearity`·rated;
4. range clamp and quantiser (half to even);
5. latency to the controller.

Neglected: strain from bending and axial load, temperature drift of zero and gain, hysteresis and
creep, crosstalk from speed. Static nonlinearity is applied after the low-pass, which is exact for
slow torques and differs at second order in `nonlinearity` for fast ones.

References
----------
.. [1] Full-bridge shaft strain gauge: E. O. Doebelin, Measurement Systems, example 5-5 (check E2.3).
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.line import Element, Inertia
from shaftloop_models.loss_factor import DEFAULT_BAND, damped_spring
from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.network import Network, Ref
from shaftloop_models.parameters import Delay, Number, ParameterError, Quantity
from shaftloop_models.shaft import polar_moment

__all__ = ["TorqueSensor", "declare_signal_path", "nonlinearity_coefficient", "strain_to_torque"]

_CUBIC_PEAK = 2.0 / (3.0 * 3.0**0.5)
"""Largest value of r − r³ on 0 ≤ r ≤ 1."""


@dataclass(frozen=True)
class TorqueSensor:
    """Parameters of a torque sensor."""

    part: Literal["torque_sensor"]
    name: str
    rated: Annotated[float, Quantity("N m", "rated torque", gt=0.0)]
    stiffness: Annotated[float, Quantity("N m/rad", "stiffness of the measuring section", gt=0.0)]
    sampling: Annotated[Fraction, Quantity("Hz", "rate of the samples", gt=0.0)]
    limit: Annotated[float | None, Quantity("N m", "limit torque, beyond which it is damaged", gt=0.0)] = None
    damping: Annotated[float | None, Quantity("N m s/rad", "viscous damping", ge=0.0)] = None
    loss_factor_psi: Annotated[
        float | None, Quantity("1", "energy lost per cycle over peak elastic energy", gt=0.0, le=3.0)
    ] = None
    loss_band: Annotated[
        tuple[float, float], Quantity("Hz", "frequency band over which psi holds", gt=0.0)
    ] = DEFAULT_BAND
    inertia_left: Annotated[float, Quantity("kg m^2", "inertia left of the measuring section", ge=0.0)] = 0.0
    inertia_right: Annotated[float, Quantity("kg m^2", "inertia right of it", ge=0.0)] = 0.0
    filter: LowPass | None = None
    phase: Annotated[Fraction, Quantity("s", "first sample", ge=0.0)] = Fraction(0)
    latency: Annotated[
        Delay, Quantity("s", "from the sample to the controller", ge=0.0, also=("sample",))
    ] = Delay(Fraction(0))
    gain_error: Annotated[float, Quantity("1", "relative error of the gain", gt=-1.0, lt=1.0)] = 0.0
    zero: Annotated[float, Quantity("N m", "reading without torque")] = 0.0
    nonlinearity: Annotated[
        float, Quantity("1", "largest deviation from the line, relative to rated", gt=-0.2, lt=0.2)
    ] = 0.0
    noise_density: Annotated[
        float, Quantity("N m/rtHz", "one-sided density of the noise ahead of the low-pass", ge=0.0)
    ] = 0.0
    range: Annotated[float | None, Quantity("N m", "largest reading, either sign", gt=0.0)] = None
    resolution: Annotated[float, Quantity("N m", "quantiser step; 0 switches it off", ge=0.0)] = 0.0
    free_running: Annotated[bool, Number("its clock is not synchronised: analyses sweep its phase")] = False
    bits: Annotated[int | None, Number("bits of the quantiser over twice the range", ge=4, le=32)] = None

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        spring = damped_spring(self.stiffness, self.damping, self.loss_factor_psi, self.loss_band)
        return [Inertia(self.inertia_left), spring, Inertia(self.inertia_right)]

    def quantiser_step(self) -> float:
        """Return the quantiser step, 0 where there is none [N m].

        Raises
        ------
        ParameterError
            Where both `bits` and `resolution` are given, or `bits` without `range`.
        """
        if self.bits is None:
            return self.resolution
        if self.resolution:
            raise ParameterError(
                "bits", f"give either bits ({self.bits}) or resolution ({self.resolution:g} N m), not both"
            )
        if self.range is None:
            raise ParameterError("bits", f"{self.bits} bits need a range: the step is 2*range/2**bits")
        return 2.0 * self.range / 2.0**self.bits


def nonlinearity_coefficient(sensor: TorqueSensor) -> float:
    """Return c of ``c·v·(1 − (v/rated)²)`` [1].

    Parameters
    ----------
    sensor : TorqueSensor
        Parameters.
    """
    return sensor.nonlinearity / _CUBIC_PEAK


def strain_to_torque(
    strain: float, diameter: float, shear_modulus: float, inner_diameter: float = 0.0
) -> float:
    """Return the torque that a strain gauge at 45 degrees to the axis of a shaft shows [N m].

    The strain along the gauge is half the shear strain of the surface.

    Parameters
    ----------
    strain : float
        Along the gauge; the output of a full bridge is gauge factor times strain. [m/m]
    diameter, inner_diameter : float
        Outer and inner diameter of the measuring section. [m]
    shear_modulus : float
        [Pa]
    """
    return 2.0 * strain * shear_modulus * polar_moment(diameter, inner_diameter) / (0.5 * diameter)


def declare_signal_path(net: Network, sensor: TorqueSensor, true_torque: Ref) -> tuple[Ref, list[Ref]]:
    """Add the low-pass and return what the sampler sees, and the filter states in order.

    Parameters
    ----------
    net : Network
        Equations to extend.
    sensor : TorqueSensor
        Parameters.
    true_torque : Ref
        Signal: elastic torque of the measuring spring. [N m]

    Raises
    ------
    ParameterError
        Where there is noise but no low-pass to bound it.
    """
    if sensor.filter is None:
        if sensor.noise_density:
            raise ParameterError(
                "noise_density",
                f"{sensor.noise_density:g} N m/rtHz needs a filter: unfiltered white noise has no bound",
            )
        return true_torque, []
    f, g, out = state_space(sensor.filter)
    states = [net.state(f"{sensor.name}.filter{i + 1}", "N m") for i in range(len(g))]
    for i, target in enumerate(states):
        for j, source in enumerate(states):
            if f[i, j]:
                net.derivative(target, source, float(f[i, j]))
        if g[i]:
            net.derivative(target, true_torque, float(g[i]))
    return states[out], states
