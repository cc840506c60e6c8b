"""What a candidate is worth: the figures that bounds and objectives look at, over all corners."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.control.structures import damping_section
from shaftloop.studies.tuning.closedloop import close, closed_loop
from shaftloop.studies.tuning.controller import controller_of, feedback, section_value
from shaftloop.studies.tuning.modetrack import TrackedMode
from shaftloop.studies.tuning.plant import LoopPlant

__all__ = [
    "Figures",
    "Peak",
    "bandwidth",
    "command_noise",
    "figures",
    "integral_gain",
    "noise_gain",
    "sensitivity_peaks",
    "shaft_modes",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ZOOMS = 3
_NEARLY = 0.95
"""Peaks of at least this share of the highest are looked at closer."""


@dataclass(frozen=True)
class Peak:
    """The largest value of a response, where, and in which corner."""

    value: float
    frequency: float
    """[Hz]"""
    label: str
    plant: int
    """Number of the plant."""


@dataclass(frozen=True)
class Figures:
    """What a tuned loop does; the worst of all corners."""

    stable: bool
    ms: Peak
    mt: Peak
    noise_gain: float
    """Rms of the command per rms of white noise on the samples of the reading. [N m] per unit of reading"""
    command_noise: dict[str, float]
    """Rms of the command by noise and steps of each measured channel that the structure uses. [N m]"""
    integral_gain: float
    """What a lasting torque on the command costs: the integral of the error is torque/integral_gain."""
    modes: tuple[TrackedMode, ...]
    """Shaft modes, each in the corner where it is damped least."""


def figures(plants: Sequence[LoopPlant], loop: Loop) -> Figures:
    """Return the figures of a loop.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller.
    """
    plants = [plant.under(loop) for plant in plants]
    ms, mt = sensitivity_peaks(plants, loop)
    return Figures(
        all(closed_loop(plant, loop).radius < 1.0 for plant in plants),
        ms,
        mt,
        noise_gain(plants, loop),
        command_noise(plants, loop),
        integral_gain(loop),
        shaft_modes(plants, loop),
    )


def noise_gain(plants: Sequence[LoopPlant], loop: Loop) -> float:
    """Return rms of the command per rms of white noise on the reading, worst corner [N m per its unit].

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller, stable.
    """
    gains = loop.kp.value, loop.ki.value
    on = [(plant.under(loop), plant.parts(loop)) for plant in plants]
    return max(_rms(plant, parts.controller(*gains) / (1.0 + parts.response(*gains))) for plant, parts in on)


def command_noise(plants: Sequence[LoopPlant], loop: Loop) -> dict[str, float]:
    """Return the rms of the command by each measured channel that a loop uses, worst corner [N m].

    Noise and steps of a channel count as white noise on the ticks of the loop.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller, stable.
    """
    worst: dict[str, float] = {}
    gains, damping = (loop.kp.value, loop.ki.value), loop.active_damping
    for plant, parts in [(plant.under(loop), plant.parts(loop)) for plant in plants]:
        out = parts.controller(*gains)
        paths = [(loop.reads, out)]
        if damping is not None:
            section = damping_section(damping, float(loop.rate))
            shift = np.exp(2j * np.pi * plant.frequency * plant.period)
            paths += [(place, section_value(section, shift)) for place in (damping.left, damping.right)]
        closed = 1.0 / (1.0 + parts.response(*gains))
        for channel, path in paths:
            size = plant.noises.get(channel, 0.0) * _rms(plant, path * closed)
            worst[channel] = max(worst.get(channel, 0.0), size)
    return worst


def _rms(plant: LoopPlant, response: Complex) -> float:
    """Return the rms behind a response per rms of white noise ahead of it."""
    return float(np.sqrt(np.trapezoid(np.abs(response) ** 2, plant.frequency) / plant.frequency[-1]))


def bandwidth(plants: Sequence[LoopPlant], loop: Loop) -> float:
    """Return the least frequency at which |L/(1 + L)| has fallen 3 dB below its low-frequency value [Hz].

    Infinite where it never does.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller.
    """
    found = []
    for plant in [plant.under(loop) for plant in plants]:
        size = _complementary(plant.parts(loop).response(loop.kp.value, loop.ki.value))
        below = np.flatnonzero(size < size[0] / np.sqrt(2.0))
        if not len(below):
            found.append(np.inf)
            continue
        pair = slice(int(below[0]) - 1, int(below[0]) + 1)
        found.append(np.interp(-size[0] / np.sqrt(2.0), -size[pair], plant.frequency[pair]))
    return float(min(found))


def shaft_modes(plants: Sequence[LoopPlant], loop: Loop) -> tuple[TrackedMode, ...]:
    """Return the shaft modes, each in the corner where it is damped least.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller.
    """
    found = []
    for plant in [plant.under(loop) for plant in plants]:
        if plant.modes is not None:
            modes = plant.modes.find(close(plant.system, controller_of(loop)).a)
            found.append([replace(mode, corner=plant.label) for mode in modes])
    count = min((len(modes) for modes in found), default=0)
    return tuple(min((modes[i] for modes in found), key=lambda m: m.damping) for i in range(count))


def integral_gain(loop: Loop) -> float:
    """Return torque over the integral of the error that it leaves [unit of ki].

    Parameters
    ----------
    loop : Loop
        Its controller.
    """
    slow = np.array([1e-7 * float(loop.rate)])
    gain = feedback(loop, slow)[0] * 2j * np.pi * slow[0]
    return float(gain.real)


def sensitivity_peaks(plants: Sequence[LoopPlant], loop: Loop) -> tuple[Peak, Peak]:
    """Return Ms and Mt over all corners.

    Parameters
    ----------
    plants : sequence of LoopPlant
        One per corner.
    loop : Loop
        Its controller.
    """
    plants = [plant.under(loop) for plant in plants]
    found: tuple[list[Peak], list[Peak]] = ([], [])
    for number, plant in enumerate(plants):

        def closer(low: float, high: float, plant: LoopPlant = plant) -> tuple[Array, Complex]:
            near, response, damping = plant.near(low, high)
            return near, np.asarray(feedback(loop, near) * response + damping)

        response = plant.parts(loop).response(loop.kp.value, loop.ki.value)
        for peaks, of in zip(found, (_sensitivity, _complementary), strict=True):
            value, at = _peak(plant.frequency, of(response), closer, of)
            peaks.append(Peak(value, at, plant.label, number))
    return max(found[0], key=lambda p: p.value), max(found[1], key=lambda p: p.value)


def _sensitivity(response: Complex) -> Array:
    return np.asarray(1.0 / np.abs(1.0 + response))


def _complementary(response: Complex) -> Array:
    return np.asarray(np.abs(response / (1.0 + response)))


def _peak(
    frequency: Array,
    size: Array,
    closer: Callable[[float, float], tuple[Array, Complex]],
    of: Callable[[Complex], Array],
) -> tuple[float, float]:
    """Return the highest of the peaks, each looked at closer than the grid does."""
    inner = size[1:-1]
    tops = 1 + np.flatnonzero((inner >= size[:-2]) & (inner >= size[2:]) & (inner >= _NEARLY * size.max()))
    best, where = float(size.max()), float(frequency[int(np.argmax(size))])
    for top in tops:
        low, high = frequency[top - 1], frequency[top + 1]
        for _ in range(_ZOOMS):
            near, response = closer(float(low), float(high))
            values = of(response)
            i = int(np.argmax(values))
            if values[i] > best:
                best, where = float(values[i]), float(near[i])
            low, high = near[max(i - 1, 0)], near[min(i + 1, len(near) - 1)]
    return best, where
