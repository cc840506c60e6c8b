"""Parameters of an induction machine from its name plate.

At the rated point power, slip, current and power factor are known, and the pull-out torque beside. With what
is assumed (shares of friction and iron in the losses) the circuit with all leakage on the rotor side has no
unknown left::

    P_ag = (P + P_fw)/(1 − s)                      through the air gap
    P_Rs = P/η − P_ag − P_fe                       loss of the stator: Rs
    e    = V − Rs·I,   Rfe = |e|²/P_fe             behind the stator resistance
    ρ    = Rr/s from P_ag = |e|²·ρ/(ρ² + X²)       X = ω·Lℓ from the pull-out torque
    L    from the reactive power that is left

Neglected: what the model of the machine neglects. Valid for machines fed at the rated point of their plate.

References
----------
.. [1] Power balance and circuit: A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, sections 6.3
   to 6.5. What is assumed: common practice, no source.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from shaftloop_models.induction_machine import Circuit, pull_out_torque

__all__ = ["Estimate", "NamePlate", "NamePlateError", "estimate"]

_FRICTION = 0.1
"""Share of friction and windage in the losses, as assumed. [1]"""
_IRON = 0.2
"""Share of the iron in the losses, as assumed. [1]"""
_MOST_SLIP = 0.2
_STEPS = 100
"""Of the bisection; far more than a float has digits."""


class NamePlateError(ValueError):
    """A name plate whose figures do not go together."""


@dataclass(frozen=True)
class NamePlate:
    """What stands on a name plate."""

    power: float
    """At the shaft. [W]"""
    speed: float
    """[rad/s]"""
    voltage: float
    """Between two lines, rms. [V]"""
    frequency: float
    """[Hz]"""
    power_factor: float
    """[1]"""
    efficiency: float
    """[1]"""
    pull_out: float
    """Largest torque over rated torque. [1]"""


class Estimate(NamedTuple):
    """A machine that has the figures of a name plate; inductance at the flux of the rated point."""

    circuit: Circuit
    pole_pairs: int
    torque: float
    """Rated. [N m]"""
    current: float
    """Rated phase current, peak. [A]"""
    slip: float
    """Rated. [1]"""
    friction: float
    """Torque of friction and windage at rated speed. [N m]"""
    flux: float
    """Stator flux linkage at the rated point, peak. [Wb]"""


def estimate(plate: NamePlate) -> Estimate:
    """Return a machine with the figures of a name plate.

    Raises
    ------
    NamePlateError
        Where its figures contradict each other, saying which.
    """
    omega = 2.0 * math.pi * plate.frequency
    pole_pairs = int(omega / plate.speed)
    slip = 1.0 - pole_pairs * plate.speed / omega
    if pole_pairs < 1 or not 0.0 < slip < _MOST_SLIP:
        raise NamePlateError(_slip_words(plate, omega))
    drawn = plate.power / plate.efficiency
    losses = drawn - plate.power
    through = (plate.power + _FRICTION * losses) / (1.0 - slip)
    voltage = math.sqrt(2.0 / 3.0) * plate.voltage
    current = drawn / (1.5 * voltage * plate.power_factor)
    copper = drawn - through - _IRON * losses
    if copper <= 0.0:
        raise NamePlateError(
            f"speed and efficiency contradict each other: a slip of {100.0 * slip:.3g} % alone turns "
            f"{through * slip:.4g} W into heat of the rotor, and all losses are {losses:.4g} W; a speed "
            f"nearer to {30.0 / math.pi * omega / pole_pairs:.5g} rpm or a lower efficiency is due"
        )
    stator = copper / (1.5 * current**2)
    sine = math.sqrt(1.0 - plate.power_factor**2)
    emf = abs(voltage - stator * current * (plate.power_factor - 1j * sine))
    point = _Point(plate, omega, pole_pairs, slip, voltage, emf, through)
    reactive = 1.5 * voltage * current * sine
    iron = _IRON * losses / (1.5 * emf**2)
    circuit = _fitted(point, reactive, stator, iron)
    torque = plate.power / plate.speed
    friction = _FRICTION * losses / plate.speed
    return Estimate(circuit, pole_pairs, torque, current, slip, friction, emf / omega)


class _Point(NamedTuple):
    """The rated point behind the stator resistance."""

    plate: NamePlate
    omega: float
    pole_pairs: int
    slip: float
    voltage: float
    emf: float
    through: float

    def circuit(self, reactance: float, reactive: float, stator: float, iron: float) -> Circuit | None:
        """Return the circuit with a leakage reactance, nothing where it leaves no current to magnetise."""
        half = 0.75 * self.emf**2 / self.through
        effective = half + math.sqrt(half**2 - reactance**2)
        taken = 1.5 * self.emf**2 * reactance / (effective**2 + reactance**2)
        if taken >= reactive:
            return None
        main = 1.5 * self.emf**2 / (reactive - taken) / self.omega
        rotor, leakage = effective * self.slip, reactance / self.omega
        return Circuit(main, math.inf, 0.0, leakage, stator, rotor, iron)

    def ratio(self, circuit: Circuit) -> float:
        """Return the pull-out torque over the rated one."""
        most = pull_out_torque(circuit, self.pole_pairs, self.voltage, self.omega)
        return most * self.plate.speed / self.plate.power


def _fitted(point: _Point, reactive: float, stator: float, iron: float) -> Circuit:
    """Return the circuit whose leakage makes the pull-out torque."""
    most = 0.75 * point.emf**2 / point.through
    low, high = 1e-3 * most, most
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        circuit = point.circuit(middle, reactive, stator, iron)
        if circuit is not None and point.ratio(circuit) > point.plate.pull_out:
            low = middle
        else:
            high = middle
    found, plate = point.circuit(low, reactive, stator, iron), point.plate
    if found is None:
        raise NamePlateError(
            f"power factor {plate.power_factor:g} leaves no current that could magnetise the machine; a "
            "lower one is due (usual: 0.6 to 0.92)"
        )
    reached = point.ratio(found)
    if abs(reached / plate.pull_out - 1.0) > 1e-6:
        end, advice = "largest", "smaller ratio"
        if reached > plate.pull_out:
            end, advice = "smallest", "larger ratio or a lower power factor"
        raise NamePlateError(
            f"pull-out ratio {plate.pull_out:g} contradicts power, slip and power factor, with which the "
            f"{end} is about {reached:.3g}; a {advice} is due (usual: 2 to 3.5)"
        )
    return found


def _slip_words(plate: NamePlate, omega: float) -> str:
    rpm = 30.0 / math.pi
    near = ", ".join(f"{rpm * omega / p:.5g}" for p in (1, 2, 3, 4))
    return (
        f"speed {rpm * plate.speed:.5g} rpm does not go with {plate.frequency:g} Hz: a motor runs less than "
        f"{100.0 * _MOST_SLIP:.0f} % below a synchronous speed, which are {near} rpm, ..."
    )
