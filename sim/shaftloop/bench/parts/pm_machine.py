"""A PM machine on the bench: its current control makes voltages, active one period later."""

import math

from shaftloop.bench.parts.limits import Violation
from shaftloop.bench.parts.machine import TorqueCurve
from shaftloop.bench.parts.part import Site, on_bench
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.parts.wound import BenchWoundMachine
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.heat import Body, Thermal
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.rows import PM_NUMBERS, PmNumbers, PmWords
from shaftloop.kernels.arrays import Floats
from shaftloop.kernels.decorators import kernel
from shaftloop_models.diodes import declare_diodes
from shaftloop_models.network import Network, Warmth
from shaftloop_models.pm_flux import sampled_currents
from shaftloop_models.pm_machine import (
    CurrentControl,
    PmMachine,
    PmPorts,
    current_reference,
    declare_iron_loss,
    declare_pm_machine,
)
from shaftloop_models.supply import DcLink

__all__ = ["BenchPmMachine"]

_current_reference = kernel(current_reference)

_ELECTRICAL = (1, 2, 6)
"""Multiples of the electrical frequency at which a three-phase winding with an inverter excites."""
_FINE, _COARSE = 100, 40
"""Currents of a table of torques: for control, and to be drawn."""
_SHORT = 1e-3
"""Share of the torque that a machine must lack before it counts as too weak."""


def _rising(curve: TorqueCurve) -> tuple[tuple[float, float], ...]:
    """Return torques made and believed, from 0 to where more current makes no more torque [N m]."""
    pairs = [(0.0, 0.0)]
    for pair in zip(curve.made, curve.believed, strict=True):
        if pair[0] <= pairs[-1][0]:
            break
        pairs.append(pair)
    return tuple(pairs)


