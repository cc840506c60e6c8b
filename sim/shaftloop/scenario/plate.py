"""The text of a part file for an induction machine of which the name plate is known.

What the plate does not tell is assumed, and the text marks it; common practice, no source.
"""

import math

from shaftloop.cautions import cautions
from shaftloop.scenario.first import similar_inertia
from shaftloop.scenario.tomltext import with_cautions
from shaftloop_models.name_plate import Estimate, NamePlate

__all__ = ["MIND", "plate_text"]

_RPM = 30.0 / math.pi
MIND = cautions("loose parts", "lockout")
"""What stands over every part file: who measures at the terminals has to be told."""
_EXCESS = 0.5
"""Share by which saturation raises the magnetising current at the rated point. [1]"""
_EXPONENT = 7
_OVERLOAD = 1.6
"""Largest current over the rated one. [1]"""
_HEAVIER = 3.0
"""Inertia of an induction machine over that of a machine with magnets of the same torque. [1]"""


def plate_text(plate: NamePlate, found: Estimate, inertia: float | None) -> str:
    """Return the text of a part file; the inertia of the rotor [kg m^2] is estimated where none is stated."""
    circuit, rated = found.circuit, math.sqrt(2.0 / 3.0) * plate.voltage
    knee = found.flux * _EXCESS ** (-1.0 / _EXPONENT)
    slip = found.slip * plate.frequency
    size = _HEAVIER * similar_inertia(found.torque) if inertia is None else inertia
    told = (
        f"{plate.power:.6g} W, {_RPM * plate.speed:.6g} rpm, {plate.voltage:.6g} V, {plate.frequency:.6g} Hz"
    )
    ratios = f"power factor {plate.power_factor:.3g}, efficiency {plate.efficiency:.3g}"
    fastest = 1.2 * _RPM * 2.0 * math.pi * plate.frequency / found.pole_pairs
    active = circuit.stator * found.current * plate.power_factor
    text = f"""\
# Induction machine from its name plate: {told},
# {ratios}, pull-out ratio {plate.pull_out:.3g}.
# Star connection is assumed, whatever the terminals are: both are the same from outside. What the plate does
# not tell is marked "assumed"; a no-load test and the resistance between two terminals replace most of it.
part = "machine"
model = "induction"
inertia = "{size:.3g} kg m^2"{" # assumed: that of similar machines" if inertia is None else ""}
pole_pairs = {found.pole_pairs}
stator_resistance = "{circuit.stator:.4g} ohm" # warm; from what is left of the losses
rotor_resistance = "{circuit.rotor:.4g} ohm" # warm; from the slip
stator_leakage = "0 H" # assumed: a plate cannot tell the two apart, so all of it is the rotor's
rotor_leakage = "{1e3 * circuit.leakage:.4g} mH" # from the pull-out ratio
main_inductance = "{1e3 * circuit.main * (1.0 + _EXCESS):.4g} mH" # without saturation; from the power factor
saturation = {{ flux = "{knee:.4g} Wb", exponent = {_EXPONENT} }} # assumed: half the current again when rated
iron_resistance = "{1.0 / circuit.iron:.4g} ohm" # assumed: a fifth of the losses
current_limit = "{_OVERLOAD * found.current:.4g} A" # assumed: 1.6 times the rated peak, {found.current:.4g} A
max_speed = "{fastest:.6g} rpm" # assumed: a fifth above synchronous speed
rated_torque = "{found.torque:.4g} N m"
drag = {{ viscous = "{found.friction / plate.speed:.3g} N m s/rad" }} # assumed: a tenth of the losses

# A simple inverter. For torque control instead: kind = "field_oriented" with rate, bandwidth and
# flux = "{found.flux:.4g} Wb".
[control]
kind = "volts_per_hertz"
rate = "4 kHz"
frequency = "{plate.frequency:.6g} Hz"
rated_frequency = "{plate.frequency:.6g} Hz"
rated_voltage = "{rated:.4g} V" # of a phase, peak
rated_slip = "{slip:.4g} Hz"
boost = "{active:.3g} V" # assumed: what the rated active current drops at the stator
"""
    return with_cautions(text, MIND)
