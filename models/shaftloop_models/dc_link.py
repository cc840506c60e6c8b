"""The equations of a DC link whose voltage is a state: capacitor, machines, supply, brake resistors.

Every machine draws ``P·V/max(V², (V_low/2)²)`` with P what its meter of link energy states: P/V, and
nothing from an empty link. Inverters are off below V_low, so no power is left to draw where the two differ.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.network import ONE, Feed, Network, PowerKind, Ref, Term, TermKind
from shaftloop_models.supply import FADING, Bridge, DcLink, TwoWay

__all__ = [
    "LinkPorts",
    "ResistorPorts",
    "SourcePorts",
    "balance_link",
    "declare_drain",
    "declare_link",
    "declare_resistor",
    "declare_square",
    "declare_supply",
]


@dataclass(frozen=True)
class LinkPorts:
    """What the rest of the bench connects to."""

    supply: DcLink
    voltage: Ref
    """State. [V]"""


@dataclass(frozen=True)
class SourcePorts:
    """What feeds the link."""

    current: Ref
    """State: of the diodes, into the link. [A]"""
    whole: Ref
    """What flows into the link, of diodes and switches. [A]"""
    grid: int
    """Meter: energy from the grid."""
    delivered: int
    """Meter: energy into the link."""
    square: int
    """Meter: square of the current."""
    line: Ref
    """Held input: voltage of the line behind an ideal bridge. [V]"""
    bridged: Ref
    """Held input: 1 where the pre-charge resistor is bridged."""
    power: Ref | None = None
    """Held input of a two-way supply: what its current is to stand for. [W]"""


@dataclass(frozen=True)
class ResistorPorts:
    """What the rest of the bench connects to."""

    share: Ref
    """Held input: share of the time in which it is on."""
    power: Ref
    """[W]"""
    heat: int
    """Meter: energy that it has taken."""


def declare_link(net: Network, supply: DcLink) -> LinkPorts:
    """Add the capacitor, of whose voltage the machines then know."""
    voltage = net.state("link.voltage", "V", supply.start())
    net.feed = Feed(supply.nominal(), voltage, supply.lowest())
    if supply.discharge_resistance is not None:
        net.derivative(voltage, voltage, -1.0 / (supply.discharge_resistance * supply.capacitance))
    return LinkPorts(supply, voltage)


def declare_drain(net: Network, link: LinkPorts, name: str, meter: int, slope: float) -> tuple[Ref, int]:
    """Let a machine draw the power that a meter states; return its current and the meter of its square.

    The meter then integrates what leaves the link; the balance of the machine tells whether it is the same.

    Parameters
    ----------
    name : str
        Of the machine.
    meter : int
        Energy that the machine takes from the link.
    slope : float
        Largest change of its current by the voltage, P/V², for the step rule. [A/V]
    """
    powers = [power for power in net.powers if power.meter == meter]
    net.powers[:] = [power for power in net.powers if power.meter != meter]
    current = net.output(f"{name}.link_current")
    net.power(meter, PowerKind.PRODUCT, 1.0, link.voltage, current)
    reads = [link.voltage, *(ref for power in powers for ref in (power.a, power.b))]
    choices = (len(powers), *(int(power.kind) for power in powers))
    parameters = (link.supply.lowest(), *(power.coefficient for power in powers))
    net.terms.append(Term(TermKind.LINK, tuple(reads), parameters, (current,), slope, choices))
    net.derivative(link.voltage, current, -1.0 / link.supply.capacitance)
    return current, declare_square(net, current)


def declare_square(net: Network, current: Ref) -> int:
    """Add the meter of which the rms of a current is taken and return its number.

    Parameters
    ----------
    current : Ref
        [A]
    """
    number = len(net.meters)
    return net.meter(f"square{number}", "square of a current", [(1.0, current, current)], "A^2 s")


def declare_supply(net: Network, link: LinkPorts, supply: Bridge) -> SourcePorts:
    """Add the bridge, with its switches where it has some, and its balance."""
    inductance, heat = 2.0 * supply.source_inductance, 2.0 * supply.source_resistance
    drop = heat + supply.commutation()
    precharge = supply.precharge_resistance or 0.0
    charged = not precharge or supply.start() >= supply.bridged_from()
    current = net.state("supply.current", "A")
    line = net.held("supply.line", "V", supply.ideal())
    bridged = net.held("supply.bridged", "1", float(charged))
    quickest = max(0.5 / FADING, drop / inductance, 1.0 / math.sqrt(inductance * supply.capacitance))
    # All of it is one term: where the diodes block, a linear part would have to be taken back.
    left, fed, lost = (
        net.output("supply.inductance"),
        net.aside("supply.fed"),
        net.aside("supply.precharge"),
    )
    reads = (link.voltage, current, line, bridged)
    parameters = (drop, inductance / FADING, precharge, supply.commutation())
    net.terms.append(Term(TermKind.BRIDGE, reads, parameters, (left, fed, lost), slope=inductance * quickest))
    net.derivative(current, left, 1.0 / inductance)
    net.derivative(link.voltage, current, 1.0 / supply.capacitance)
    grid = net.meter("supply.grid", "energy from the grid", [(1.0, fed, current)])
    delivered = net.meter("supply.link", "energy into the DC link", [(1.0, link.voltage, current)])
    losses = []
    if heat:
        losses.append(net.meter("supply.source", "loss of line and bridge", [(heat, current, current)]))
    if precharge:
        losses.append(net.meter("supply.precharge", "loss of pre-charge", [(1.0, lost, current)]))
    ports = SourcePorts(current, current, grid, delivered, -1, line, bridged)
    if isinstance(supply, TwoWay):
        ports = _declare_switches(net, link, supply, ports)
        losses.append(net.meter_number("supply.switches"))
    square = declare_square(net, ports.whole)
    net.balance("supply", [grid], [delivered], losses, [(0.5 * inductance, current, current)], switched=True)
    return replace(ports, square=square)


def _declare_switches(net: Network, link: LinkPorts, supply: TwoWay, ports: SourcePorts) -> SourcePorts:
    """Add what the switches of a two-way supply carry, to the meters of its diodes."""
    power = net.state("supply.power", "W")
    wanted = net.held("supply.wanted", "W")
    net.derivative(power, power, -1.0 / supply.time_constant)
    net.derivative(power, wanted, 1.0 / supply.time_constant)
    switched = net.output("supply.switched")
    whole, lost = net.aside("supply.whole"), net.aside("supply.lost")
    fed = net.aside("supply.switches_fed")
    parameters = (
        1.0 / supply.ideal(), supply.linear_loss, supply.quadratic_loss, 0.01 * supply.power_limit,
        0.5 * supply.lowest(), supply.idle_loss,
    )  # fmt: skip
    reads = (power, ports.line, link.voltage, ports.current)
    # No step rule: its lag is linear, and the rate P/(C·V²) is as that of a machine.
    net.terms.append(Term(TermKind.SWITCHES, reads, parameters, (switched, whole, lost, fed), slope=0.0))
    net.derivative(link.voltage, switched, 1.0 / supply.capacitance)
    net.power(ports.grid, PowerKind.PRODUCT, 1.0, fed, ONE)
    net.power(ports.delivered, PowerKind.PRODUCT, 1.0, link.voltage, switched)
    idle = [(supply.idle_loss / supply.ideal(), ports.line, ONE)]
    net.meter("supply.switches", "loss of the switches", [(1.0, lost, ONE), *idle])
    return replace(ports, whole=whole, power=wanted)


def declare_resistor(net: Network, link: LinkPorts, resistor: BrakeResistor) -> ResistorPorts:
    """Add a brake resistor.

    Parameters
    ----------
    link : LinkPorts
        The link across which it lies.
    """
    share = net.held(f"{resistor.name}.share", "1")
    conductance = 1.0 / resistor.resistance
    current, power = net.output(f"{resistor.name}.current"), net.aside(f"{resistor.name}.power")
    net.terms.append(
        Term(TermKind.CHOPPER, (share, link.voltage), (conductance,), (current, power), slope=conductance)
    )
    net.derivative(link.voltage, current, -1.0 / link.supply.capacitance)
    meter = net.meter(f"{resistor.name}.heat", "heat in the brake resistor", [(1.0, current, link.voltage)])
    return ResistorPorts(share, power, meter)


def balance_link(
    net: Network, link: LinkPorts, incoming: int, drawn: Iterable[int], heats: Iterable[int]
) -> None:
    """State the balance of the link.

    Parameters
    ----------
    incoming : int
        Meter of what feeds it.
    drawn : iterable of int
        Meters of what the machines take.
    heats : iterable of int
        Meters of the brake resistors.
    """
    supply, losses = link.supply, list(heats)
    if supply.discharge_resistance is not None:
        leak = [(1.0 / supply.discharge_resistance, link.voltage, link.voltage)]
        losses.append(net.meter("link.discharge", "loss of the discharge resistor", leak))
    stored = [(0.5 * supply.capacitance, link.voltage, link.voltage)]
    net.balance("link", [incoming], list(drawn), losses, stored, switched=True)
