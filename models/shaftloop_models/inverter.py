"""Losses of the inverter that feeds one machine.

Loss ``P = P0 + u·|i| + r·|i|²`` with |i| the peak phase current (amplitude of the dq current): idle
and gate supply, conduction threshold and switching, resistive conduction.

Neglected: dependence of the switching loss on link voltage and frequency, dead-time distortion of
the voltage, ripple current. Valid for a fixed switching frequency near the rated link voltage.

Current over time (i²t), where `continuous_current` is stated: ``q' = |i|² − Ic²``, never below 0, may reach
``(Imax² − Ic²)·overload_time``; then the inverter allows no more than Ic until q has fallen to 90 % of that.

References
----------
.. [1] Loss as a polynomial of second order in current: common practice, no source.
.. [2] Limit of the current over time, and where it ends: common practice, no source.
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.network import ONE, Network, PowerKind, Ref
from shaftloop_models.parameters import ParameterError, Quantity

__all__ = ["Inverter", "declare_inverter"]


@dataclass(frozen=True)
class Inverter:
    """Parameters of the inverter loss."""

    constant: Annotated[float, Quantity("W", "loss without current", ge=0.0)] = 0.0
    proportional: Annotated[float, Quantity("V", "loss per peak phase current", ge=0.0)] = 0.0
    quadratic: Annotated[float, Quantity("ohm", "loss per squared peak phase current", ge=0.0)] = 0.0
    continuous_current: Annotated[
        float | None, Quantity("A", "phase current that it carries for good, peak", gt=0.0)
    ] = None
    overload_time: Annotated[
        float | None, Quantity("s", "for which it carries current_limit from cold", gt=0.0)
    ] = None

    def check_budget(self, current_limit: float) -> None:
        """Check the limit of current over time against the largest current.

        Parameters
        ----------
        current_limit : float
            [A]

        Raises
        ------
        ParameterError
            Where one of two keys is missing or the continuous current is no smaller.
        """
        rest, time = self.continuous_current, self.overload_time
        if (rest is None) != (time is None):
            stated = "overload_time" if rest is None else "continuous_current"
            missing = "continuous_current" if rest is None else "overload_time"
            raise ParameterError("inverter", f"{stated} needs {missing} beside it; state both or neither")
        if rest is not None and rest >= current_limit:
            raise ParameterError(
                "inverter",
                f"continuous_current {rest:g} A is not below current_limit {current_limit:g} A, which "
                "then is the only limit; lower it, or leave it and overload_time out",
            )


def declare_inverter(
    net: Network,
    name: str,
    inverter: Inverter,
    electrical: list[tuple[float, Ref, Ref]],
    currents: tuple[Ref, Ref],
) -> tuple[int, int]:
    """Add the meters of link and terminals and return them; they are one where the inverter has no loss.

    Parameters
    ----------
    name : str
        Of the machine.
    electrical : list of (float, Ref, Ref)
        Power into the machine as a sum of products. [W]
    currents : tuple of Ref
        In d and q. [A]
    """
    if not (inverter.constant or inverter.proportional or inverter.quadratic):
        link = net.meter(f"{name}.link", "energy taken from the DC link", electrical)
        return link, link
    loss = [(inverter.constant, net.powered, ONE)] if inverter.constant else []
    if inverter.quadratic:
        loss += [(inverter.quadratic, i, i) for i in currents]
    link = net.meter(f"{name}.link", "energy taken from the DC link", electrical + loss)
    switching = net.meter(f"{name}.inverter", "inverter loss", loss)
    if inverter.proportional:
        for meter in (link, switching):
            net.power(meter, PowerKind.AMPLITUDE, inverter.proportional, *currents)
    terminals = net.meter(f"{name}.electrical", "energy into the machine terminals", electrical)
    net.balance(f"{name}.inverter", [link], [terminals], [switching], [])
    return link, terminals
