"""Diodes of an inverter whose pulses are blocked: they rectify what the magnets of its machine make.

Averaged over a sixth of an electrical turn: with V the voltage of the link, a six-pulse bridge whose currents
are sinusoidal puts ``2/π·V`` to the machine, in phase opposition to its current, and feeds ``3/π·|i|`` into
the link [1]_. So a current flows where p·ω·ψ exceeds that. Where less than that suffices to take the current
away within τ = 0.25 ms, the diodes do so, and then the terminals follow the magnets: no current, no torque::

    v* = e + R·i + ωe·L·i − L/τ·i,   v = v* where |v*| < 2/π·V, else 2/π·V·v*/|v*|

with e the voltage of the magnets. In a steady state v is opposite to i exactly, whatever τ.

Neglected: that diodes conduct with gaps from √3·p·ω·ψ = V on, 10 % in speed below; harmonics of current and
torque; the drop of the diodes, which counts as inverter loss; that fast changes are smoothed over τ.

References
----------
.. [1] N. Mohan, T. M. Undeland, W. P. Robbins, Power Electronics, section 5-6: the fundamental of a
   voltage of six steps between ±V/2 is 2/π·V; power balance. From memory.
"""

import math
from typing import Any

from shaftloop_models.network import ONE, Network, OwnKind, PowerKind, Ref, Warmth
from shaftloop_models.pm_machine import PmMachine, PmPorts
from shaftloop_models.supply import DcLink

__all__ = ["declare_diodes"]

_FADING = 0.25e-3
"""Time constant with which they take a current away. [s]"""
_FINER = 10.0
"""Steps are that much finer than the fading needs: its energy is to close, which has a kink at 2/π·V."""
_FLUX = 4
"""Parameter of the term that follows the temperature."""


def _rectify(x: Any, p: Any, y: Any) -> None:
    """Return voltages but for -L/τ·i, and the current from the link.

    x: speed, currents, what fluxes are in proportion to, voltage of the link.
    """
    y[0], y[1], y[2] = p[5] * x[1], p[5] * x[2], 0.0
    turning, volts = p[0] * x[0], max(p[6] + p[7] * x[5], 0.0)
    d = (p[1] - p[5]) * x[1] - turning * p[3] * x[4]
    q = (p[1] - p[5]) * x[2] + turning * (p[2] * x[3] + p[4])
    size = max(math.sqrt(d * d + q * q), 2.0 / math.pi * volts)
    if size > 0.0:
        d, q = d * (2.0 / math.pi / size), q * (2.0 / math.pi / size)
        y[0], y[1] = volts * d + p[5] * x[1], volts * q + p[5] * x[2]
        y[2] = 1.5 * (d * x[1] + q * x[2])


_DIODES = OwnKind("diodes of an inverter", _rectify)


def declare_diodes(
    net: Network, machine: PmMachine, ports: PmPorts, speed: Ref, supply: DcLink | None
) -> None:
    """Add the diodes of an inverter whose pulses are blocked.

    All else has been added: what reads terms and outputs by their numbers goes on doing so.

    Parameters
    ----------
    speed : Ref
        Of the rotor. [rad/s]
    supply : DcLink or None
        Parameters of the link, nothing for a stiff one.
    """
    bus = net.feed.voltage
    name, heat, psi = machine.name, machine.heat, ports.magnets
    if heat is not None and heat.flux_coefficient:
        gain = machine.bare_flux() * heat.flux_coefficient
        warmth = Warmth(len(net.terms), _FLUX, "housing", gain, psi, heat.reference)
        net.warmths.append((warmth, f"{name}.{warmth.body}"))
    quickest = min(machine.bare_inductances()) / _FADING
    reach = [1.0 / gain for gain in ports.gains]
    if bus is not None and supply is not None:
        reach.append(1.0 / supply.capacitance)
    level = (net.feed.nominal, 0.0) if bus is None else (0.0, 1.0)
    d, q, drawn = net.term(
        _DIODES,
        [speed, ports.current_d, ports.current_q, *ports.states, speed if bus is None else bus],
        [float(machine.pole_pairs), machine.resistance, *ports.gains, psi, quickest, *level],
        [f"{name}.diodes_d", f"{name}.diodes_q", f"{name}.diodes_current"],
        slope=_FINER / _FADING / max(reach),
    )
    currents = ports.current_d, ports.current_q
    for state, gain, voltage, current in zip(ports.states, ports.gains, (d, q), currents, strict=True):
        net.derivative(state, voltage, 1.0 / gain)
        net.derivative(state, current, -quickest / gain)  # linear without a map, so that fading is exact
    terminals = [number for number, meter in enumerate(net.meters) if meter.name == f"{name}.electrical"]
    for meter in (ports.link_meter, *terminals):
        volts = (net.feed.nominal, ONE) if bus is None else (1.0, bus)
        net.power(meter, PowerKind.PRODUCT, *volts, drawn)
    if bus is not None and supply is not None:
        net.derivative(bus, drawn, -1.0 / supply.capacitance)
