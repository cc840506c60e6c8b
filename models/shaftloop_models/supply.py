"""The common DC link and its grid side.

``stiff``: the link has the stated voltage whatever power flows; the grid supplies or absorbs the rest,
``P_grid = Σ P_link``, free of loss (check E10.4). The other kinds have the voltage V as a state::

    C·V' = I − Σ P_machine/V − Σ I_resistor − V/R_discharge

``rectifier``: a six-pulse diode bridge behind the inductance Ls and the resistance Rs of each phase. It
feeds only. With ω the angular frequency of the line and s the share of its voltage that is there::

    2·Ls·I' = s·Vd0 − V − (2·Rs + 3·ω·Ls/π)·I + u,   I ≥ 0,   Vd0 = 3·√2/π·V_line

Commutation lowers the voltage by 3·ω·Ls/π·I without heat: the grid delivers
``(s·Vd0 − 3·ω·Ls/π·I + u)·I``. The diodes block: u keeps the current from falling faster than ``I' = −I/τ``
with τ = 0.25 ms, so that it fades to zero and never turns. The bridge then conducts with gaps, and its mean
voltage rises to that of the link; the grid delivers that too. A resistor for pre-charge lies in series until
a contactor bridges it.

``two_way``: the same bridge, with switches beside its diodes, which feeds and returns. Its control asks for
the power p that the current stands for at the nominal line, and the current follows with the lag τ::

    τ·p' = p* − p,   P_grid = s·p + P0,   P_link = s·p − a·|p| − b·p²

The diodes stay: they charge the link to Vd0, and conduct where the link falls below it. Switches are off
until the pre-charge resistor is bridged and while less than half of the line is there. Around p = 0 the
linear part of the loss is rounded off over a hundredth of the power limit.

Neglected: the ripple of the rectified voltage, of six times the line frequency, peak to peak 14 % of Vd0 and
much less behind Ls and C; that an unloaded bridge charges the link to the crest of the line, 4.7 % above Vd0;
that overlap of the diodes lowers the inductance on the DC side by up to a quarter. In pre-charge the current
follows ``(Vd0 − V)/R`` with the lag τ in place of 2·Ls/R, which is shorter.

References
----------
.. [1] N. Mohan, T. M. Undeland, W. P. Robbins, Power Electronics, section 5-6 (three-phase, full-bridge
   rectifiers, commutation). From memory.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from shaftloop_models.compiled import equation
from shaftloop_models.parameters import Checked, Clock, Delay, Gain, Number, ParameterError, Quantity

__all__ = [
    "FADING",
    "SUPPLY",
    "Bridge",
    "DcLink",
    "Rectifier",
    "Stiff",
    "Supply",
    "TwoWay",
    "awake_share",
    "bridge_voltages",
    "two_way_flow",
    "unstable_link",
    "voltage_limit",
]

FADING = 0.25e-3
"""Time constant with which the current of blocking diodes fades. [s]"""
SUPPLY = "supply"
"""What a loop reads and acts on that keeps the voltage of a two-way supply."""
_CURRENCIES = ("USD/J", "GBP/J", "CHF/J", "JPY/J")


class Supply(Checked):
    """What feeds the DC link."""

    price: Gain | None

    def check(self) -> None:
        """Check nothing across the parameters."""

    def nominal(self) -> float:
        """Return the voltage of the link without load [V]."""
        raise NotImplementedError

    def link(self) -> "DcLink | None":
        """Return the link whose voltage is a state, nothing where it is stiff."""
        return None

    def timing(self) -> Clock | None:
        """Return when the voltage is measured, nothing where it is not."""
        return None


@dataclass(frozen=True, kw_only=True)
class Stiff(Supply):
    """Parameters of a link whose voltage stays what it is."""

    kind: Literal["stiff"] = "stiff"
    voltage: Annotated[float, Quantity("V", "DC-link voltage", gt=0.0, le=1500.0)] = 600.0
    price: Annotated[
        Gain | None, Quantity("EUR/J", "price of energy from the grid", ge=0.0, also=_CURRENCIES)
    ] = None

    def nominal(self) -> float:
        """Return the stated voltage [V]."""
        return self.voltage


@dataclass(frozen=True, kw_only=True)
class DcLink(Supply):
    """Parameters of a link whose voltage follows what flows in and out."""

    capacitance: Annotated[
        float,
        Quantity("F", "capacitance of the link, that of all inverters; a stiff link needs none", gt=0.0),
    ]
    undervoltage: Annotated[
        float | None,
        Quantity(
            "V", "below it inverters draw nothing and give no torque; half the nominal where left out", gt=0.0
        ),
    ] = None
    overvoltage: Annotated[
        float | None, Quantity("V", "largest voltage that the inverters stand", gt=0.0)
    ] = None
    initial_voltage: Annotated[
        float | None, Quantity("V", "at the start; the nominal where left out, 0 V: not charged yet", ge=0.0)
    ] = None
    discharge_resistance: Annotated[
        float | None, Quantity("ohm", "resistor across the link that discharges it", gt=0.0)
    ] = None
    price: Annotated[
        Gain | None, Quantity("EUR/J", "price of energy from the grid", ge=0.0, also=_CURRENCIES)
    ] = None

    def check(self) -> None:
        """Check the order of the voltages."""
        low, high = self.lowest(), self.overvoltage
        if low >= self.nominal():
            raise ParameterError(
                "undervoltage", f"{low:g} V is not below the {self.nominal():.6g} V of the link; lower it"
            )
        if high is not None and high <= self.nominal():
            raise ParameterError(
                "overvoltage", f"{high:g} V is not above the {self.nominal():.6g} V of the link; raise it"
            )

    def lowest(self) -> float:
        """Return the voltage below which the inverters are off [V]."""
        return 0.5 * self.nominal() if self.undervoltage is None else self.undervoltage

    def start(self) -> float:
        """Return the voltage at the start [V]."""
        return self.nominal() if self.initial_voltage is None else self.initial_voltage

    def link(self) -> "DcLink":
        """Return itself."""
        return self


@dataclass(frozen=True, kw_only=True)
class Bridge(DcLink):
    """Parameters of a bridge on a three-phase line, and of the line."""

    line_voltage: Annotated[float, Quantity("V", "line to line, rms", gt=0.0, le=1000.0)]
    line_frequency: Annotated[float, Quantity("Hz", "of the line", ge=10.0, le=1000.0)]
    source_inductance: Annotated[
        float, Quantity("H", "of each phase, line, transformer and choke together", gt=0.0)
    ]
    source_resistance: Annotated[float, Quantity("ohm", "of each phase", ge=0.0)] = 0.0
    precharge_resistance: Annotated[
        float | None, Quantity("ohm", "in series on the DC side until the link is charged", gt=0.0)
    ] = None
    precharge_until: Annotated[
        float | None,
        Quantity("V", "voltage from which it is bridged; 90 % of nominal where left out", gt=0.0),
    ] = None

    def check(self) -> None:
        """Check that pre-charge comes to an end."""
        super().check()
        if self.precharge_until is None:
            return
        if self.precharge_resistance is None:
            raise ParameterError("precharge_until", "there is no precharge_resistance to bridge; state one")
        if self.precharge_until >= self.ideal():
            raise ParameterError(
                "precharge_until",
                f"{self.precharge_until:g} V is never reached: the line charges to {self.ideal():.6g} V",
            )

    def nominal(self) -> float:
        """Return Vd0 [V]."""
        return self.ideal()

    def ideal(self) -> float:
        """Return Vd0, the mean voltage of the bridge without load [V]."""
        return 3.0 * 2.0**0.5 / math.pi * self.line_voltage

    def commutation(self) -> float:
        """Return the drop of voltage per current by commutation [ohm]."""
        return 6.0 * self.line_frequency * self.source_inductance

    def bridged_from(self) -> float:
        """Return the voltage from which the pre-charge resistor is bridged [V]."""
        return 0.9 * self.ideal() if self.precharge_until is None else self.precharge_until

    def bare_from(self) -> float:
        """Return the voltage from which the link is charged without a resistor in series [V]."""
        return self.start() if self.precharge_resistance is None else max(self.start(), self.bridged_from())

    def surge(self) -> float:
        """Return to which voltage source inductance and capacitor swing, charged without resistor [V]."""
        rise = max(self.ideal() - self.bare_from(), 0.0)
        resistance, squared = 2.0 * self.source_resistance + self.commutation(), 8.0 * self.source_inductance
        lively = max(squared / self.capacitance - resistance**2, 1e-12 * resistance**2) ** 0.5
        return self.ideal() + rise * math.exp(-math.pi * resistance / lively)


@dataclass(frozen=True, kw_only=True)
class Rectifier(Bridge):
    """Parameters of a supply that feeds only: diodes."""

    kind: Literal["rectifier"]


@dataclass(frozen=True, kw_only=True)
class TwoWay(Bridge):
    """Parameters of a supply that feeds and returns; a loop that acts on it keeps the voltage."""

    kind: Literal["two_way"]
    voltage: Annotated[float, Quantity("V", "that its control keeps", gt=0.0, le=1500.0)]
    power_limit: Annotated[float, Quantity("W", "largest power from the line", gt=0.0)]
    return_limit: Annotated[
        float | None, Quantity("W", "largest power back; power_limit where left out", ge=0.0)
    ] = None
    time_constant: Annotated[
        float, Quantity("s", "lag of its current behind its command", gt=0.0, le=0.1)
    ] = 1e-3
    sampling: Annotated[Fraction, Quantity("Hz", "rate at which it measures the voltage", gt=0.0)]
    latency: Annotated[Delay, Quantity("s", "from the sample to its control", ge=0.0, also=("sample",))] = (
        Delay(Fraction(0))
    )
    quantum: Annotated[float, Quantity("V", "step of the measurement; none at 0", ge=0.0)] = 0.0
    idle_loss: Annotated[
        float, Quantity("W", "loss without power, taken from the line: control, fans, filter", ge=0.0)
    ] = 0.0
    linear_loss: Annotated[float, Number("loss that goes with the power: a share of it", ge=0.0, lt=0.5)] = (
        0.0
    )
    quadratic_loss: Annotated[float, Quantity("1/W", "loss over the square of the power", ge=0.0)] = 0.0

    def check(self) -> None:
        """Check that the voltage lies above the crest of the line, and what the losses leave."""
        super().check()
        crest = 2.0**0.5 * self.line_voltage
        if self.voltage <= crest:
            raise ParameterError(
                "voltage",
                f"{self.voltage:g} V is not above the crest of the line, {crest:.4g} V: its diodes would "
                "conduct all the time; raise it or lower line_voltage",
            )
        share = self.linear_loss + self.quadratic_loss * max(self.power_limit, self.returned())
        if share >= 0.5:
            raise ParameterError(
                "quadratic_loss",
                f"at the power limit {100.0 * share:.0f} % of the power would be lost; allowed: below half "
                "of it; lower quadratic_loss or linear_loss",
            )

    def nominal(self) -> float:
        """Return the voltage that is kept [V]."""
        return self.voltage

    def returned(self) -> float:
        """Return the largest power back [W]."""
        return self.power_limit if self.return_limit is None else self.return_limit

    def timing(self) -> Clock:
        """Return when the voltage is measured."""
        period = 1 / self.sampling
        return Clock(period, Fraction(0), self.latency.seconds(period), ("sampling", "", "latency"))


def voltage_limit(link_voltage: float, modulation: float) -> float:
    """Return the largest phase voltage amplitude that the inverter can make [V].

    Parameters
    ----------
    link_voltage : float
        [V]
    modulation : float
        Share of the linear range of space-vector modulation that is used; 1 is all of it. [1]
    """
    return float(modulation * link_voltage / 3.0**0.5)


def unstable_link(bridge: Bridge, voltage: float, current: float) -> str:
    """Return, in words, that machines of constant power make a link unstable; empty where they do not.

    With ``L·I' = Vd0 − V − R·I`` and ``C·V' = I − P/V`` it is stable where ``R/L > P/(C·V²)``.

    Parameters
    ----------
    voltage : float
        Steady one of the link. [V]
    current : float
        Steady one of the bridge. [A]
    """
    resistance = 2.0 * bridge.source_resistance + bridge.commutation()
    damped, rate = resistance / (2.0 * bridge.source_inductance), current / (bridge.capacitance * voltage)
    if rate <= damped:
        return ""
    least = float(f"{1.1 * current / (damped * voltage) * 1e6:.2g}")
    return (
        "the link itself is unstable, whatever the gains: its machines draw "
        f"{1e-3 * voltage * current:.3g} kW at any voltage, so that P/(C·V²) = {rate:.3g} 1/s, above "
        f"R/L = {damped:.3g} 1/s of line and bridge; raise supply.capacitance to {least:g} uF or more"
    )


@equation
def awake_share(voltage: float, lowest: float) -> float:
    """Return which share of its idle power an inverter draws: none below 0.9, all from 1 times the lowest.

    Parameters
    ----------
    voltage : float
        Of the link. [V]
    lowest : float
        Undervoltage. [V]
    """
    return min(max(10.0 * (voltage / lowest - 0.9), 0.0), 1.0)


@equation
def two_way_flow(
    power: float, line: float, voltage: float, linear: float, quadratic: float, narrow: float, least: float
) -> tuple[float, float]:
    """Return the current into the link [A] and the loss on the way [W].

    Parameters
    ----------
    power : float
        p. [W]
    line : float
        s, the share of the line's voltage. [1]
    voltage : float
        Of the link. [V]
    linear, quadratic : float
        Parts of the loss. [1], [1/W]
    narrow : float
        Power over which the linear part is rounded off. [W]
    least : float
        Voltage below which the current stays finite. [V]
    """
    square = power * power
    lost = linear * square / math.sqrt(square + narrow * narrow) + quadratic * square
    return (line * power - lost) * voltage / max(voltage * voltage, least * least), lost


@equation
def bridge_voltages(
    voltage: float,
    current: float,
    line: float,
    bridged: float,
    resistance: float,
    fading: float,
    precharge: float,
    commutation: float,
) -> tuple[float, float, float]:
    """Return the voltage at the inductance, that of the grid's power, and what pre-charge takes of it [V].

    Parameters
    ----------
    voltage, current : float
        Of the link [V] and of the bridge [A].
    line : float
        s·Vd0. [V]
    bridged : float
        1 where the pre-charge resistor is bridged, else 0. [1]
    resistance : float
        2·Rs and commutation. [ohm]
    fading : float
        Inductance over the time in which the current of blocking diodes fades. [ohm]
    precharge : float
        Resistor for pre-charge. [ohm]
    commutation : float
        Of `resistance`, what makes no heat. [ohm]
    """
    free, fades = line - voltage - resistance * current, -fading * current
    if bridged > 0.5:
        left = max(free, fades)
    else:
        left = fades + fading * max(line - voltage, 0.0) / (resistance + precharge)
    return left, line - commutation * current + max(left - free, 0.0), max(free - left, 0.0)
