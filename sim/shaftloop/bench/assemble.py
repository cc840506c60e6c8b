"""Description to bench: parts, loops and hops assembled into one model."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache

from shaftloop.bench.angle import add_wrap, without_angle
from shaftloop.bench.channels import standard_channels
from shaftloop.bench.control import add_hops, add_loops
from shaftloop.bench.handles import Bench, MachineHandle, SensorHandle
from shaftloop.bench.line import Line, declare_line
from shaftloop.bench.samplers import add_encoder, add_power_meter, add_sensor
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import Layout, Slot, SlotKind
from shaftloop.engine.model import Guard, Model, NoiseChannel, Task
from shaftloop.engine.plant import Plant
from shaftloop.scenario.description import Description, Machine, Part, Settle, Trace
from shaftloop_models.encoder import Encoder, declare_angle
from shaftloop_models.network import Network, Node, Ref
from shaftloop_models.pm_machine import PmMachine, PmPorts, declare_iron_loss, declare_pm_machine
from shaftloop_models.servo_machine import ServoMachine, ServoPorts, declare_servo_machine, rated_power
from shaftloop_models.supply import voltage_limit
from shaftloop_models.torque_sensor import TorqueSensor, declare_signal_path, noise_path

__all__ = ["build_bench"]


@dataclass(frozen=True)
class _Physics:
    """The equations of a bench, before it has slots."""

    net: Network
    plant: Plant
    line: Line
    ports: dict[str, PmPorts | ServoPorts]
    filters: dict[str, tuple[Ref, list[Ref]]]
    """Per torque sensor: what its sampler sees, and its filter states."""
    angles: dict[str, Ref]
    """Per encoder: the angle since the last counted edge."""

    @cached_property
    def slots(self) -> list[Slot]:
        """Return the slots of states and inputs."""
        kinds = ((SlotKind.CONTINUOUS, self.net.states), (SlotKind.HELD, self.net.helds))
        return [Slot(name, kind, unit) for kind, pairs in kinds for name, unit in pairs]

    @cached_property
    def meters(self) -> list[Slot]:
        """Return the slots of energies, then of throughputs."""
        names = [f"{what}.{meter.name}" for what in ("energy", "throughput") for meter in self.net.meters]
        return [Slot(name, SlotKind.ACCUMULATOR, "J") for name in names]

    def node(self, part: Part) -> Node:
        """Return the body that a part sits on."""
        return self.line.nodes[self.line.places[part.name].body]


def build_bench(description: Description, *, smooth: bool = False) -> Bench:
    """Return the bench of a description.

    Parameters
    ----------
    description : Description
        From the scenario reader, already checked.
    smooth : bool
        Switch off quantisers, noise, clamps, edge counting, all that depends on the angle of the line and the
        recorder, for derivatives of the stepper.
    """
    physics = _physics(without_angle(description.line) if smooth else description.line)
    plant = physics.plant
    wiring = Wiring(Layout())
    wiring.layout.extend(physics.slots, [0.0] * len(physics.slots))
    sensors = _add_sensors(wiring, plant, physics, description, smooth)
    encoders = {
        part.name: add_encoder(wiring, part, physics.angles[part.name], physics.node(part), smooth)
        for part in description.line
        if isinstance(part, Encoder)
    }
    layout = wiring.layout
    trip_slot = layout.add("trip", SlotKind.INTEGER, "tick", 2, initial=-1.0)
    machines = {
        part.name: _add_machine(wiring, plant, physics, part, description.supply.voltage, smooth)
        for part in description.line
        if isinstance(part, Machine)
    }
    model = Model(
        plant,
        layout,
        wiring.tasks,
        profiles=len(description.loop),
        channels=[],
        peaks=[(edge.part, edge.torque) for edge in physics.line.edges]
        + [(f"{name}.true_torque", sensor.true_torque) for name, sensor in sensors.items()],
        noises=[] if smooth else _noises(description, physics),
        traces=[(step.times, step.values) for step in description.sequence if isinstance(step, Trace)],
        trip_slot=trip_slot,
        segments=len(description.sequence) + 1,
        seed=description.seed,
    )
    bench = Bench(
        description,
        model,
        physics.line,
        _record_period(description),
        machines,
        sensors,
    )
    sources = {name: sensor.reading_slot for name, sensor in sensors.items()} | encoders
    sources |= {name: machine.node.speed.index for name, machine in machines.items()}
    slots = add_hops(wiring, description, sources, bench)
    add_loops(wiring, description, slots, bench, smooth)
    if physics.line.angle is not None:
        add_wrap(wiring, physics.line.angle, next(iter(machines.values())).parameters)
    if not smooth:
        recorder = Task("record", at.RECORD, bench.record_period, Fraction(0), Priority.RECORD)
        bench.record_task = wiring.add(recorder)
    _add_guards(description, bench)
    _add_accumulators(model, physics.meters)
    if not smooth:
        _add_power_meters(wiring, bench)
    model.latencies = tuple(wiring.latencies)
    model.channels = standard_channels(bench, () if smooth else description.record.channels)
    return bench


@lru_cache(maxsize=32)
def _physics(parts: tuple[Part, ...]) -> _Physics:
    """Return the equations of all parts, which are kept: benches of a study often have the same line."""
    net = Network()
    machines = [part for part in parts if isinstance(part, Machine)]
    max_speed = max(machine.max_speed for machine in machines)
    line = declare_line(net, parts, max_speed)
    ports: dict[str, PmPorts | ServoPorts] = {}
    filters: dict[str, tuple[Ref, list[Ref]]] = {}
    angles: dict[str, Ref] = {}
    losses = [list(meters) for meters in line.drag_meters]
    gains: list[list[int]] = [[] for _ in line.nodes]
    for part in parts:
        place = line.places[part.name]
        node = line.nodes[place.body]
        if isinstance(part, PmMachine):
            ports[part.name] = declare_pm_machine(net, part, node, line.angle_of(place.body))
            losses[place.body] += declare_iron_loss(net, part, node)
        elif isinstance(part, ServoMachine):
            ports[part.name] = declare_servo_machine(net, part, node, line.angle_of(place.body))
        elif isinstance(part, TorqueSensor) and place.spring is not None:
            filters[part.name] = declare_signal_path(net, part, line.edges[place.spring].elastic)
        elif isinstance(part, Encoder):
            angles[part.name] = declare_angle(net, part, node)
        if isinstance(part, Machine):
            gains[place.body].append(_meter_number(net, f"{part.name}.airgap"))
            if part.cogging:
                gains[place.body].append(_meter_number(net, f"{part.name}.cogging"))
    for i, node in enumerate(line.nodes):
        incoming = [*gains[i], *([line.edges[i - 1].outgoing] if i else [])]
        outgoing = [line.edges[i].incoming] if i < len(line.edges) else []
        net.balance(node.name, incoming, outgoing, losses[i], [(0.5 * node.inertia, node.speed, node.speed)])
    samples = [seen for seen, _ in filters.values()]
    springs = {place.spring for name, place in line.places.items() if name in filters}
    trues = [line.edges[spring].elastic for spring in springs if spring is not None]
    plant = Plant.assemble(net, [*samples, *trues, *(edge.torque for edge in line.edges)])
    return _Physics(net, plant, line, ports, filters, angles)


def _meter_number(net: Network, name: str) -> int:
    return next(i for i, meter in enumerate(net.meters) if meter.name == name)


def _add_sensors(
    wiring: Wiring, plant: Plant, physics: _Physics, description: Description, smooth: bool
) -> dict[str, SensorHandle]:
    """Add the samplers of the torque sensors and their way to the reading."""
    handles = {}
    for number, part in enumerate(description.line):
        if isinstance(part, TorqueSensor):
            spring = physics.line.places[part.name].spring
            assert spring is not None, "a torque sensor has a spring"
            edge, seen = physics.line.edges[spring], physics.filters[part.name][0]
            slot, task = add_sensor(wiring, plant, part, seen, (description.seed, number), smooth)
            handles[part.name] = SensorHandle(part, edge.elastic, edge.torque, spring, slot, task)
    return handles


def _add_power_meters(wiring: Wiring, bench: Bench) -> None:
    for meter in bench.description.power_meter:
        energy = bench.model.meter_slot + bench.machines[meter.on].link_meter
        bench.power_meters[meter.name] = add_power_meter(wiring, meter, energy)


def _add_machine(
    wiring: Wiring, plant: Plant, physics: _Physics, part: Machine, link_voltage: float, smooth: bool
) -> MachineHandle:
    """Add the sampled side of a machine."""
    command = wiring.layout.add(f"{part.name}.command_active", SlotKind.HELD, "N m")
    port = physics.ports[part.name]
    body = physics.line.places[part.name].body
    node = physics.line.nodes[body]
    if isinstance(part, PmMachine) and isinstance(port, PmPorts):
        _add_pm_control(wiring, plant, part, port, node, command, link_voltage, smooth)
    elif isinstance(part, ServoMachine) and isinstance(port, ServoPorts):
        held = len(plant.network.states) + port.command.index
        period = 1 / part.rate
        emit = wiring.line(part.name, "N m", period, part.phase, part.dead_time.seconds(period), held)
        bounds = (part.max_torque, rated_power(part), part.max_speed)
        f = (math.inf, math.inf, math.inf) if smooth else bounds
        a = (node.speed.index, command, emit)
        wiring.add(Task(f"{part.name}.drive", at.SERVO, period, part.phase, Priority.MACHINE, a, f))
    return MachineHandle(part, node, body, port.torque, port.link_meter, command)


def _add_pm_control(
    wiring: Wiring,
    plant: Plant,
    part: PmMachine,
    port: PmPorts,
    node: Node,
    command: int,
    link_voltage: float,
    smooth: bool,
) -> None:
    """Add the current control of a PM machine: its voltages are active one period later."""
    control, layout, name = part.current_control, wiring.layout, part.name
    period = 1 / control.rate
    integral = layout.add(f"{name}.current_integral", SlotKind.HELD, "V", 2)
    first = len(plant.network.states) + port.voltage_d.index
    emit = wiring.line(f"{name}.voltage", "V", period, control.phase, period, first, wide=2)
    limit = voltage_limit(link_voltage, control.modulation)
    weaken = (1.0 - control.voltage_reserve) * limit if control.field_weakening else math.inf
    a = (
        *(node.speed.index, port.current_d.index, port.current_q.index, command),
        *(integral, integral + 1, emit),
        *(int(control.strategy == "mtpa"), int(control.angle_advance)),
    )
    f = (
        *(2.0 * math.pi * control.bandwidth, part.resistance, part.inductance_d, part.inductance_q),
        *(part.flux_linkage, float(period), math.inf if smooth else limit),
        *(math.inf if smooth else part.current_limit, weaken, float(part.pole_pairs)),
    )
    wiring.add(Task(f"{name}.current_control", at.PM_CONTROL, period, control.phase, Priority.MACHINE, a, f))


def _noises(description: Description, physics: _Physics) -> list[NoiseChannel]:
    channels = []
    for part in description.line:
        if isinstance(part, TorqueSensor) and part.noise_density:
            f, g = noise_path(part)
            channels.append(NoiseChannel(physics.filters[part.name][1][0].index, f, g, part.noise_density))
    return channels


def _record_period(description: Description) -> Fraction:
    """Return the period of the recorder: as stated, else the fastest sensor's, else 1 ms."""
    if description.record.rate is not None:
        return 1 / description.record.rate
    rates = [part.sampling for part in description.line if isinstance(part, TorqueSensor)]
    return 1 / max(rates, default=Fraction(1000))


def _add_guards(description: Description, bench: Bench) -> None:
    """Add a guard for every limit and for every wait until settled."""
    model = bench.model
    for limit in description.limit:
        sensor = bench.sensors[limit.watches]
        if limit.quantity == "reading":
            model.guards.append(Guard(limit.name, limit.above, sensor.sample_task, sensor.reading_slot))
        else:
            model.guards.append(Guard(limit.name, limit.above, -1, sensor.true_torque))
    for i, step in enumerate(description.sequence):
        if isinstance(step, Settle):
            loop = bench.loops[step.loop]
            model.guards.append(Guard(f"settle.{i}", step.within, loop.task, loop.error_slot))
    model.guard_slot = model.layout.add("guard", SlotKind.INTEGER, "1", 2 * len(model.guards))


def _add_accumulators(model: Model, meters: Sequence[Slot]) -> None:
    model.meter_slot = model.layout.extend(meters, [0.0] * len(meters))
    model.peak_slot = len(model.layout.slots)
    for name, _ in model.peaks:
        model.layout.add(f"highest.{name}", SlotKind.ACCUMULATOR, "", initial=-math.inf)
        model.layout.add(f"lowest.{name}", SlotKind.ACCUMULATOR, "", initial=math.inf)
