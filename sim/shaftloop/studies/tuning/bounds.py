"""What tuned gains must keep besides stability, and what gains reach of it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.closedloop import closed_loop
from shaftloop.studies.tuning.figures import bandwidth, command_noise, noise_gain, shaft_modes
from shaftloop.studies.tuning.plant import LoopPlant

__all__ = ["Bounds", "Excursion", "Reached", "peak_command", "reached", "tighter"]

_PEAK_ROUNDS = 512
"""Hyperperiods within which the command has its peak."""
_RESERVE = 1.001
"""By which the bandwidth is taken for less than the grid shows, so that the exact margins agree."""


@dataclass(frozen=True)
class Excursion:
    """A step of the set-point that the command must survive without its clamp."""

    start: float
    """Set-point before. [N m] or [rad/s]"""
    size: float
    """[N m] or [rad/s]"""


@dataclass(frozen=True)
class Bounds:
    """What tuned gains must keep at every corner."""

    ms: float = 1.6
    """Largest |1/(1 + L)|."""
    mt: float = 1.4
    """Largest |L/(1 + L)|."""
    noise_gain: float | None = None
    """Largest rms of the command per rms of white noise on the reading. [N m] per unit of reading"""
    command_noise: float | None = None
    """Largest rms of the command by noise and steps of all channels that the structure uses. [N m]"""
    bandwidth: float | None = None
    """Least frequency at which |L/(1 + L)| has fallen by 3 dB. [Hz]"""
    mode_damping: tuple[float | None, ...] = ()
    """Least damping ratio of every shaft mode, the lowest first; nothing where none is asked for."""
    command: float | None = None
    """Largest command, either sign, in the stated step. [N m]"""
    excursion: Excursion | None = None
    """That step."""

    @property
    def simple(self) -> bool:
        """Whether Ms and Mt are all there is."""
        others = (self.noise_gain, self.command_noise, self.bandwidth, self.command, *self.mode_damping)
        return all(other is None for other in others)


@dataclass(frozen=True)
class Reached:
    """A bound besides Ms and Mt, and what gains reach."""

    name: str
    asked: float
    value: float
    unit: str = ""
    least: bool = False
    """Whether the value must not be smaller; else it must not be larger."""

    @property
    def kept(self) -> bool:
        """Whether the bound is kept."""
        return self.value >= self.asked if self.least else self.value <= self.asked

    @property
    def excess(self) -> float:
        """By which share of itself the bound is exceeded, negative where it is kept."""
        beyond = (self.asked - self.value if self.least else self.value - self.asked) / (
            abs(self.asked) or 1.0
        )
        return float(beyond)

    def touched(self, share: float) -> bool:
        """Return whether the value is at the bound, or within a share of it."""
        return self.value * share <= self.asked if self.least else self.value >= share * self.asked

    def __str__(self) -> str:
        """Return the bound in words, e.g. ``bandwidth >= 25 Hz``."""
        return f"{self.name} {'>=' if self.least else '<='} {self.asked:.4g} {self.unit}".rstrip()


def tighter(bounds: Bounds, share: float) -> Bounds:
    """Return bounds with a share of the room above 1, below which none goes.

    At high frequencies nothing is left of L, at low ones nothing of S.

    Parameters
    ----------
    bounds : Bounds
        To be tightened.
    share : float
        Above 0; beyond 1 the bounds are looser.
    """
    return replace(bounds, ms=1.0 + share * (bounds.ms - 1.0), mt=1.0 + share * (bounds.mt - 1.0))


def reached(plants: Sequence[LoopPlant], bounds: Bounds, loop: Loop) -> Iterator[Reached]:
    """Yield the bounds besides Ms and Mt with what a stable loop reaches, worst corner, the quickest first.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    bounds : Bounds
        What is asked for.
    loop : Loop
        With its gains.
    """
    if bounds.command is not None and bounds.excursion is not None:
        peak = max(peak_command(plant, loop, bounds.excursion) for plant in plants)
        name = "command in the largest step of the sequence (see `may_clamp`)"
        yield Reached(name, bounds.command, peak, loop.unit)
    if bounds.noise_gain is not None:
        yield Reached("noise gain", bounds.noise_gain, noise_gain(plants, loop))
    if bounds.command_noise is not None:
        most = float(np.sqrt(sum(size**2 for size in command_noise(plants, loop).values())))
        yield Reached("noise on the command", bounds.command_noise, most, loop.unit)
    if bounds.bandwidth is not None:
        most = bandwidth(plants, loop) / _RESERVE
        yield Reached("bandwidth", bounds.bandwidth, most, "Hz", least=True)
    if any(least is not None for least in bounds.mode_damping):
        modes = shaft_modes(plants, loop)
        for number, (mode, least) in enumerate(zip(modes, bounds.mode_damping, strict=False), 1):
            if least is not None:
                where = f"damping of shaft mode {number} (free at {mode.free_frequency:.4g} Hz)"
                yield Reached(where, least, mode.damping, least=True)


def peak_command(plant: LoopPlant, loop: Loop, excursion: Excursion) -> float:
    """Return the largest command, either sign, in a step of the set-point [N m].

    Parameters
    ----------
    plant : LoopPlant
        What is controlled.
    loop : Loop
        Its controller.
    excursion : Excursion
        The step.
    """
    closed = closed_loop(plant, loop)
    before = plant.command + (excursion.start - plant.setpoint) / plant.static_gain
    response = closed.step(0, _PEAK_ROUNDS)
    return float(np.max(np.abs(before + excursion.size * response.command)))
