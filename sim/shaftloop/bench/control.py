"""Loops as sampled tasks."""

import math

from shaftloop.bench.handles import Bench, LoopHandle
from shaftloop.bench.parts.ratings import watch
from shaftloop.bench.structures import add_structure, reading_of
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.control.filters import design
from shaftloop.control.parameters import Loop
from shaftloop.control.pi import BACK_CALCULATION, CONDITIONAL
from shaftloop.control.structures import derivative_section, setpoint_section
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.rows import LimiterNumbers, LimiterWords, LoopNumbers, LoopWords
from shaftloop_models.supply import SUPPLY

__all__ = ["add_loops"]


def add_loops(wiring: Wiring, slots: dict[str, int], bench: Bench) -> None:
    """Add the loops to a bench whose machines and sensors are known; a smooth one has no clamps."""
    description = wiring.description
    carried = {hop.carries for hop in description.hop}
    for loop in description.loop:
        if loop.name not in carried:
            slots[loop.name] = bench.receiver(loop)
    limited = {loop.limiter_of for loop in description.loop if loop.limiter_of}
    order = sorted(range(len(description.loop)), key=lambda i: description.loop[i].limiter_of is not None)
    for i in order:
        loop = description.loop[i]
        if loop.limiter_of is None:
            bench.loops[loop.name] = _add_loop(wiring, slots, bench, i, loop.name in limited)
        else:
            bench.loops[loop.name] = _add_limiter(wiring, slots, bench, i)


def _add_filters(wiring: Wiring, bench: Bench, loop: Loop) -> tuple[int, int]:
    """Add the filters inside the controller and return the first section and its memory.

    They stand side by side in the order in which the task takes them: reading, set-point, derivative.
    """
    layout, filters, rate = wiring.layout, bench.model.filters, float(loop.rate)
    first, memory = len(filters), layout.add(f"{loop.name}.filter", SlotKind.HELD, "", 2 * len(loop.filters))
    filters.extend(design(spec, rate) for spec in loop.filters)
    if loop.setpoint_filter is not None:
        filters.append(setpoint_section(loop.setpoint_filter, rate))
        layout.add(f"{loop.name}.setpoint_filter", SlotKind.HELD, "", 2)
    if loop.kd.value > 0.0 and loop.derivative_cutoff is not None:
        filters.append(derivative_section(loop.kd.value, loop.derivative_cutoff, rate))
        layout.add(f"{loop.name}.derivative", SlotKind.HELD, loop.unit, 2)
    return first, memory


def _derived(loop: Loop) -> int:
    """Return what the derivative acts on, as the task of a loop has it."""
    if loop.kd.value == 0.0:
        return 0
    return 2 if loop.derivative_of == "error" else 1


def _add_loop(wiring: Wiring, slots: dict[str, int], bench: Bench, profile: int, limited: bool) -> LoopHandle:
    loop, smooth = wiring.description.loop[profile], wiring.smooth
    layout, period = wiring.layout, float(1 / loop.rate)
    source, sign = bench.description.origin(loop.reads), 1.0
    if source in bench.sensors:
        lever = bench.line.tree.lever(bench.machines[loop.acts_on].body, bench.sensors[source].spring)
        sign = math.copysign(1.0, lever)
    setpoint = layout.add(f"{loop.name}.setpoint", SlotKind.HELD, "")
    wiring.arrivals[setpoint] = 1 / loop.rate, loop.phase
    error = layout.add(f"{loop.name}.error", SlotKind.HELD, "")
    output = layout.add(f"{loop.name}.break", SlotKind.PROBE, loop.unit, 2)
    integral = layout.add(f"{loop.name}.integral", SlotKind.HELD, loop.unit)
    first, memory = _add_filters(wiring, bench, loop)
    if limited:
        emit = layout.add(f"{loop.name}.request", SlotKind.HELD, loop.unit)
    else:
        emit = wiring.line(f"{loop.name}.command", loop.unit, loop.timing(), slots[loop.name])
    around = add_structure(wiring, bench, slots, loop, sign)
    method = CONDITIONAL if loop.anti_windup == "conditional" else BACK_CALCULATION
    step = math.inf if smooth or loop.setpoint_rate is None else loop.setpoint_rate * period
    a = LoopWords(
        reading=around.reading,
        profile=profile,
        setpoint=setpoint,
        integral=integral,
        emit=emit,
        filter=first,
        filters=len(loop.filters),
        memory=memory,
        anti_windup=method,
        rate_limited=int(loop.setpoint_rate is not None),
        error=error,
        output=output,
        injected=output + 1,
        setpoint_filtered=int(loop.setpoint_filter is not None),
        derivative=_derived(loop),
        damping=around.damping,
        disturbance=around.disturbance,
        sent=around.sent,
        outer=bench.inner.get(loop.name, -1),
        watch=watch(wiring, loop.name, (("command", loop.unit, loop.clamp),), f"loop {loop.name}"),
    )
    clamp = math.inf if smooth else loop.clamp
    f = LoopNumbers(loop.kp.value, loop.ki.value, period, clamp, loop.feedforward, step, sign, share=1.0)
    # What commands a speed loop comes before it.
    priority = Priority.STRUCTURE if loop.through else Priority.LOOP
    task = wiring.add(loop.name, at.LOOP, loop.timing(), priority, a, f)
    quantity = (
        "voltage" if source == SUPPLY else "torque" if source in bench.sensors else loop.controls or "speed"
    )
    return LoopHandle(
        loop,
        profile,
        quantity,
        source,
        sign,
        task,
        reading_of(bench, slots, loop),
        setpoint,
        error,
        integral,
        emit,
        output,
        around.sent,
    )


def _add_limiter(wiring: Wiring, slots: dict[str, int], bench: Bench, profile: int) -> LoopHandle:
    loop = wiring.description.loop[profile]
    assert loop.limiter_of is not None and loop.limit_speed is not None, "checked by the reader"
    main = bench.loops[loop.limiter_of]
    layout = wiring.layout
    integral = layout.add(f"{loop.name}.upper_integral", SlotKind.HELD, "N m")
    layout.add(f"{loop.name}.upper_active", SlotKind.INTEGER, "1")
    lower = layout.add(f"{loop.name}.lower_integral", SlotKind.HELD, "N m")
    layout.add(f"{loop.name}.lower_active", SlotKind.INTEGER, "1")
    emit = wiring.line(f"{loop.name}.command", loop.unit, loop.timing(), slots[loop.limiter_of])
    a = LimiterWords(
        speed=slots[loop.reads],
        request=main.emit_slot,
        upper=integral,
        lower=lower,
        emit=emit,
        integral=main.integral_slot,
        sent=main.sent_slot,
    )
    gains = main.parameters
    f = LimiterNumbers(
        kp=loop.kp.value,
        ki=loop.ki.value,
        period=float(1 / loop.rate),
        clamp=loop.clamp,
        limit=loop.limit_speed,
        sign=main.sign,
        loop_kp=gains.kp.value,
        loop_ki=gains.ki.value,
    )
    task = wiring.add(loop.name, at.LIMITER, loop.timing(), Priority.LOOP + 1, a, f)
    source = bench.description.origin(loop.reads)
    return LoopHandle(
        loop, profile, "speed", source, 1.0, task, slots[loop.reads], -1, -1, integral, emit, -1
    )
