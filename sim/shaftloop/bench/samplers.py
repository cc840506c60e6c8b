"""Torque sensors, encoders and power meters as sampled tasks."""

import math

import numpy as np

from shaftloop.bench.handles import PowerMeterHandle
from shaftloop.bench.wiring import Priority, Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import SlotKind
from shaftloop.engine.model import Task
from shaftloop.engine.plant import Plant
from shaftloop_models.encoder import Encoder, edge_angle
from shaftloop_models.network import Node, Ref
from shaftloop_models.power_meter import PowerMeter, lag_share
from shaftloop_models.torque_sensor import TorqueSensor, hysteresis_play, nonlinearity_coefficient

__all__ = ["add_encoder", "add_power_meter", "add_sensor"]


def add_sensor(
    wiring: Wiring, plant: Plant, part: TorqueSensor, seen: Ref, draw: tuple[int, int], smooth: bool
) -> tuple[int, int]:
    """Add the sampler of a torque sensor and return the slot of its reading and its task.

    Parameters
    ----------
    wiring : Wiring
        Extended.
    plant : Plant
        Knows where the sampler finds what it sees.
    part : TorqueSensor
        Parameters.
    seen : Ref
        From `declare_signal_path`.
    draw : tuple of int
        Seed of the run and number of the sensor, which decide its zero in this run.
    smooth : bool
        Switch off range, quantiser, hysteresis and repeatability.
    """
    layout, period = wiring.layout, 1 / part.sampling
    reading = layout.add(f"{part.name}.reading", SlotKind.HELD, "N m")
    emit = wiring.line(part.name, "N m", period, part.phase, part.latency.seconds(period), reading)
    span = math.inf if smooth or part.range is None else part.range
    reach, share = (0.0, 0.0) if smooth else hysteresis_play(part)
    follower = layout.add(f"{part.name}.hysteresis", SlotKind.HELD, "N m") if share else 0
    zero = part.zero
    if part.repeatability and not smooth:
        zero += part.repeatability * part.rated * _normal(*draw)
    values = (
        *(1.0 + part.gain_error, zero, nonlinearity_coefficient(part), part.rated, span),
        *(0.0 if smooth else part.quantiser_step(), reach, share),
    )
    kind, a = at.SAMPLE, [plant.z(seen), emit, follower]
    count = part.averaged_samples() - 1
    if count >= 0:
        before = layout.add(f"{part.name}.means", SlotKind.DELAY, "N m", count)
        kind, a = at.AVERAGE, [seen.index, emit, follower, before, count]
    name = f"{part.name}.sample"
    return reading, wiring.add(Task(name, kind, period, part.phase, Priority.SAMPLE, tuple(a), values))


def _normal(seed: int, number: int) -> float:
    """Return the normal value of a sensor in the run with a seed."""
    return float(np.random.Generator(np.random.Philox(key=seed, counter=number)).standard_normal())


def add_encoder(wiring: Wiring, part: Encoder, angle: Ref, node: Node, smooth: bool) -> int:
    """Add the sampler of an encoder and return the slot of its speed.

    Parameters
    ----------
    wiring : Wiring
        Extended.
    part : Encoder
        Parameters.
    angle : Ref
        Angle since the last counted edge.
    node : Node
        Body it turns with.
    smooth : bool
        Report the mean speed over the period, without edges and graduation error.
    """
    period = 1 / part.sampling
    speed = wiring.layout.add(f"{part.name}.speed", SlotKind.HELD, "rad/s")
    emit = wiring.line(part.name, "rad/s", period, part.phase, part.latency.seconds(period), speed)
    edge = 0.0 if smooth else edge_angle(part.lines)
    kind, a, f = at.ENCODER, [angle.index, emit], [edge, float(part.sampling)]
    if not smooth and (part.turn_error or part.clock_rate()):
        memory = wiring.layout.add(f"{part.name}.edges", SlotKind.HELD, "", 5)
        kind = at.EDGES
        a += [memory, node.speed.index]
        f += [part.turn_error, part.turn_phase, part.clock_rate()]
    name = f"{part.name}.sample"
    wiring.add(Task(name, kind, period, part.phase, Priority.SAMPLE, tuple(a), tuple(f)))
    return speed


def add_power_meter(wiring: Wiring, part: PowerMeter, energy: int) -> PowerMeterHandle:
    """Add a power meter.

    Parameters
    ----------
    wiring : Wiring
        Extended.
    part : PowerMeter
        Parameters.
    energy : int
        Slot of the energy that the machine has taken from the link.
    """
    layout, period = wiring.layout, 1 / part.sampling
    reading = layout.add(f"{part.name}.reading", SlotKind.HELD, "W")
    emit = wiring.line(part.name, "W", period, part.phase, part.latency.seconds(period), reading)
    memory = layout.add(f"{part.name}.memory", SlotKind.HELD, "", 2)
    f = (
        *(float(part.sampling), lag_share(part), 1.0 + part.gain_error, part.zero),
        *(part.range, part.resolution),
    )
    task = Task(
        f"{part.name}.sample", at.POWER, period, part.phase, Priority.SAMPLE, (energy, emit, memory), f
    )
    wiring.add(task)
    return PowerMeterHandle(part, reading)
