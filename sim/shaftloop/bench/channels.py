"""The recorded channels of a bench."""

from collections.abc import Sequence

from shaftloop.bench.angle import asked
from shaftloop.bench.handles import Bench
from shaftloop.control.parameters import UNIT_OF
from shaftloop.engine.model import Channel
from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown

__all__ = ["standard_channels"]


def standard_channels(bench: Bench, further: Sequence[str]) -> list[Channel]:
    """Return the standard channels, then the further ones that the scenario asks for.

    Standard are: true torque and reading of the main sensor; set-points and commands; of every machine speed,
    air-gap torque and the energy that it takes from the link; the torque of every spring; the reading of
    every power meter; the angle at the main sensor where a part of its shaft depends on it. Further ones are
    names of slots, and ``PART_angle`` for any part of the line.

    Raises
    ------
    ScenarioError
        Where a name is none of this bench.
    """
    main = bench.main_sensor()
    channels: list[Channel] = []
    for name, sensor in bench.sensors.items():
        channels += sensor.channels("" if sensor is main else f"{name}_")
    if main is not None and bench.line.angle_of(bench.line.places[main.name].body):
        channels.append(_angle(bench, main.name))
    channels += _loops(bench)
    for name, part in bench.parts.items():
        if name not in bench.sensors:
            channels += part.channels(f"{name}_")
    for edge in bench.line.edges:
        channels.append(Channel(f"{edge.part}_torque", "N m", (("z", edge.torque, 1.0),)))
    for name, meter in bench.power_meters.items():
        channels += meter.channels(f"{name}_")
    channels += [*bench.link.channels(), *_energies(bench)]
    known = {channel.name for channel in channels}
    return [*channels, *(_asked(bench, name) for name in further if name not in known)]


def _angle(bench: Bench, part: str) -> Channel:
    """Return the angle of the body that a part is or begins with, whole turns of its shaft taken away."""
    angle, *twists = bench.line.angle_of(bench.line.places[part].body)
    return Channel(f"{part}_angle", "rad", (("z", angle, 1.0), *(("z", twist, -1.0) for twist in twists)))


def _asked(bench: Bench, name: str) -> Channel:
    angles = {f"{part}_angle": part for part in asked(bench.description)}
    if name in angles:
        return _angle(bench, angles[name])
    layout = bench.model.layout
    names = [slot.name for slot in layout.slots]
    if name not in names:
        hint = nearest(name, [*names, *(f"{part.name}_angle" for part in bench.description.line)])
        raise ScenarioError([f"record.channels: {shown(name)} is no quantity of this bench{hint}"])
    number = names.index(name)
    return Channel(name, layout.slots[number].unit, (("state", number, 1.0),))


def _loops(bench: Bench) -> list[Channel]:
    channels = []
    for name, loop in bench.loops.items():
        if loop.parameters.limiter_of is None:
            unit = UNIT_OF[loop.quantity]
            followed = ("state", loop.setpoint_slot) if name in bench.inner else ("profile", loop.profile)
            channels.append(Channel(f"{name}_setpoint", unit, ((*followed, 1.0),)))
        entry = ("state", bench.receiver(loop.parameters), loop.sign)
        channels.append(Channel(f"{name}_command", loop.parameters.unit, (entry,)))
    return channels


def _energies(bench: Bench) -> list[Channel]:
    """Return the energies drawn from the link, from which powers over a record interval follow."""
    first = bench.model.meter_slot
    slots = {f"{name}_energy": first + machine.link_meter for name, machine in bench.machines.items()}
    channels = [Channel(name, "J", (("state", slot, 1.0),)) for name, slot in slots.items()]
    grid = bench.link.grid_meters(bench.link_meters)
    heats = [part.name for part in bench.description.line if part.stands().heat is not None]
    for name in heats:
        slot = first + bench.model.plant.network.meter_number(f"{name}.damping")
        channels.append(Channel(f"{name}_heat", "J", (("state", slot, 1.0),)))
    entries = tuple(("state", first + meter, 1.0) for meter in grid)
    return [*channels, Channel("grid_energy", "J", entries)]
