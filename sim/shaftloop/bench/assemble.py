"""Description to bench: parts, loops and hops assembled into one model."""

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import Any, cast

from shaftloop.bench.angle import add_wrap, asked, counted, shared_turns, without_angle
from shaftloop.bench.channels import standard_channels
from shaftloop.bench.condition import HEALTHY, Condition
from shaftloop.bench.control import add_loops
from shaftloop.bench.faults import REMOVES, changing, engine_faults, may_fail, switched
from shaftloop.bench.handles import Bench
from shaftloop.bench.hops import add_hops, lateness
from shaftloop.bench.line import Line, declare_line
from shaftloop.bench.parts.link import BenchLink, make_link
from shaftloop.bench.parts.machine import BenchMachine
from shaftloop.bench.parts.part import BenchPart, make_part
from shaftloop.bench.parts.power_meter import BenchPowerMeter
from shaftloop.bench.sequence import MOST_CYCLES, longest_time
from shaftloop.bench.watching import add_guards, guard_count
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.heat import assemble_heat
from shaftloop.engine.layout import Slot, SlotKind
from shaftloop.engine.model import Model, Range
from shaftloop.engine.plant import Plant, sticking
from shaftloop.scenario.description import Description, Fault, Trace
from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.network import Network, Ref
from shaftloop_models.parameters import Clock
from shaftloop_models.part import Part
from shaftloop_models.supply import SUPPLY, DcLink

__all__ = ["build_bench"]

_MOST_RECORDS = 400_000
"""Of a run whose scenario states no rate of recording."""


@dataclass(frozen=True)
class _Physics:
    """The equations of a bench, before it has slots."""

    net: Network
    plant: Plant
    line: Line
    parts: tuple[BenchPart[Any], ...]
    """Left to right, with their equations."""
    link: BenchLink
    """With its equations."""

    @cached_property
    def slots(self) -> list[Slot]:
        """Return the slots of states and inputs."""
        kinds = ((SlotKind.CONTINUOUS, self.net.states), (SlotKind.HELD, self.net.helds))
        return [Slot(name, kind, unit) for kind, pairs in kinds for name, unit in pairs]

    @cached_property
    def meters(self) -> list[Slot]:
        """Return the slots of energies, then of throughputs."""
        return [
            Slot(f"{what}.{meter.name}", SlotKind.ACCUMULATOR, meter.unit)
            for what in ("energy", "throughput")
            for meter in self.net.meters
        ]


def build_bench(description: Description, *, smooth: bool = False, prone: tuple[Fault, ...] = ()) -> Bench:
    """Return the bench of a description that has been checked.

    `smooth` switches off quantisers, noise, clamps, edge counting, all that depends on the angle of the line
    and the recorder, for derivatives of the stepper. `prone` may fail beside the faults of the description:
    benches that agree in all that may fail have the same slots, whatever fails.
    """
    prone = () if smooth else (*description.fault, *prone)
    healthy = HEALTHY if smooth else may_fail(description.line, prone)
    link = description.supply.link()
    feed = description.supply.nominal(), link, description.brake_resistor if link else ()
    whole = without_angle(description.line) if smooth else description.line
    angled = counted(description) if smooth else asked(description)
    physics = _physics(whole, *feed, healthy, angled, smooth and bool(angled))
    wiring = Wiring(description, physics.plant, smooth, link=physics.link.ports)
    layout = wiring.layout
    layout.extend(physics.slots, [physics.net.initial.get(slot.name, 0.0) for slot in physics.slots])
    parts = {part.name: copy(part) for part in physics.parts}
    trip_slot = layout.add("trip", SlotKind.INTEGER, "tick", 2, initial=-1.0)
    for part in sorted(parts.values(), key=_turn):
        part.wire(wiring)
    model = Model(
        physics.plant,
        layout,
        wiring.tasks,
        profiles=len(description.loop) + (link is not None),
        channels=[],
        peaks=[(edge.part, edge.torque) for edge in physics.line.edges]
        + [peak for part in parts.values() for peak in part.peaks()]
        + _top_speeds(physics.line, description)
        + physics.link.peaks(),
        noises=[] if smooth else [noise for part in parts.values() for noise in part.noises()],
        traces=[(step.times, step.values) for step in description.sequence if isinstance(step, Trace)],
        trip_slot=trip_slot,
        segments=len(description.sequence) * (MOST_CYCLES if description.duty else 1) + 1,
        seed=description.seed,
    )
    period, sparser = _record_period(description)
    bench = Bench(
        description,
        model,
        physics.line,
        period,
        parts,
        copy(physics.link),
        record_sparser=sparser,
        watches=wiring.watches,
    )
    sources = {part.name: part.reading_slot for part in parts.values() if part.parameters.signal}
    bench.link.wire_control(wiring)
    if bench.link.reading_slot >= 0:
        sources[SUPPLY] = bench.link.reading_slot
    slots = add_hops(wiring, sources, bench, {} if smooth else lateness(description, prone))
    add_loops(wiring, slots, bench)
    line = physics.line
    for first, angle in line.angles.items() if line.frame is None else ():
        name = next(name for name, place in line.places.items() if line.shafts[place.body] == first)
        turns = shared_turns(description, line, name)
        add_wrap(wiring, angle, next(iter(bench.machines.values())).parameters, turns)
    if not smooth:
        wiring.add("record", at.RECORD, Clock(bench.record_period, Fraction(0)), Priority.RECORD)
    model.guard_slot = layout.add("guard", SlotKind.INTEGER, "1", 2 * guard_count(description))
    sticks = len(sticking(physics.net))
    model.stick_slot = layout.add("sticks", SlotKind.INTEGER, "1", sticks) if sticks else 0
    ranges = tuple(
        Range(node.name, node.speed.index, most) for node, most in zip(line.nodes, line.reach, strict=True)
    )
    model.range_slot = layout.add("stretch", SlotKind.INTEGER, "1", initial=1.0)
    layout.add("beyond", SlotKind.INTEGER, "tick", len(ranges), initial=-1.0)
    model.ranges = () if smooth else ranges
    _add_accumulators(model, physics.meters)
    keeper = next((loop for loop in bench.loops.values() if loop.source == SUPPLY), None)
    integral = keeper.integral_slot if keeper else -1
    bench.link.wire(wiring, len(description.loop), model.meter_slot, integral)
    if not smooth:
        model.heat = assemble_heat(bench.thermal, model.layout, model.meter_slot)
        for meter in description.power_meter:
            energy = model.meter_slot + bench.machines[meter.on].link_meter
            bench.power_meters[meter.name] = BenchPowerMeter(meter, wiring, energy)
    add_guards(wiring, bench)
    shorts = [] if smooth else [limit for limit in description.limit if limit.action not in REMOVES]
    unwritten = layout.add("unwritten", SlotKind.HELD, "", 2) if prone or shorts else -1
    equations = changing(bench, healthy, lambda now: _physics(whole, *feed, now, angled, False).plant)
    bench.switches = {limit.name: switched(bench, limit, equations, unwritten) for limit in shorts}
    if prone:
        model.faults = engine_faults(bench, equations, unwritten)
    model.latencies, model.arrivals = tuple(wiring.latencies), wiring.arrivals
    model.channels = standard_channels(bench, () if smooth else description.record.channels)
    return bench


