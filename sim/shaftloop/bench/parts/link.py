"""The DC link on the bench: what feeds it, capacitor, brake resistors, what the machines draw from it."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from shaftloop.bench.parts.brake_resistor import BenchResistor
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.ratings import Rating, watch
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.control.supply_control import supply_tick
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Channel
from shaftloop.engine.rows import (
    CompareNumbers,
    CompareWords,
    FollowNumbers,
    FollowWords,
    SampleNumbers,
    SampleWords,
)
from shaftloop.kernels.arrays import Floats
from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.dc_link import (
    LinkPorts,
    SourcePorts,
    balance_link,
    declare_drain,
    declare_link,
    declare_supply,
)
from shaftloop_models.network import Feed, Network, Ref
from shaftloop_models.parameters import Clock
from shaftloop_models.part import Machine
from shaftloop_models.supply import SUPPLY, Bridge, DcLink, TwoWay, unstable_link

__all__ = ["HOLDS", "BenchLink", "make_link"]

HOLDS = 1.03
"""Voltage over the on level of a resistor that counts as held: how far it rises from one look to the next."""


_QUICK = 0.1
"""Share of its voltage by which a link may move in a period of control: beyond, control comes too late."""

_FOLLOWS = 4.0
"""Product of P/(C·V²) and the period of control beyond which no bench works, whatever its machines draw."""


class BenchLink:
    """The DC link on a bench; a stiff one has no parameters and nothing to say.

    `nominal` is the voltage that it has, or has without load. [V]
    """

    ports: LinkPorts | None = None
    source: SourcePorts
    profile: int = -1
    """Number of the profile of the line's voltage: its share beyond 1."""
    reading_slot: int = -1
    """Where the control of a two-way supply reads by how much the voltage differs from what it keeps."""
    command_slot: int = -1
    """Where its loop puts the power that it wants."""

    def __init__(
        self,
        nominal: float = math.nan,
        supply: DcLink | None = None,
        resistors: Iterable[BrakeResistor] = (),
    ) -> None:
        self.nominal = nominal
        self.supply = supply
        self.resistors = tuple(BenchResistor(resistor) for resistor in resistors)
        self.drains: dict[str, Ref] = {}
        """Currents that the machines draw. [A]"""
        self.squares: dict[str, int] = {}
        """Meters of the square of the current that every machine draws."""

    def declare(self, net: Network) -> None:
        """Add capacitor, supply and resistors, ahead of the machines."""
        net.feed = Feed(self.nominal)

    def connect(self, net: Network, machines: Iterable[BenchMachine[Machine]]) -> None:
        """Let the machines draw what their meters say, and state the balance."""

    @property
    def voltage_slot(self) -> int:
        """State: the voltage of the link; -1 where it is stiff."""
        return -1 if self.ports is None else self.ports.voltage.index

    def wire_control(self, wiring: Wiring) -> None:
        """Add what the loop of a two-way supply reads and acts on, where there is one."""

    def wire(self, wiring: Wiring, profile: int, first_meter: int, integral: int) -> None:
        """Add the tasks, by the profile of the line's voltage; `integral` is -1 if no loop acts on it."""

    def grid_meters(self, machines: Sequence[int]) -> Sequence[int]:
        """Return the meters whose sum is the energy from the grid, given those of what the machines take."""
        return machines

    def channels(self) -> Iterator[Channel]:
        """Yield what is recorded of it."""
        yield from ()

    def peaks(self) -> list[tuple[str, Ref]]:
        """Return the quantities whose extremes are kept, by name."""
        return []

    def highest(self, state: Floats) -> dict[str, float]:
        """Return further quantities whose largest value a run leaves in its state, by name."""
        return {}

    def steady(self, meters: Mapping[str, float], length: float) -> dict[str, float]:
        """Return the mean power of every resistor [W], by the names of its largest ones.

        `meters` holds the energy [J] of every meter over a duty of some length [s].
        """
        names = [resistor.parameters.name for resistor in self.resistors]
        return {f"{name}.mean_power": meters[f"{name}.heat"] / length for name in names}

    def ratings(self) -> list[Rating]:
        """Return what the inverters and the resistors stand."""
        return []

    def runs_full(self, state: Floats) -> bool:
        """Return whether a state is on its way up, for nothing takes what the machines give."""
        return False

    def rings(self, state: Floats) -> str:
        """Return, in words, that it is unstable by itself whatever the loops do; empty where it is not."""
        return ""

    def sizes(self) -> dict[int, float]:
        """Return the usual size of its states by their slots."""
        return {}

    def findings(self, peaks: Mapping[str, tuple[float, float]]) -> list[str]:
        """Return, in words, what went wrong with the voltage in a run, by its (lowest, highest) values."""
        return []

    def too_small(self, peaks: Mapping[str, tuple[float, float]]) -> str:
        """Return, in words, that the capacitor is too small for the control; empty where it is not."""
        return ""