@on_bench(PmMachine)
class BenchPmMachine(BenchWoundMachine[PmMachine]):
    """A PM machine on a bench."""

    ports: PmPorts
    warmths: tuple[Warmth, ...]
    """What follows the temperatures."""
    copper: int
    """Meter of the loss that warms the winding."""
    warming: tuple[int, ...]
    """Meters of the losses that warm the housing."""
    control_task: int
    raises = "the voltage of the supply"

    @property
    def oriented(self) -> tuple[str, CurrentControl]:
        """Return its current control."""
        return "current_control", self.parameters.current_control

    def excitations(self) -> list[tuple[float, str]]:
        """Return the orders of the electrics, then those of ripple and cogging."""
        p = self.parameters.pole_pairs
        return [(float(m * p), f"{m}x electrical of") for m in _ELECTRICAL] + super().excitations()

    def sizes(self, torque: float) -> dict[str, float]:
        """Return the current of a torque, and the flux of the magnets where fluxes are states."""
        current = {"A": torque / self.parameters.torque_constant()}
        return current if self.parameters.flux_map is None else {**current, "Wb": self.parameters.bare_flux()}

    def declare_drive(self, net: Network, site: Site) -> None:
        """Add windings, inverter and iron loss."""
        self.ports = declare_pm_machine(net, self.parameters, site.node, site.angle)
        self.torque, self.link_meter = self.ports.torque, self.ports.link_meter
        losses, warmths = declare_iron_loss(net, self.parameters, site.node, self.ports)
        self.losses, self.warmths = tuple(losses), (*self.ports.warmths, *warmths)
        meters = {meter.name: number for number, meter in enumerate(net.meters)}
        self.copper = meters[f"{self.name}.copper"]
        drag = meters.get(f"{self.name}.drag")
        self.warming = self.losses if drag is None else (*self.losses, drag)

    def block(self, net: Network, supply: DcLink | None) -> None:
        """Add the diodes of its inverter."""
        declare_diodes(net, self.parameters, self.ports, self.node.speed, supply)

    def wire_control(self, wiring: Wiring) -> None:
        """Add the current control."""
        machine, layout, port, smooth = self.parameters, wiring.layout, self.ports, wiring.smooth
        control, clock = machine.current_control, machine.timing()
        integral = layout.add(f"{self.name}.current_integral", SlotKind.HELD, "V", 2)
        self.terminals = wiring.held_slot(port.voltage_d), wiring.held_slot(port.voltage_q)
        seen_d, seen_q, command = self._seen(wiring)
        self.currents = seen_d, seen_q
        emit = self.voltage_line(wiring)
        self.wire_limits(wiring, control.modulation)
        weaken = (1.0 - control.voltage_reserve) * self.limit if control.field_weakening else math.inf
        a = PmWords(
            speed=self.node.speed.index,
            current_d=self.currents[0],
            current_q=self.currents[1],
            command=command,
            integral_d=integral,
            integral_q=integral + 1,
            emit=emit,
            mtpa=int(control.strategy == "mtpa"),
            advance=int(control.angle_advance),
            watch=watch(wiring, self.name, self.kept()),
            link=self.link_slot,
        )
        f = PmNumbers(
            bandwidth=2.0 * math.pi * control.bandwidth,
            resistance=machine.resistance,
            inductance_d=machine.inductance_d,
            inductance_q=machine.inductance_q,
            flux_linkage=machine.flux_linkage,
            period=float(clock.period),
            most_voltage=math.inf if smooth else self.limit,
            current_limit=math.inf if smooth else machine.current_limit,
            weaken_above=weaken,
            pole_pairs=float(machine.pole_pairs),
            lowest=self.lowest,
        )
        name = f"{self.name}.current_control"
        task = wiring.add(name, at.PM_CONTROL, clock, Priority.MACHINE, a, f)
        self.voltage_limits, self.control_task = ((task, PM_NUMBERS.most_voltage, self.limit),), task

    def _seen(self, wiring: Wiring) -> tuple[int, int, int]:
        """Return the slots of currents and command for the control, which another task makes with a map."""
        machine, (d, q) = self.parameters, (ref.index for ref in self.ports.states)
        if machine.flux_map is None:
            return d, q, self.command_slot
        curve = self._curve(_FINE) if machine.current_control.torque_table else None
        pairs = () if curve is None else _rising(curve)
        equation, clock = sampled_currents(machine.flux_map.energy(), pairs), machine.timing()
        units = {"current_d": "A", "current_q": "A", "corrected_command": "N m"}
        seen = [wiring.layout.add(f"{self.name}.{what}", SlotKind.HELD, unit) for what, unit in units.items()]
        slots = -1, (d, q, self.command_slot), seen
        wiring.own_task(f"{self.name}.currents", Priority.MACHINE, clock, equation, slots, ())
        return seen[0], seen[1], seen[2]

    def thermal(self) -> Thermal:
        """Return winding, housing, and the current over time that the inverter allows."""
        heat = self.parameters.heat
        budgets = self.overloads(PM_NUMBERS.current_limit)
        if heat is None:
            return Thermal(budgets=budgets)
        winding, housing = f"{self.name}.winding", f"{self.name}.housing"
        air = (heat.ambient, heat.begins)
        bodies = (
            Body(
                *(winding, heat.winding_capacity, heat.winding_resistance, housing),
                *(*air, heat.winding_limit, (self.copper,)),
            ),
            Body(
                *(housing, heat.housing_capacity, heat.housing_resistance, ""),
                *(*air, heat.housing_limit, self.warming),
            ),
        )
        warmths = tuple((warmth, f"{self.name}.{warmth.body}") for warmth in self.warmths)
        return Thermal(bodies, warmths, budgets)

    def current(self, state: Floats) -> float:
        """Return the amplitude of its current [A]."""
        return math.hypot(*self._currents(*(float(state[ref.index]) for ref in self.ports.states)))

    def _currents(self, d: float, q: float) -> tuple[float, float]:
        """Return the currents of what voltages drive [A]."""
        found = self.parameters.flux_map
        return (d, q) if found is None else found.energy().at(d, q)[:2]

    def _fluxes(self, d: float, q: float) -> tuple[float, float]:
        """Return the flux linkages of currents [Wb]."""
        machine = self.parameters
        if machine.flux_map is None:
            return machine.flux_linkage + machine.inductance_d * d, machine.inductance_q * q
        return machine.flux_map.energy().flux(d, q)

    def _made(self, d: float, q: float) -> float:
        """Return the torque of currents [N m]."""
        along, across = self._fluxes(d, q)
        return 1.5 * self.parameters.pole_pairs * (along * q - across * d)

    def voltage_without_current(self, speed: float) -> float:
        """Return what its magnets make between two terminals, the peak [V]."""
        return math.sqrt(3.0) * self.parameters.pole_pairs * self.parameters.bare_flux() * abs(speed)

    def derived(self) -> dict[str, tuple[float, str]]:
        """Return base speed, at which its current limit takes all voltage, and characteristic current.

        With a map also the torque at the current limit, what the control believes it to be, and how far the
        energy of the map is off its table.
        """
        machine, most = self.parameters, self.parameters.current_limit
        base = self.most_voltage / (machine.pole_pairs * math.hypot(*self._fluxes(*self._strongest(most))))
        found = {
            "base_speed": (base, "rad/s"),
            "characteristic_current": (machine.flux_linkage / machine.inductance_d, "A"),
        }
        if machine.flux_map is not None:
            curve, misfit = self._torques((most,)), machine.flux_map.misfit()
            found["characteristic_current"] = (-machine.flux_map.energy().at(0.0, 0.0)[0], "A")
            found |= {"torque_at_current_limit": (curve.made[0], "N m")}
            if not machine.current_control.torque_table:
                found |= {"believed_torque_at_current_limit": (curve.believed[0], "N m")}
            found |= {"map_misfit_current": (misfit.current, "A"), "map_misfit_flux": (misfit.flux, "Wb")}
            found |= {"map_largest_misfit_flux": (misfit.most_flux, "Wb"), "map_curl": (misfit.curl, "H")}
        return found

    def _strongest(
        self, size: float, torque: float = 0.0, speed: float = 0.0, volts: float = math.inf
    ) -> tuple[float, float]:
        """Return the currents [A] that its control takes for the largest torque of a size of them [A].

        For a larger one if asked for [N m], at a speed [rad/s], its field weakened beyond some volts [V].
        """
        machine, mtpa = self.parameters, self.parameters.current_control.strategy == "mtpa"
        # More torque than it has: what it makes of that is its current limit.
        asked = max(torque, 10.0 * size * machine.torque_constant())
        numbers = float(machine.pole_pairs), machine.flux_linkage, machine.inductance_d, machine.inductance_q
        return _current_reference(asked, speed, *numbers, size, volts, mtpa)

    def _torques(self, sizes: tuple[float, ...]) -> TorqueCurve:
        """Return torques of sizes of the current [A]."""
        pairs, machine = [self._strongest(size) for size in sizes], self.parameters
        believed = (machine.torque_constant() * q + machine.reluctance() * d * q for d, q in pairs)
        return TorqueCurve(sizes, tuple(self._made(*pair) for pair in pairs), tuple(believed))

    def _curve(self, count: int) -> TorqueCurve:
        """Return torques at evenly spaced currents up to the limit, as far as the map goes."""
        machine = self.parameters
        assert machine.flux_map is not None, "asked with a map only"
        most = min(machine.current_limit, machine.flux_map.largest())
        return self._torques(tuple(most * i / count for i in range(1, count + 1)))

    def torque_curve(self) -> TorqueCurve | None:
        """Return its torque over current, with a map that its control does not know."""
        machine = self.parameters
        known = machine.flux_map is None or machine.current_control.torque_table
        return None if known else self._curve(_COARSE)

    def too_weak(self, torque: float, speed: float) -> Violation | None:
        """Return how much torque field weakening makes, where that is too little."""
        machine, control, volts = self.parameters, self.parameters.current_control, self.most_voltage
        if not control.field_weakening:
            return None
        # What it makes at its limits: what it would make of that very torque may be another, with a map.
        weakens = (1.0 - control.voltage_reserve) * volts
        made = self._made(*self._strongest(machine.current_limit, torque, speed, weakens))
        if made >= torque * (1.0 - _SHORT):
            return None
        limit = f"torque of {self.name} inside {machine.current_limit:.5g} A and {volts:.5g} V"
        advice = "choose a lower torque with `torque` or a lower speed with `speed`"
        return Violation(limit, torque, made, "N m", advice)
