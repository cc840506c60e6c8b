"""Noise of what controllers read: sensors with noise and quantiser, encoders with their steps."""

import math

from shaftloop.analysis.fidelity.signalpath import noise
from shaftloop.bench.handles import Bench
from shaftloop.bench.parts.part import make_part

__all__ = ["channel_noise"]

_TWO_ROUNDINGS = math.sqrt(6.0)
"""Step over rms of the difference of two roundings, which a speed from an angle or from two instants is."""


def channel_noise(bench: Bench, speed: float) -> dict[str, float]:
    """Return the rms of noise and steps of every reading, by the name that a controller reads it under.

    A machine's own speed has none; a hop has that of what it carries. [N m], of speeds [rad/s]

    Parameters
    ----------
    speed : float
        Operating speed of the leftmost body. [rad/s]
    """
    found = {name: noise(sensor.parameters).total for name, sensor in bench.sensors.items()}
    for part in bench.description.readers("speed"):
        found[part.name] = make_part(part).step(speed * bench.line.pace(part.name)) / _TWO_ROUNDINGS
    for hop in bench.description.hop:
        found[hop.name] = found.get(bench.description.origin(hop.name), 0.0)
    return found
