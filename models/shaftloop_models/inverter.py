"""Losses of the inverter that feeds one machine.

Loss ``P = P0 + (u + us·V/V0)·|i| + r·|i|²`` with |i| the peak phase current (amplitude of the dq current) and
V the voltage of the link: idle and gate supply, conduction threshold, switching, resistive conduction. An
edge takes V and i for the time of the transition, so switching loss is in proportion to both. On a link whose
voltage is a state P0 fades out below the voltage at which the inverter is off.

Neglected: that switching loss grows with V^1.2 to V^1.4 on many transistors (common practice, no source: over
20 % of V off by up to 8 % of it), its dependence on temperature; dead-time distortion of the voltage, ripple
current. Valid for a fixed switching frequency.

Current over time (i²t), where `continuous_current` is stated: ``q' = |i|² − Ic²``, never below 0, may reach
``(Imax² − Ic²)·overload_time``; then the inverter allows no more than Ic until q has fallen to 90 % of that.

References
----------
.. [1] Loss as a polynomial of second order in current: common practice, no source.
.. [2] Limit of the current over time, and where it ends: common practice, no source.
.. [3] N. Mohan, T. M. Undeland, W. P. Robbins, Power Electronics, eq. (2-6): switching loss
   Vd·Io·fs·(ton + toff)/2. From memory.
"""

import math
from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.compiled import equation
from shaftloop_models.network import ONE, Network, PowerKind, Ref, Term, TermKind
from shaftloop_models.parameters import Checked, ParameterError, Quantity
from shaftloop_models.supply import awake_share

__all__ = ["Inverter", "declare_inverter", "idle_powers", "inverter_loss"]


@dataclass(frozen=True)
class Inverter(Checked):
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
    switching: Annotated[
        float, Quantity("V", "loss per peak phase current that goes with the voltage of the link", ge=0.0)
    ] = 0.0
    switching_voltage: Annotated[
        float | None, Quantity("V", "voltage of the link at which switching is stated", gt=0.0)
    ] = None

    def check(self) -> None:
        """Check that switching and its voltage come together."""
        if (self.switching > 0.0) != (self.switching_voltage is not None):
            stated, missing = "switching", "switching_voltage"
            if self.switching_voltage is not None:
                stated, missing = missing, stated
            raise ParameterError(missing, f"missing: {stated} needs it beside it; state both or neither")

    def per_volt(self) -> float:
        """Return the switching loss over current and voltage of the link [1]."""
        return 0.0 if self.switching_voltage is None else self.switching / self.switching_voltage

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


@equation
def inverter_loss(
    voltage: float,
    current_d: float,
    current_q: float,
    lowest: float,
    constant: float,
    proportional: float,
    per_volt: float,
    quadratic: float,
) -> float:
    """Return the loss of an inverter [W].

    Parameters
    ----------
    voltage : float
        Of the link. [V]
    current_d, current_q : float
        [A]
    lowest : float
        Voltage below which it is off. [V]
    constant, proportional, per_volt, quadratic : float
        P0, u, us/V0, r. [W], [V], [1], [ohm]
    """
    current = math.sqrt(current_d * current_d + current_q * current_q)
    by_current = (proportional + per_volt * voltage + quadratic * current) * current
    return constant * awake_share(voltage, lowest) + by_current


def _live_loss(
    net: Network, name: str, inverter: Inverter, currents: tuple[Ref, Ref]
) -> list[tuple[float, Ref, Ref]]:
    """Return what an inverter loses on a link whose voltage is a state."""
    assert net.feed.voltage is not None, "asked for on such a link only"
    lost = net.aside(f"{name}.inverter_loss")
    sizes = (inverter.constant, inverter.proportional, inverter.per_volt(), inverter.quadratic)
    reads = (net.feed.voltage, *currents)
    net.terms.append(Term(TermKind.INVERTER, reads, (net.feed.lowest, *sizes), (lost,), slope=0.0))
    return [(1.0, lost, ONE)]


def idle_powers(net: Network, name: str, power: float) -> list[tuple[float, Ref, Ref]]:
    """Return what a machine draws whatever it does, nothing while its link is empty.

    Parameters
    ----------
    name : str
        Of the machine.
    power : float
        [W]
    """
    if not power:
        return []
    if net.feed.voltage is None:
        return [(power, ONE, ONE)]
    some = net.feed.voltage  # in place of currents, on which nothing depends
    return _live_loss(net, name, Inverter(constant=power), (some, some))


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
    if not (inverter.constant or inverter.proportional or inverter.quadratic or inverter.switching):
        link = net.meter(f"{name}.link", "energy taken from the DC link", electrical)
        return link, link
    loss, by_current = [], 0.0
    if net.feed.voltage is None:
        by_current = inverter.proportional
        if inverter.switching:
            by_current += inverter.per_volt() * net.feed.nominal
        loss = [(inverter.constant, ONE, ONE)] if inverter.constant else []
        if inverter.quadratic:
            loss += [(inverter.quadratic, i, i) for i in currents]
    else:
        loss = _live_loss(net, name, inverter, currents)
    link = net.meter(f"{name}.link", "energy taken from the DC link", electrical + loss)
    lost = net.meter(f"{name}.inverter", "inverter loss", loss)
    if by_current:
        for meter in (link, lost):
            net.power(meter, PowerKind.AMPLITUDE, by_current, *currents)
    terminals = net.meter(f"{name}.electrical", "energy into the machine terminals", electrical)
    net.balance(f"{name}.inverter", [link], [terminals], [lost], [])
    return link, terminals
