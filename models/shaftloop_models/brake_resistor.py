"""A brake resistor across the DC link, switched by its chopper.

It is on from the on level until the voltage has fallen to the off level; its controller looks at the
ticks of the fastest machine. While on it takes ``V²/R``. Its heat load is the mean power over its time
constant, ``τ·P̄' = P − P̄``, which the temperature of one body follows; what it takes for good is the
continuous power. A pulse is judged by its energy above the continuous power, at which energy flows off.

Neglected: that the wire is hotter than its body in a short pulse (the largest pulse energy stands for it),
change of resistance with temperature (common practice, no source: below 5 % over the whole range),
inductance of the wire.
On a smooth bench the resistor conducts in proportion between its levels.

References
----------
.. [1] One body with one time constant: common practice, no source.
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.compiled import equation
from shaftloop_models.parameters import Checked, ParameterError, Quantity

__all__ = ["BrakeResistor", "resistor_flow"]


@dataclass(frozen=True)
class BrakeResistor(Checked):
    """Parameters of a brake resistor."""

    name: str
    resistance: Annotated[float, Quantity("ohm", "of the resistor", gt=0.0)]
    on_level: Annotated[float, Quantity("V", "voltage of the link from which it is on", gt=0.0)]
    off_level: Annotated[float, Quantity("V", "voltage of the link at which it goes off", gt=0.0)]
    pulse_energy: Annotated[float | None, Quantity("J", "largest energy of one pulse, from cold", gt=0.0)] = (
        None
    )
    continuous_power: Annotated[float | None, Quantity("W", "power that it takes for good", gt=0.0)] = None
    time_constant: Annotated[float | None, Quantity("s", "thermal time constant", gt=0.0)] = None

    def check(self) -> None:
        """Check the order of the levels, and that power and time constant come together."""
        if self.off_level >= self.on_level:
            raise ParameterError(
                "on_level",
                f"{self.on_level:g} V is not above the off_level of {self.off_level:g} V; raise it",
            )
        if (self.continuous_power is None) != (self.time_constant is None):
            key = "time_constant" if self.time_constant is None else "continuous_power"
            raise ParameterError(key, "missing: continuous_power and time_constant go together")


@equation
def resistor_flow(share: float, voltage: float, conductance: float) -> tuple[float, float]:
    """Return current [A] and power [W] of a resistor.

    Parameters
    ----------
    share : float
        Of the time in which it is on. [1]
    voltage : float
        Of the link. [V]
    conductance : float
        [1/ohm]
    """
    current = share * conductance * voltage
    return current, current * voltage
