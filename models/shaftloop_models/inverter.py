"""Losses of the inverter that feeds one machine.

Loss ``P = P0 + u·|i| + r·|i|²`` with |i| the peak phase current (amplitude of the dq current): idle
and gate supply, conduction threshold and switching, resistive conduction.

Neglected: dependence of the switching loss on link voltage and frequency, dead-time distortion of
the voltage, ripple current. Valid for a fixed switching frequency near the rated link voltage.

References
----------
.. [1] Loss as a polynomial of second order in current: common practice, no source.
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.parameters import Quantity

__all__ = ["Inverter"]


@dataclass(frozen=True)
class Inverter:
    """Parameters of the inverter loss."""

    constant: Annotated[float, Quantity("W", "loss without current", ge=0.0)] = 0.0
    proportional: Annotated[float, Quantity("V", "loss per peak phase current", ge=0.0)] = 0.0
    quadratic: Annotated[float, Quantity("ohm", "loss per squared peak phase current", ge=0.0)] = 0.0