class _LiveLink(BenchLink):
    """A link whose voltage is a state, fed by a bridge."""

    supply: Bridge
    ports: LinkPorts
    slowest: float
    """Longest period of control of the machines. [s]"""

    def declare(self, net: Network) -> None:
        """Add capacitor, supply and resistors."""
        self.ports = declare_link(net, self.supply)
        self.source = declare_supply(net, self.ports, self.supply)
        for resistor in self.resistors:
            resistor.declare(net, self.ports)

    def connect(self, net: Network, machines: Iterable[BenchMachine[Machine]]) -> None:
        """Add what the machines draw, and the balance."""
        drawn = []
        for machine in machines:
            drawn.append(machine.link_meter)
            name, slope = machine.name, self._slope(machine)
            found = declare_drain(net, self.ports, name, machine.link_meter, slope)
            self.drains[name], self.squares[name] = found
        balance_link(
            net,
            self.ports,
            self.source.delivered,
            drawn,
            [resistor.ports.heat for resistor in self.resistors],
        )

    def _slope(self, machine: BenchMachine[Machine]) -> float:
        """Return P/V² where a machine draws most, no more than control could keep up with [A/V]."""
        clock, volts = machine.parameters.timing(), self.supply.lowest()
        most = _FOLLOWS * self.supply.capacitance / float(clock.period)
        return min(machine.largest_power(volts) / volts**2, most)

    def wire_control(self, wiring: Wiring) -> None:
        """Add the measurement of the voltage, and the slot of the command."""
        supply = self.supply
        if not isinstance(supply, TwoWay):
            return
        layout, clock = wiring.layout, supply.timing()
        begin = supply.start() - supply.voltage
        self.reading_slot = layout.add("supply.reading", SlotKind.HELD, "V", initial=begin)
        self.command_slot = layout.add("supply.command_active", SlotKind.HELD, "W")
        emit = wiring.line("supply.measured", "V", clock, self.reading_slot)
        words = SampleWords(wiring.plant.z(self.ports.voltage), emit, 0)
        quantum = 0.0 if wiring.smooth else supply.quantum
        numbers = SampleNumbers(1.0, -supply.voltage, 0.0, 1.0, math.inf, quantum, 0.0, 0.0, 0.0, 0.0)
        wiring.add("supply.voltmeter", at.SAMPLE, clock, Priority.SAMPLE, words, numbers)

    def _wire_switches(self, wiring: Wiring, supply: TwoWay, integral: int) -> None:
        """Add what makes of the command of the loop what the switches carry."""
        assert self.source.power is not None, "declared with the supply"
        loop = next(loop for loop in wiring.description.loop if loop.acts_on == SUPPLY)
        share = 0.0
        if loop.kp.value:
            share = float(1 / loop.rate) * loop.ki.value / loop.kp.value
        back = supply.returned()
        limits = (math.inf, math.inf) if wiring.smooth else (supply.power_limit, back)
        reads = (self.command_slot, wiring.held_slot(self.source.line), wiring.held_slot(self.source.bridged))
        writes = (wiring.held_slot(self.source.power), integral)
        numbers = (*limits, share, 1.0 / supply.ideal())
        levels = (("power", "W", supply.power_limit), ("returned_power", "W", back))
        slots, watched = (-1, reads, writes), (watch(wiring, SUPPLY, levels, "the supply"), len(levels))
        name, clock = "supply.switches", loop.timing()
        wiring.own_task(name, Priority.MACHINE, clock, _control, slots, numbers, watched)

    def wire(self, wiring: Wiring, profile: int, first_meter: int, integral: int) -> None:
        """Add line, contactor of the pre-charge and choppers; all look as often as the fastest machine."""
        self.profile = profile
        periods = [machine.timing().period for machine in wiring.description.machines()]
        clock, self.slowest = Clock(min(periods), Fraction(0)), float(max(periods))
        line, bridged = self.source.line, self.source.bridged
        # On a smooth bench, too: an input that nothing writes would seem to move by rounding.
        a = FollowWords(profile, wiring.held_slot(line))
        f = FollowNumbers(self.supply.ideal())
        wiring.add("supply.line", at.FOLLOW, clock, Priority.SAMPLE, a, f)
        closes = -1.0 if wiring.smooth or not self.supply.precharge_resistance else self.supply.bridged_from()
        words = CompareWords(self.ports.voltage.index, wiring.held_slot(bridged), -1, 0)
        levels = CompareNumbers(0.5 * closes - 1.0, closes, 0.0, 0.0, 0.0)
        wiring.add("supply.contactor", at.COMPARE, clock, Priority.SAMPLE, words, levels)
        if isinstance(self.supply, TwoWay):
            self._wire_switches(wiring, self.supply, integral)
        for resistor in self.resistors:
            resistor.wire(wiring, clock.period, first_meter)

    def grid_meters(self, machines: Sequence[int]) -> Sequence[int]:
        """Return the supply's own meter."""
        return (self.source.grid,)

    def channels(self) -> Iterator[Channel]:
        """Yield the voltage, the current of the supply and the power of the resistors."""
        yield Channel("link_voltage", "V", (("z", self.ports.voltage, 1.0),))
        yield Channel("supply_current", "A", (("z", self.source.whole, 1.0),))
        for resistor in self.resistors:
            yield Channel(f"{resistor.parameters.name}_power", "W", (("z", resistor.ports.power, 1.0),))

    def peaks(self) -> list[tuple[str, Ref]]:
        """Return voltage and currents."""
        found = [("link.voltage", self.ports.voltage), ("supply.current", self.source.whole)]
        return found + [(f"{name}.link_current", current) for name, current in self.drains.items()]

    def highest(self, state: Floats) -> dict[str, float]:
        """Return the largest mean power [W] and pulse energy [J] of every resistor."""
        found = {}
        for resistor in self.resistors:
            name, load = resistor.parameters.name, resistor.load_slot
            found[f"{name}.pulse_energy"] = float(state[load + 2])
            found[f"{name}.mean_power"] = float(state[load + 4]) / resistor.period
        return found

    def ratings(self) -> list[Rating]:
        """Return the voltage that the inverters stand, and the heat load of the resistors."""
        over = self.supply.overvoltage
        found = [] if over is None else [Rating("link", "voltage", "V", None, over, "link.voltage")]
        for part in (resistor.parameters for resistor in self.resistors):
            if part.continuous_power is not None:
                rated, name = part.continuous_power, f"{part.name}.mean_power"
                found.append(Rating(part.name, "mean_power", "W", rated, None, name))
            if part.pulse_energy is not None:
                name = f"{part.name}.pulse_energy"
                found.append(Rating(part.name, "pulse_energy", "J", None, part.pulse_energy, name))
        return found

    def runs_full(self, state: Floats) -> bool:
        """Return whether a bridge without switches blocks well above its own voltage, without a resistor."""
        volts, amperes = (float(state[ref.index]) for ref in (self.ports.voltage, self.source.current))
        feeds_only = self.command_slot < 0
        return feeds_only and not self.resistors and volts > 1.02 * self.supply.nominal() and amperes < 1e-3

    def rings(self, state: Floats) -> str:
        """Return that constant power makes it unstable, where a bridge without switches feeds it."""
        volts, amperes = (float(state[ref.index]) for ref in (self.ports.voltage, self.source.current))
        return "" if self.command_slot >= 0 else unstable_link(self.supply, volts, amperes)

    def sizes(self) -> dict[int, float]:
        """Return the current that a tenth of the voltage would ring with."""
        supply = self.supply
        ring = math.sqrt(supply.capacitance / (2.0 * supply.source_inductance))
        return {self.source.current.index: 0.1 * supply.nominal() * ring}

    def findings(self, peaks: Mapping[str, tuple[float, float]]) -> list[str]:
        """Return which resistors do not hold the link."""
        highest, found = peaks["link.voltage"][1], []
        for part in (resistor.parameters for resistor in self.resistors):
            # What a charge without resistor does is no matter of braking; its diodes fade, 1 % on top.
            if highest > max(HOLDS * part.on_level, 1.02 * self.supply.surge()):
                most = part.on_level**2 / part.resistance
                found.append(
                    f"brake resistor {part.name} does not hold the link: {highest:.4g} V at its on level of "
                    f"{part.on_level:.4g} V, where it takes {most / 1000.0:.3g} kW; "
                    "lower its resistance or brake more slowly"
                )
        return found

    def too_small(self, peaks: Mapping[str, tuple[float, float]]) -> str:
        """Return that the largest current moves the voltage much in a period of control, if it does."""
        volts, capacitance = self.supply.nominal(), self.supply.capacitance
        amperes = max(abs(peak) for name in self.drains for peak in peaks[f"{name}.link_current"])
        least = amperes * self.slowest / (_QUICK * volts)
        if capacitance >= least:
            return ""
        enough = float(f"{least * 1e6:.2g}")
        return (
            f"the capacitance of the link, {capacitance * 1e6:.3g} uF, is too small: a machine draws "
            f"{amperes:.3g} A, which moves {volts:.4g} V by more than {100.0 * _QUICK:.0f} % in a period of "
            f"control of {self.slowest * 1e6:.4g} us; raise supply.capacitance to {enough:g} uF or more"
        )


def make_link(nominal: float, supply: DcLink | None, resistors: tuple[BrakeResistor, ...]) -> BenchLink:
    """Return the link of a supply, before it has equations; a stiff one has no parameters."""
    return BenchLink(nominal) if supply is None else _LiveLink(nominal, supply, resistors)


def _control(x: Floats, p: Floats, y: Floats) -> None:
    y[0], y[1] = supply_tick(x[1], p[3] * x[2], x[3], y[1], (p[0], p[1], p[2]))
    y[2], y[3] = max(y[0], 0.0), 1.0 if y[0] >= p[0] else 0.0
    y[4], y[5] = max(-y[0], 0.0), 1.0 if y[0] <= -p[1] else 0.0
