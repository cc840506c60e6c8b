"""Permanent-magnet synchronous machine in rotor dq axes, amplitude-invariant.

::

    Ld·id' = vd − R·id + p·ω·Lq·iq
    Lq·iq' = vq − R·iq − p·ω·(Ld·id + ψ)
    T      = 1.5·p·(ψ + (Ld − Lq)·id)·iq
    P_el   = 1.5·(vd·id + vq·iq)

The voltages are held between the ticks of the sampled current control. Iron loss acts as a drag
torque on the rotor, ``hysteresis·sign(ω) + eddy·ω``: the no-load iron loss. With `under_load` it is times
``((ψ + Ld·id)² + (Lq·iq)²)/ψ0²``, as loss goes with the square of the flux, ψ0 being the stated flux
linkage; without it what follows the load current is left out (common practice, no source: adds up to about
half of the no-load iron loss at full load). With `flux_map` flux linkages over both currents take the place
of constant inductances (`shaftloop_models.pm_flux`), which the current control goes on to reckon with. Also
neglected: without a map, saturation and cross-coupling of the inductances (10 to 40 % of Lq at full current
in interior-magnet machines); ripple current of the modulation. Valid in the linear range of modulation.
Temperatures: `shaftloop_models.heat`; torque ripple and cogging: `shaftloop_models.harmonics`.

References
----------
.. [1] A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, sections 11.2 and 11.3
   (check E4.1); power balance: check E4.4. The wanted currents: `shaftloop_models.pm_currents`.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Annotated, Any, Literal

from shaftloop_models.compiled import equation
from shaftloop_models.drag import Drag, coulomb_torque, declare_drag
from shaftloop_models.flux_map import FLUX_COLUMNS, FluxMap
from shaftloop_models.harmonics import Cogging, Ripple, check_machine, declare_cogging, declare_ripple
from shaftloop_models.heat import Heat, declare_warmth
from shaftloop_models.inverter import Inverter, declare_inverter
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import ONE, Network, Node, OwnKind, Ref, TermKind, Warmth
from shaftloop_models.parameters import Clock, Number, ParameterError, Quantity
from shaftloop_models.part import Filed, Machine, part_kind
from shaftloop_models.pm_currents import (
    current_reference,
    mtpa_currents,
    unweakened_currents,
    weakening_current,
)
from shaftloop_models.pm_flux import declare_fluxes

__all__ = [
    "CurrentControl",
    "IronLoss",
    "PmMachine",
    "PmPorts",
    "current_reference",
    "declare_iron_loss",
    "declare_pm_machine",
    "dq_coupling",
    "mtpa_currents",
    "reluctance_torque",
    "unweakened_currents",
    "weakening_current",
]


@dataclass(frozen=True)
class IronLoss:
    """Parameters of the iron loss, as drag torque on the rotor."""

    hysteresis: Annotated[float, Quantity("N m", "torque that does not depend on speed", ge=0.0)] = 0.0
    eddy: Annotated[float, Quantity("N m s/rad", "torque per speed", ge=0.0)] = 0.0
    smoothing: Annotated[float, Quantity("rad/s", "speed over which the torque changes sign", gt=0.0)] = 0.5
    under_load: Annotated[bool, Number("follow the flux of magnets and currents together")] = False


@dataclass(frozen=True)
class CurrentControl:
    """Parameters of the sampled current control inside the inverter."""

    rate: Annotated[Fraction, Quantity("Hz", "rate of the current loops", gt=0.0)]
    bandwidth: Annotated[float, Quantity("Hz", "bandwidth of the current loops", gt=0.0)]
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    strategy: Annotated[Literal["mtpa", "zero_d"], Number("maximum torque per ampere, or no d current")] = (
        "mtpa"
    )
    field_weakening: Annotated[bool, Number("d current against the flux near the voltage limit")] = True
    voltage_reserve: Annotated[
        float, Number("share of the voltage limit that field weakening leaves for control", ge=0.0, lt=0.5)
    ] = 0.05
    modulation: Annotated[float, Number("share of the linear modulation range used", gt=0.0, le=1.0)] = 1.0
    angle_advance: Annotated[
        bool, Number("turn the held voltage ahead by the angle covered during computation and hold")
    ] = True
    torque_table: Annotated[
        bool, Number("correct the command by what the flux map makes of it below the voltage limit")
    ] = False


@part_kind
@dataclass(frozen=True)
class PmMachine(Machine):
    """Parameters of a PM synchronous machine with its inverter."""

    wound = True
    part: Literal["machine"]
    model: Literal["pm_synchronous"]
    name: str
    inertia: Annotated[float, Quantity("kg m^2", "moment of inertia of the rotor", gt=0.0)]
    pole_pairs: Annotated[int, Number("pole pairs", ge=1, le=200)]
    resistance: Annotated[float, Quantity("ohm", "resistance of a phase", gt=0.0)]
    inductance_d: Annotated[float, Quantity("H", "inductance of the d axis", gt=0.0)]
    inductance_q: Annotated[float, Quantity("H", "inductance of the q axis", gt=0.0)]
    flux_linkage: Annotated[float, Quantity("Wb", "flux linkage of the magnets, peak", gt=0.0)]
    current_limit: Annotated[float, Quantity("A", "largest phase current, peak", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "largest speed", gt=0.0)]
    current_control: CurrentControl
    rated_torque: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    iron_loss: IronLoss = IronLoss()
    drag: Drag = Drag()
    inverter: Inverter = Inverter()
    heat: Heat | None = None
    ripple: tuple[Ripple, ...] = ()
    cogging: tuple[Cogging, ...] = ()
    flux_map: FluxMap | None = None

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        self.inverter.check_budget(self.current_limit)
        strongest = self.torque_constant() * self.current_limit
        check_machine(self.ripple, self.cogging, self.rated_torque, strongest)
        return [Inertia(self.inertia, self.drag, self.name)]

    def check(self) -> None:
        """Check that a map holds the currents that the control may ask for, beside all else."""
        super().check()
        if self.current_control.torque_table and self.flux_map is None:
            raise ParameterError(
                "current_control",
                "torque_table needs a flux_map beside it; state one, or leave torque_table out",
            )
        if self.flux_map is not None and self.flux_map.rows:
            self.flux_map.check_reach(self.current_limit, self.inductance_d > self.inductance_q)

    def timing(self) -> Clock:
        """Return when the current control is due."""
        control = self.current_control
        return Clock(1 / control.rate, control.phase, keys=("rate", "phase", ""), table=("current_control",))

    def filed(self) -> Filed | None:
        """Return the file of its map, where that is to be read."""
        found = self.flux_map
        if found is None or found.file is None or found.rows:
            return None
        return Filed(("flux_map", "file"), found.file, FLUX_COLUMNS)

    def filled(self, rows: tuple[tuple[float, ...], ...]) -> "PmMachine":
        """Return it with the rows of its map."""
        assert self.flux_map is not None, "it named a file"
        found = replace(self.flux_map, table=rows)
        found.check()
        return replace(self, flux_map=found)

    def warnings(self) -> list[tuple[tuple[str, ...], str]]:
        """Return what its control believes that its map does not say, and a map that fits badly."""
        if self.flux_map is None or not self.flux_map.rows:
            return []
        return self.flux_map.doubts(self.flux_linkage, self.current_limit)

    def bare_flux(self) -> float:
        """Return the flux linkage of the magnets without current [Wb]."""
        return self.flux_linkage if self.flux_map is None else self.flux_map.energy().bare

    def bare_inductances(self) -> tuple[float, float]:
        """Return the inductances of small currents along d and q [H]."""
        if self.flux_map is None:
            return self.inductance_d, self.inductance_q
        energy = self.flux_map.energy()
        along, _, across = energy.inverse_inductances(energy.bare, 0.0)
        return 1.0 / along, 1.0 / across

    def torque_constant(self) -> float:
        """Return the torque per q current at id = 0 [N m/A], as the control believes with a map."""
        return 1.5 * self.pole_pairs * self.flux_linkage

    def reluctance(self) -> float:
        """Return the reluctance torque per product of the currents [N m/A^2]."""
        return 1.5 * self.pole_pairs * (self.inductance_d - self.inductance_q)


@dataclass(frozen=True)
class PmPorts:
    """What the rest of the bench connects to."""

    states: tuple[Ref, Ref]
    """What voltages drive: the currents [A], or the flux linkages of a map [Wb]."""
    gains: tuple[float, float]
    """Flux linkage over these: inductances [H], or 1."""
    magnets: float
    """Flux linkage along d where they are 0. [Wb]"""
    current_d: Ref
    """[A]"""
    current_q: Ref
    """[A]"""
    voltage_d: Ref
    """Held input [V]."""
    voltage_q: Ref
    """Held input [V]."""
    torque: tuple[tuple[float, Ref], ...]
    """Air-gap torque as a sum of coefficient·quantity [N m]."""
    link_meter: int
    """Energy taken from the DC link."""
    warmths: tuple[Warmth, ...] = ()
    """What follows the temperatures."""
    squared: int = -1
    """Meter: integral of the squared current, where something depends on it. [A^2 s]"""


@equation
def dq_coupling(
    speed: float, current_d: float, current_q: float, of_q: float, of_d: float
) -> tuple[float, float]:
    """Return the speed-dependent parts of id' and iq' that are not linear [A/s].

    Parameters
    ----------
    speed : float
        Of the rotor. [rad/s]
    current_d, current_q : float
        [A]
    of_q, of_d : float
        p·Lq/Ld, p·Ld/Lq. [1]
    """
    return of_q * speed * current_q, -of_d * speed * current_d


@equation
def reluctance_torque(current_d: float, current_q: float, coefficient: float) -> float:
    """Return the reluctance torque [N m].

    Parameters
    ----------
    current_d, current_q : float
        [A]
    coefficient : float
        1.5·p·(Ld − Lq). [N m/A^2]
    """
    return coefficient * current_d * current_q


def declare_pm_machine(net: Network, machine: PmMachine, node: Node, angle: tuple[Ref, ...] = ()) -> PmPorts:
    """Add the electrical equations, the losses and the meters of a machine.

    Parameters
    ----------
    node : Node
        Body of the line that holds the rotor.
    angle : tuple of Ref, optional
        Angle of the rotor, for ripple and cogging: the line's angle, then the twists to subtract.
    """
    name, p, r = machine.name, float(machine.pole_pairs), machine.resistance
    speed = node.speed
    if machine.flux_map is None:
        states, currents, torque, stored, made = _constant(net, machine, node)
        gains, magnets = (machine.inductance_d, machine.inductance_q), machine.flux_linkage
    else:
        spline = machine.flux_map.energy()
        states, currents, whole, energy = declare_fluxes(net, name, spline, node, (p, r, machine.max_speed))
        torque, stored, made = [(1.0, whole)], [(1.0, energy, ONE)], (whole, whole, 1.0, 0.0)
        gains, magnets = (1.0, 1.0), 0.0
    current_d, current_q = currents
    voltage_d, voltage_q = net.held(f"{name}.voltage_d", "V"), net.held(f"{name}.voltage_q", "V")
    driven = tuple(zip(states, gains, strict=True))
    for (state, gain), voltage in zip(driven, (voltage_d, voltage_q), strict=True):
        net.derivative(state, voltage, 1.0 / gain)
    electrical = [(1.5, voltage_d, current_d), (1.5, voltage_q, current_q)]
    if machine.ripple:
        reference = (machine.rated_torque, machine.max_speed)
        ripple = declare_ripple(net, name, machine.ripple, angle, made, reference)
        torque.append((1.0, ripple))
        electrical.append((1.0, ripple, speed))
    copper = [(1.5 * r, current_d, current_d), (1.5 * r, current_q, current_q)]
    heat = machine.heat
    warmths: tuple[Warmth, ...] = ()
    if heat is not None and (heat.resistance_coefficient or heat.flux_coefficient):
        more, warmths = declare_warmth(net, name, heat, speed, currents, (r, p * machine.bare_flux()))
        for (state, gain), lost in zip((driven[0], driven[1], driven[1]), more[:3], strict=True):
            net.derivative(state, lost, -1.0 / gain)
        copper += [(1.5, more[0], current_d), (1.5, more[1], current_q)]
        torque.append((1.0, more[3]))
    for weight, source in torque:
        net.torque(node, source, weight)
    link, terminals = declare_inverter(net, name, machine.inverter, electrical, currents)
    windings = net.meter(f"{name}.copper", "copper loss", copper)
    airgap = net.meter(f"{name}.airgap", "air-gap energy", [(w, q, speed) for w, q in torque])
    net.balance(f"{name}.windings", [terminals], [airgap], [windings], stored)
    if machine.cogging:
        torque.append((1.0, declare_cogging(net, name, machine.cogging, angle, node, machine.max_speed)))
    squared = -1
    if heat is not None or machine.inverter.continuous_current is not None:
        squares = [(1.0, current, current) for current in currents]
        squared = net.meter(f"{name}.squared_current", "integral of the squared current", squares)
    inside, outside = (states, gains, magnets), (*currents, voltage_d, voltage_q)
    return PmPorts(*inside, *outside, tuple(torque), link, warmths, squared)


def _constant(
    net: Network, machine: PmMachine, node: Node
) -> tuple[
    tuple[Ref, Ref],
    tuple[Ref, Ref],
    list[tuple[float, Ref]],
    list[tuple[float, Ref, Ref]],
    tuple[Ref, Ref, float, float],
]:
    """Add currents over constant inductances, without voltages.

    Return what voltages drive, currents, torque, energy of the field, and the torque of `declare_ripple`.
    """
    name, p, r = machine.name, float(machine.pole_pairs), machine.resistance
    ld, lq, psi = machine.inductance_d, machine.inductance_q, machine.flux_linkage
    d, q = net.state(f"{name}.current_d", "A"), net.state(f"{name}.current_q", "A")
    net.derivative(d, d, -r / ld)
    net.derivative(q, q, -r / lq)
    net.derivative(q, node.speed, -p * psi / lq)
    rates = net.term(
        TermKind.DQ_COUPLING,
        [node.speed, d, q],
        [p * lq / ld, p * ld / lq],
        [f"{name}.coupling_d", f"{name}.coupling_q"],
        slope=p * machine.max_speed,
    )
    for current, rate in zip((d, q), rates, strict=True):
        net.derivative(current, rate, 1.0)
    constant, more = machine.torque_constant(), machine.reluctance()
    torque: list[tuple[float, Ref]] = [(constant, q)]
    if more:
        (extra,) = net.term(TermKind.RELUCTANCE_TORQUE, [d, q], [more], [f"{name}.reluctance"], slope=0.0)
        torque.append((1.0, extra))
    magnetic = [(0.75 * ld, d, d), (0.75 * lq, q, q)]
    return (d, q), (d, q), torque, magnetic, (q, d, constant, more)


def _loaded_iron(x: Any, p: Any, y: Any) -> None:
    """From speed and what fluxes are in proportion to: the drag of the iron loss at the whole flux."""
    flux_d, flux_q = p[5] + p[3] * x[1], p[4] * x[2]
    y[0] = (coulomb_torque(x[0], p[0], p[1]) + p[2] * x[0]) * (flux_d**2 + flux_q**2) / p[6] ** 2


_LOADED_IRON = OwnKind(
    "iron loss under load", _loaded_iron, "raise the smoothing of that iron loss or the inertia of its body"
)
_FLUX = 5
"""Parameter of that term that follows the temperature."""


def declare_iron_loss(
    net: Network, machine: PmMachine, node: Node, ports: PmPorts
) -> tuple[list[int], tuple[Warmth, ...]]:
    """Add the iron loss of a machine to its node and return its meter, or nothing, and what warmth changes.

    Parameters
    ----------
    node : Node
        Body of the line that holds the rotor.
    """
    iron, heat, psi = machine.iron_loss, machine.heat, machine.bare_flux()
    label, meaning = f"{machine.name}.iron", "iron loss"
    if not iron.under_load or not (iron.eddy or iron.hysteresis):
        drag = Drag(viscous=iron.eddy, coulomb=iron.hysteresis, smoothing=iron.smoothing)
        return declare_drag(net, node, drag, label, machine.max_speed, meaning), ()
    warmths: tuple[Warmth, ...] = ()
    flux = ports.magnets
    if heat is not None and heat.flux_coefficient:
        warmth = Warmth(len(net.terms), _FLUX, "housing", psi * heat.flux_coefficient, flux, heat.reference)
        flux, warmths = warmth.at(heat.begins), (warmth,)
    (torque,) = net.term(
        _LOADED_IRON,
        [node.speed, *ports.states],
        [iron.hysteresis, iron.smoothing, iron.eddy, *ports.gains, flux, psi],
        [f"{label}.torque"],
        slope=iron.hysteresis / iron.smoothing + iron.eddy,
    )
    net.torque(node, torque, -1.0)
    return [net.meter(f"{label}.drag", meaning, [(1.0, torque, node.speed)])], warmths
