"""Windings of a PM machine whose flux linkages saturate: they are its states, currents follow from them.

::

    ψd' = vd − R·id + p·ω·ψq          id = ∂W/∂ψd
    ψq' = vq − R·iq − p·ω·ψd          iq = ∂W/∂ψq
    T   = 1.5·p·(ψd·iq − ψq·id)       P_el = 1.5·(vd·id + vq·iq)

As the currents are the slopes of one energy, 1.5·W, it closes exactly: ``1.5·(vd·id + vq·iq)`` is copper
loss, T·ω and the change of 1.5·W. Inductances of small motions, cross-saturation among them, are the inverse
of its second derivatives.

Neglected: that fluxes depend on the angle of the rotor (torque ripple is stated by itself), iron loss in the
map. With temperature the magnets' part of ψd changes and the map does not.

References
----------
.. [1] A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, chapter 3 (energy and co-energy) and
   appendix C (fluxes in dq axes). From memory.
"""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np

from shaftloop_models.energy_spline import EnergySpline, slopes
from shaftloop_models.network import Network, Node, OwnKind, Ref

__all__ = ["FluxPorts", "declare_fluxes", "sampled_currents"]


class FluxPorts(NamedTuple):
    """What the rest of a machine connects to."""

    fluxes: tuple[Ref, Ref]
    """States. [Wb]"""
    currents: tuple[Ref, Ref]
    """[A]"""
    torque: Ref
    """[N m]"""
    energy: Ref
    """Potential: that of the field. [J]"""


@lru_cache(maxsize=64)
def _windings(spline: EnergySpline) -> OwnKind:
    """Return the kind of term that holds a map."""
    first, (wide_d, wide_q), table = spline.first, spline.wide, spline.table

    def evaluate(x: Any, p: Any, y: Any) -> None:
        """From speed and fluxes: what is not linear of their rates, torque, currents."""
        d, q, _ = slopes(x[1], x[2], first, wide_d, wide_q, table)
        turning = p[0] * x[0]
        y[0] = p[2] * x[1] - p[1] * d + turning * x[2]
        y[1] = p[3] * x[2] - p[1] * q - turning * x[1]
        y[2] = 1.5 * p[0] * (x[1] * q - x[2] * d)
        y[3], y[4] = d, q

    # As of the induction machine: nearly all of its motion is in this term.
    return OwnKind("saturated PM machine", evaluate, "lower max_speed of the machine", angle=0.05)


@lru_cache(maxsize=64)
def sampled_currents(
    spline: EnergySpline, torques: tuple[tuple[float, float], ...] = ()
) -> Callable[[Any, Any, Any], None]:
    """Return the equation of a task that takes the currents of two fluxes, and corrects a command.

    It reads nothing, the fluxes [Wb] and a torque [N m], and writes the currents [A] and the torque that the
    control must be asked for to make it; as it is without a table.

    Parameters
    ----------
    torques : tuple of (float, float)
        Torque that is made and torque that is asked for, both rising from 0. [N m]
    """
    first, (wide_d, wide_q), table = spline.first, spline.wide, spline.table
    made, asked = np.array(torques or ((0.0, 0.0), (1.0, 1.0))).T.copy()
    known = len(torques) > 0

    def evaluate(x: Any, p: Any, y: Any) -> None:
        y[0], y[1], _ = slopes(x[1], x[2], first, wide_d, wide_q, table)
        y[2] = x[3]
        if known:
            wanted, i = min(abs(x[3]), made[-1]), 1
            while made[i] < wanted:
                i += 1
            share = (wanted - made[i - 1]) / (made[i] - made[i - 1])
            y[2] = math.copysign(asked[i - 1] + share * (asked[i] - asked[i - 1]), x[3])

    return evaluate


def _energy(spline: EnergySpline, values: Sequence[float]) -> float:
    return 1.5 * spline.at(values[0], values[1])[2]


def declare_fluxes(
    net: Network, name: str, spline: EnergySpline, node: Node, numbers: tuple[float, float, float]
) -> FluxPorts:
    """Add the fluxes of a machine, without voltages, and its torque without that of warmer magnets.

    Parameters
    ----------
    name : str
        Of the machine.
    node : Node
        Body of the line that holds the rotor.
    numbers : tuple of float
        Pole pairs [1], resistance [ohm], largest speed [rad/s].
    """
    p, resistance, fastest = numbers
    along, _, across = spline.inverse_inductances(spline.bare, 0.0)
    rates = resistance * along, resistance * across
    d, q = net.state(f"{name}.flux_d", "Wb", spline.bare), net.state(f"{name}.flux_q", "Wb")
    names = ("rate_d", "rate_q", "torque", "current_d", "current_q")
    by_d, by_q, torque, current_d, current_q = net.term(
        _windings(spline),
        [node.speed, d, q],
        [p, resistance, *rates],
        [f"{name}.{what}" for what in names],
        slope=p * fastest,
    )
    for flux, rate, fading in ((d, by_d, rates[0]), (q, by_q, rates[1])):
        net.derivative(flux, rate, 1.0)
        net.derivative(flux, flux, -fading)
    energy = net.potential((d, q), partial(_energy, spline))
    return FluxPorts((d, q), (current_d, current_q), torque, energy)
