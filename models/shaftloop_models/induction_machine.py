"""Induction machine with a cage rotor in axes that turn with its inverter's voltage, amplitude-invariant.

States are the flux linkages of stator and rotor, in the circuit that has all leakage on the rotor side (Γ)::

    ψs' = e − j·ωf·ψs            e   = vs − Rs·is
    ψr' = −Rr·ir − j·(ωf − p·ω)·ψr
    ir  = (ψr − ψs)/Lℓ           is  = im − ir + e/Rfe,   im = ψs/L·(1 + (|ψs|/ψ0)^n)
    T   = 1.5·p·(ψs × is)        P   = 1.5·(vs·is)

ωf is the rate at which the axes turn: the frequency of the inverter. Constant voltage and frequency are then
a point at rest, so steady states, poles and margins exist. The currents of the fields are the derivatives of
one energy, ``∫im dψs + |ψr − ψs|²/(2·Lℓ)``, so saturation takes and makes no energy. Inductances and
resistances are stated for the ordinary circuit (T) and turned into this one with γ = 1 + Lσs/Lm: L = γ·Lm,
Lℓ = γ·Lσs + γ²·Lσr, Rr = γ²·Rr(T). Without saturation the two circuits are the same at the terminals.

Neglected: the stator leakage saturates with the main flux here (in the T circuit it does not: less than
Lσs/Lm, some 3 to 5 %, of the magnetising current); saturation of the leakage paths (10 to 30 % less leakage
at pull-out) and displacement of the current in the bars (doubles Rr at standstill, hardly any below pull-out
slip); temperature of the windings; harmonics of slots and of the modulation, stray load loss (0.5 to 2 % of
the input; common practice, no source). Valid below pull-out and in the linear range of modulation.

References
----------
.. [1] G. R. Slemon, "Modelling of induction machines for electric drives", IEEE Transactions on Industry
   Applications 25 (1989) 1126-1131: the circuits and their equivalence. From memory; checks E4.2 and E4.5.
.. [2] H. C. J. de Jong, "Saturation in electrical machines", ICEM 1980: a power of the flux as the curve of
   magnetisation. From memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Annotated, Any, Literal, NamedTuple

from shaftloop_models.compiled import equation
from shaftloop_models.drag import Drag
from shaftloop_models.inverter import Inverter, declare_inverter
from shaftloop_models.line import Element, Inertia
from shaftloop_models.network import ONE, Network, Node, OwnKind, Ref
from shaftloop_models.parameters import Clock, Number, ParameterError, Quantity
from shaftloop_models.part import Machine, part_kind

__all__ = [
    "Circuit",
    "FieldOriented",
    "InductionMachine",
    "InductionPorts",
    "Saturation",
    "VoltsPerHertz",
    "declare_induction_machine",
    "field_energy",
    "inverse_inductance",
    "pull_out_torque",
    "stator_current",
]


@dataclass(frozen=True)
class Saturation:
    """Parameters of the curve of magnetisation: the current goes with ψ·(1 + (ψ/flux)^exponent)."""

    flux: Annotated[
        float, Quantity("Wb", "flux linkage, peak, at which it doubles the magnetising current", gt=0.0)
    ]
    exponent: Annotated[int, Number("how sharp the knee is; usual: 5 to 9", ge=1, le=12)] = 7


@dataclass(frozen=True)
class FieldOriented:
    """Parameters of sampled control that is oriented at the rotor flux; slip from the sampled speed."""

    kind: Literal["field_oriented"]
    rate: Annotated[Fraction, Quantity("Hz", "rate of the current loops", gt=0.0)]
    bandwidth: Annotated[float, Quantity("Hz", "bandwidth of the current loops", gt=0.0)]
    flux: Annotated[float, Quantity("Wb", "flux linkage without torque, peak", gt=0.0)]
    flux_bandwidth: Annotated[float, Quantity("Hz", "bandwidth of the flux control", gt=0.0)] = 2.0
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    field_weakening: Annotated[bool, Number("less flux near the voltage limit")] = True
    voltage_reserve: Annotated[
        float, Number("share of the voltage limit that field weakening leaves for control", ge=0.0, lt=0.5)
    ] = 0.05
    modulation: Annotated[float, Number("share of the linear modulation range used", gt=0.0, le=1.0)] = 1.0
    rotor_resistance_error: Annotated[
        float, Number("by which share the control takes the rotor resistance too high", gt=-0.9, le=4.0)
    ] = 0.0


@dataclass(frozen=True)
class VoltsPerHertz:
    """Parameters of a simple inverter: a frequency, and a voltage that goes with it.

    A loop that acts on the machine adds to the frequency: a command of the rated torque adds the rated slip.
    """

    kind: Literal["volts_per_hertz"]
    rate: Annotated[Fraction, Quantity("Hz", "rate at which frequency and voltage are set", gt=0.0)]
    frequency: Annotated[float, Quantity("Hz", "that is set; negative turns backwards", gt=-2e3, lt=2e3)]
    rated_frequency: Annotated[float, Quantity("Hz", "at which the voltage is the rated one", gt=0.0)]
    rated_voltage: Annotated[float, Quantity("V", "phase voltage, peak", gt=0.0)]
    rated_slip: Annotated[float, Quantity("Hz", "frequency of the rotor at rated torque", gt=0.0)]
    ramp: Annotated[float, Quantity("Hz/s", "rate at which the frequency is run up", gt=0.0)] = 20.0
    boost: Annotated[float, Quantity("V", "phase voltage at standstill, peak", ge=0.0)] = 0.0
    slip_compensation: Annotated[
        float, Number("share of the slip that is made up for, from the active current", ge=0.0, le=1.5)
    ] = 0.0
    compensation_time: Annotated[float, Quantity("s", "lag of the slip compensation", gt=0.0)] = 0.1
    phase: Annotated[Fraction, Quantity("s", "first tick", ge=0.0)] = Fraction(0)
    modulation: Annotated[float, Number("share of the linear modulation range used", gt=0.0, le=1.0)] = 1.0


class Circuit(NamedTuple):
    """The circuit with all leakage on the rotor side."""

    main: float
    """L, without saturation. [H]"""
    flux: float
    """ψ0, infinite without saturation. [Wb]"""
    exponent: float
    leakage: float
    """Lℓ. [H]"""
    stator: float
    """Rs. [ohm]"""
    rotor: float
    """Rr. [ohm]"""
    iron: float
    """1/Rfe. [1/ohm]"""


@part_kind
@dataclass(frozen=True)
class InductionMachine(Machine):
    """Parameters of an induction machine with its inverter."""

    part: Literal["machine"]
    model: Literal["induction"]
    name: str
    inertia: Annotated[float, Quantity("kg m^2", "moment of inertia of the rotor", gt=0.0)]
    pole_pairs: Annotated[int, Number("pole pairs", ge=1, le=50)]
    stator_resistance: Annotated[float, Quantity("ohm", "resistance of a stator phase", gt=0.0)]
    rotor_resistance: Annotated[
        float, Quantity("ohm", "resistance of a rotor phase, as the stator sees it", gt=0.0)
    ]
    stator_leakage: Annotated[float, Quantity("H", "leakage inductance of the stator", ge=0.0)]
    rotor_leakage: Annotated[float, Quantity("H", "leakage inductance of the rotor", gt=0.0)]
    main_inductance: Annotated[float, Quantity("H", "main inductance without saturation", gt=0.0)]
    current_limit: Annotated[float, Quantity("A", "largest phase current, peak", gt=0.0)]
    max_speed: Annotated[float, Quantity("rad/s", "largest speed", gt=0.0)]
    control: FieldOriented | VoltsPerHertz
    saturation: Saturation | None = None
    iron_resistance: Annotated[
        float | None, Quantity("ohm", "resistance across the flux that stands for the iron loss", gt=0.0)
    ] = None
    rated_torque: Annotated[float | None, Quantity("N m", "rated torque", gt=0.0)] = None
    drag: Drag = Drag()
    inverter: Inverter = Inverter()

    def elements(self) -> list[Element]:
        """Return the mechanical elements, left to right."""
        control = self.control
        self.inverter.check_budget(self.current_limit)
        if isinstance(control, VoltsPerHertz):
            if self.rated_torque is None:
                raise ParameterError(
                    "rated_torque", "volts_per_hertz needs it: a command of the rated torque adds rated_slip"
                )
            if abs(self.synchronous_speed()) > self.max_speed:
                turns, most = (30.0 / math.pi * v for v in (self.synchronous_speed(), self.max_speed))
                raise ParameterError(
                    "control",
                    f"frequency {control.frequency:g} Hz turns it at {turns:.6g} rpm; allowed: at most "
                    f"max_speed, {most:.6g} rpm",
                )
        return [Inertia(self.inertia, self.drag, self.name)]

    def timing(self) -> Clock:
        """Return when the control is due."""
        control = self.control
        return Clock(1 / control.rate, control.phase, keys=("rate", "phase", ""), table=("control",))

    def synchronous_speed(self) -> float:
        """Return the speed of the frequency that is set, 0 where none is [rad/s]."""
        frequency = self.control.frequency if isinstance(self.control, VoltsPerHertz) else 0.0
        return 2.0 * math.pi * frequency / self.pole_pairs

    def circuit(self) -> Circuit:
        """Return the circuit with all leakage on the rotor side."""
        gamma = 1.0 + self.stator_leakage / self.main_inductance
        curve = self.saturation
        return Circuit(
            main=gamma * self.main_inductance,
            flux=math.inf if curve is None else curve.flux,
            exponent=0.0 if curve is None else float(curve.exponent),
            leakage=gamma * self.stator_leakage + gamma**2 * self.rotor_leakage,
            stator=self.stator_resistance,
            rotor=gamma**2 * self.rotor_resistance,
            iron=0.0 if self.iron_resistance is None else 1.0 / self.iron_resistance,
        )


@dataclass(frozen=True)
class InductionPorts:
    """What the rest of the bench connects to."""

    fluxes: tuple[Ref, Ref, Ref, Ref]
    """Of the stator, d and q, then of the rotor. [Wb]"""
    voltages: tuple[Ref, Ref]
    """Held inputs, d and q. [V]"""
    frame: Ref
    """Held input: rate at which the axes turn. [rad/s]"""
    torque: Ref
    """Air-gap torque. [N m]"""
    link_meter: int
    """Energy taken from the DC link."""
    squared: int
    """Meter: integral of the squared current, where something depends on it. [A^2 s]"""


@equation
def inverse_inductance(d: float, q: float, main: float, knee: float, exponent: float) -> float:
    """Return magnetising current over flux linkage [1/H].

    Parameters
    ----------
    d, q : float
        Flux linkage of the stator. [Wb]
    main : float
        Inductance without saturation. [H]
    knee : float
        Flux linkage at which saturation doubles the current. [Wb]
    exponent : float
        Whole number; 0 for no saturation. [1]
    """
    if exponent == 0.0:
        return 1.0 / main
    share, power = math.sqrt(d * d + q * q) / knee, 1.0
    for _ in range(int(exponent)):
        power *= share
    return (1.0 + power) / main


@equation
def stator_current(
    flux: float, rotor_flux: float, voltage: float, inverse: float, leakage: float, stator: float, iron: float
) -> tuple[float, float]:
    """Return stator current [A] and voltage behind the stator resistance [V] of one axis.

    Parameters
    ----------
    flux, rotor_flux : float
        Flux linkages of stator and rotor. [Wb]
    voltage : float
        [V]
    inverse : float
        From `inverse_inductance`. [1/H]
    leakage, stator, iron : float
        As in `Circuit`. [H], [ohm], [1/ohm]
    """
    of_fields = inverse * flux + (flux - rotor_flux) / leakage
    behind = (voltage - stator * of_fields) / (1.0 + stator * iron)
    return of_fields + iron * behind, behind


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """Fill y with what is not linear of both derivatives, torque, stator current, and voltage behind Rs.

    x: fluxes of stator and rotor, speed, voltages, frame; p: main, knee, exponent, leakage, stator, iron,
    pole pairs.
    """
    frame = x[7]
    inverse = inverse_inductance(x[0], x[1], p[0], p[1], p[2])
    extra = p[4] / (1.0 + p[4] * p[5]) * (inverse - 1.0 / p[0])
    slip = frame - p[6] * x[4]
    y[0] = frame * x[1] - extra * x[0]
    y[1] = -frame * x[0] - extra * x[1]
    y[2] = slip * x[3]
    y[3] = -slip * x[2]
    y[4] = 1.5 * p[6] / p[3] * (x[1] * x[2] - x[0] * x[3])
    y[5], y[7] = stator_current(x[0], x[2], x[5], inverse, p[3], p[4], p[5])
    y[6], y[8] = stator_current(x[1], x[3], x[6], inverse, p[3], p[4], p[5])


# Nearly all of its motion is in this term, and meters see the middle of a step to second order only: at this
# angle their error stays below 1e-5 of what passes.
_FIELDS = OwnKind("induction machine", _evaluate, "lower max_speed of the machine", angle=0.05)


def field_energy(circuit: Circuit, fluxes: Sequence[float]) -> float:
    """Return the energy of the fields [J].

    Parameters
    ----------
    fluxes : sequence of float
        As in `InductionPorts`. [Wb]
    """
    sd, sq, rd, rq = fluxes
    square = sd * sd + sq * sq
    excess = 0.0
    if circuit.exponent:
        excess = 2.0 / (circuit.exponent + 2.0) * (math.sqrt(square) / circuit.flux) ** circuit.exponent
    leakage = (rd - sd) ** 2 + (rq - sq) ** 2
    return 0.75 * (square / circuit.main * (1.0 + excess) + leakage / circuit.leakage)


def declare_induction_machine(net: Network, machine: InductionMachine, node: Node) -> InductionPorts:
    """Add the electrical equations, the losses and the meters of a machine.

    Parameters
    ----------
    node : Node
        Body of the line that holds the rotor.
    """
    name, c, p = machine.name, machine.circuit(), float(machine.pole_pairs)
    sd, sq, rd, rq = fluxes = (
        net.state(f"{name}.stator_flux_d", "Wb"),
        net.state(f"{name}.stator_flux_q", "Wb"),
        net.state(f"{name}.rotor_flux_d", "Wb"),
        net.state(f"{name}.rotor_flux_q", "Wb"),
    )
    voltages = net.held(f"{name}.voltage_d", "V"), net.held(f"{name}.voltage_q", "V")
    frame = net.held(f"{name}.frame", "rad/s")
    share = 1.0 / (1.0 + c.stator * c.iron)
    for stator, rotor, voltage in ((sd, rd, voltages[0]), (sq, rq, voltages[1])):
        net.derivative(stator, voltage, share)
        net.derivative(stator, stator, -share * c.stator * (1.0 / c.main + 1.0 / c.leakage))
        net.derivative(stator, rotor, share * c.stator / c.leakage)
        net.derivative(rotor, stator, c.rotor / c.leakage)
        net.derivative(rotor, rotor, -c.rotor / c.leakage)
    parameters = [c.main, c.flux, c.exponent, c.leakage, c.stator, c.iron, p]
    quantities = "rate_sd rate_sq rate_rd rate_rq torque current_d current_q emf_d emf_q".split()
    *rates, torque, current_d, current_q, emf_d, emf_q = net.term(
        _FIELDS,
        [*fluxes, node.speed, *voltages, frame],
        parameters,
        [f"{name}.{quantity}" for quantity in quantities],
        slope=p * machine.max_speed,
    )
    for flux, rate in zip(fluxes, rates, strict=True):
        net.derivative(flux, rate, 1.0)
    net.torque(node, torque)
    currents, emfs = (current_d, current_q), (emf_d, emf_q)
    electrical = [(1.5, voltage, current) for voltage, current in zip(voltages, currents, strict=True)]
    link, terminals = declare_inverter(net, name, machine.inverter, electrical, currents)
    inverse = 1.0 / c.leakage
    bars = [
        net.signal(f"{name}.rotor_current_d", {rd: inverse, sd: -inverse}),
        net.signal(f"{name}.rotor_current_q", {rq: inverse, sq: -inverse}),
    ]
    losses = [
        net.meter(f"{name}.copper", "copper loss of the stator", [(1.5 * c.stator, i, i) for i in currents]),
        net.meter(f"{name}.rotor", "copper loss of the rotor", [(1.5 * c.rotor, i, i) for i in bars]),
    ]
    if c.iron:
        losses.append(net.meter(f"{name}.iron", "iron loss", [(1.5 * c.iron, e, e) for e in emfs]))
    airgap = net.meter(f"{name}.airgap", "air-gap energy", [(1.0, torque, node.speed)])
    stored = net.potential(fluxes, partial(field_energy, c))
    net.balance(f"{name}.windings", [terminals], [airgap], losses, [(1.0, stored, ONE)])
    squared = -1
    if machine.inverter.continuous_current is not None:
        squares = [(1.0, current, current) for current in currents]
        squared = net.meter(f"{name}.squared_current", "integral of the squared current", squares)
    return InductionPorts(fluxes, voltages, frame, torque, link, squared)


def pull_out_torque(
    circuit: Circuit, pole_pairs: int, voltage: float, frequency: float, sign: float = 1.0
) -> float:
    """Return the largest steady torque without saturation [N m].

    Parameters
    ----------
    pole_pairs : int
        [1]
    voltage : float
        Phase voltage, peak. [V]
    frequency : float
        Angular frequency of the voltage, not 0. [rad/s]
    sign : float
        -1 while it brakes, where the resistance of the stator helps. [1]
    """
    across = 1.0 / (circuit.iron + 1.0 / (1j * frequency * circuit.main))
    share = across / (across + circuit.stator)
    source, inner = abs(share) * voltage, share * circuit.stator
    reactance = inner.imag + frequency * circuit.leakage
    whole = sign * inner.real + math.hypot(inner.real, reactance)
    return 0.75 * pole_pairs * source**2 / (abs(frequency) * whole)