def _top_speeds(line: Line, description: Description) -> list[tuple[str, Ref]]:
    """Return the speeds whose extremes are kept: of parts that state a largest one, or how they bend."""
    return [
        (f"{part.name}.speed", line.nodes[line.places[part.name].body].speed)
        for part in description.line
        if part.stands().max_speed is not None or part.lateral is not None
    ]


def _turn(part: BenchPart[Any]) -> tuple[bool, bool]:
    """Return when a part gets its slots, whatever its place in the line: sensors of torque come first."""
    return part.parameters.drives, part.parameters.signal != "torque"


@lru_cache(maxsize=64)  # those that a study runs ahead of their figures
def _physics(
    parts: tuple[Part, ...],
    nominal: float,
    supply: DcLink | None,
    resistors: tuple[BrakeResistor, ...],
    condition: Condition = HEALTHY,
    angled: tuple[str, ...] = (),
    framed: bool = False,
) -> _Physics:
    """Return the equations of all parts, which are kept: benches of a study often have the same line."""
    net, link = Network(), make_link(nominal, supply, resistors)
    line = declare_line(net, parts, condition, angled, framed)
    on_bench = tuple(make_part(part) for part in parts)
    link.declare(net)
    losses = [list(meters) for meters in line.drag_meters]
    gains: list[list[int]] = [[] for _ in line.nodes]
    for number, part in enumerate(on_bench):
        site = line.site(part.name, number)
        part.declare(net, site)
        losses[site.body] += part.losses
        gains[site.body] += part.gains
    for i, node in enumerate(line.nodes):
        incoming = [*gains[i], *(meter for edge in line.edges for meter in edge.into(i))]
        outgoing = [edge.incoming for edge in line.edges if edge.left == i]
        losses[i] += [net.failure(node.name)] if node in line.bodies(condition.bodies) else []
        motion = [] if node.fixed else [(0.5 * node.inertia, node.speed, node.speed)]
        beside = any(edge.laid is not None and i in (edge.left, *edge.rights) for edge in line.edges)
        net.balance(node.name, incoming, outgoing, losses[i], motion, switched=beside)
    machines = [cast(BenchMachine[Any], part) for part in on_bench if part.parameters.drives]
    link.connect(net, [machine for machine in machines if machine.fed])
    for machine in machines:
        if machine.name in condition.off:
            machine.block(net, supply)
    still = {node.speed.index for node in line.bodies(condition.blocked)}
    net.linear = [entry for entry in net.linear if entry[0] not in still]
    signals = [signal for part in on_bench for signal in part.signals()]
    plant = Plant.assemble(net, [*signals, *(edge.torque for edge in line.edges)])
    return _Physics(net, plant, line, on_bench, link)


def _record_period(description: Description) -> tuple[Fraction, int]:
    """Return the period of the recorder, and how much longer it is than it would be in a short run.

    It is as stated, else that of the fastest torque sensor, else 1 ms, doubled until a long run fits.
    """
    if description.record.rate is not None:
        return 1 / description.record.rate, 1
    periods = [part.timing().period for part in description.readers("torque")]
    period, sparser, length = min(periods, default=Fraction(1, 1000)), 1, longest_time(description)
    while math.isfinite(length) and length > _MOST_RECORDS * float(sparser * period):
        sparser *= 2
    return sparser * period, sparser


def _add_accumulators(model: Model, meters: Sequence[Slot]) -> None:
    model.meter_slot = model.layout.extend(meters, [0.0] * len(meters))
    model.peak_slot = len(model.layout.slots)
    for name, _ in model.peaks:
        model.layout.add(f"highest.{name}", SlotKind.ACCUMULATOR, "", initial=-math.inf)
        model.layout.add(f"lowest.{name}", SlotKind.ACCUMULATOR, "", initial=math.inf)
