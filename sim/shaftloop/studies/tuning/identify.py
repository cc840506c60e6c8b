"""Simple models of a plant from its exact response, as the rules of the trade want them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import parts_of
from shaftloop.studies.tuning.plant import LoopPlant

__all__ = ["LagModel", "identify"]

Array = NDArray[np.float64]

_SLOW = 1e-3
"""Share of the phase crossover at which the slope of the phase is taken."""


@dataclass(frozen=True)
class LagModel:
    """``gain·e^(−delay·s)/(lag·s + 1)``; an integrating plant has ``rate·e^(−delay·s)/s``."""

    gain: float
    """Reading per command at rest; infinite where the plant integrates."""
    lag: float
    """[s]; infinite where the plant integrates."""
    delay: float
    """[s]"""
    rate: float
    """gain/lag: how fast the reading rises per command. [1/s] times the unit of the gain"""

    @property
    def integrates(self) -> bool:
        """Whether the plant has no gain at rest."""
        return not np.isfinite(self.gain)


def identify(plant: LoopPlant, loop: Loop) -> LagModel | None:
    """Return the first-order model with delay that shares the gain at rest and the phase crossover.

    Where the response at the phase crossover is not below the gain at rest, as with a resonance, no lag
    explains it: the model is then the gain and the delay that the phase has at low frequencies.

    Parameters
    ----------
    plant : LoopPlant
        The plant.
    loop : Loop
        Its controller: the filters on the reading belong to what the rules look at.

    Returns
    -------
    LagModel or None
        Nothing where the phase never crosses −180°.
    """
    frequency = plant.frequency
    _, filters, _, _ = parts_of(loop, frequency)
    response = plant.response * filters
    phase = np.unwrap(np.angle(response))
    start = plant.static_gain
    phase += (
        2.0 * np.pi * np.round(((-0.5 * np.pi if not np.isfinite(start) else 0.0) - phase[0]) / (2.0 * np.pi))
    )
    late = np.flatnonzero(phase < -np.pi)
    if not len(late) or late[0] == 0:
        return None
    i = int(late[0])
    share = (-np.pi - phase[i - 1]) / (phase[i] - phase[i - 1])
    omega = 2.0 * np.pi * float(frequency[i - 1] + share * (frequency[i] - frequency[i - 1]))
    size = float(abs(np.interp(omega / 2.0 / np.pi, frequency, np.abs(response))))
    if not np.isfinite(start):
        return LagModel(float("inf"), float("inf"), 0.5 * np.pi / omega, size * omega)
    ratio = size / abs(start)
    if ratio < 1.0:
        lag = float(np.sqrt(ratio**-2 - 1.0)) / omega
        delay = (np.pi - float(np.arctan(lag * omega))) / omega
        return LagModel(start, lag, delay, start / lag)
    slow = np.array([_SLOW * omega / 2.0 / np.pi])
    _, filtered, _, _ = parts_of(loop, slow)
    slope = -float(np.angle(plant.at(slow) * filtered)[0]) / (_SLOW * omega)
    return LagModel(start, 0.0, slope, float("inf")) if slope > 0.0 else None
