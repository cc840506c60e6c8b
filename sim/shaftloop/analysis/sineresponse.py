"""What a small sine of a loop's set-point becomes with all loops closed: the answer at one frequency.

In its steady oscillation the smooth bench starts hyperperiod n, of length T, in a state x₀ + Re(X·e^(jωnT)).
X follows from the derivative of the map and from what the sine alone makes of x₀ in one hyperperiod, so no
transient has to fade, and any number of ticks per hyperperiod is exact. One more hyperperiod from there shows
the quantity at the ticks of the loop.
"""

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.sensitivity import sensitivity
from shaftloop.analysis.stepresponse import small_step, true_quantity
from shaftloop.engine.compiled.setpoints import SINE
from shaftloop.engine.model import Segment
from shaftloop.errors import ScenarioError

__all__ = ["AtFrequency", "at_frequency", "check_frequency"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class AtFrequency:
    """A closed loop at one frequency."""

    frequency: float
    """[Hz]"""
    follows: complex
    """True quantity per set-point. [1]"""
    left: float
    """Size of a disturbance that is left in the controlled quantity, |S|. [1]"""

    @property
    def amplitude(self) -> float:
        """Amplitude of the true quantity over that of the set-point [1]."""
        return abs(self.follows)

    @property
    def phase(self) -> float:
        """Of the true quantity against the set-point, negative where it is late [deg]."""
        return math.degrees(cmath.phase(self.follows))


def check_frequency(frequency: float, rate: float, whose: str) -> None:
    """Refuse a frequency that sampling does not show.

    Parameters
    ----------
    frequency : float
        [Hz]
    rate : float
        Of sampling. [Hz]
    whose : str
        What has that rate, in words.

    Raises
    ------
    ScenarioError
        With the range that is allowed.
    """
    if not 0.0 < frequency < 0.5 * rate:
        raise ScenarioError(
            [
                f"`at`: {frequency:.6g} Hz; allowed: above 0 and below {0.5 * rate:.6g} Hz, half the rate of "
                f"{whose}"
            ]
        )


def at_frequency(bench: HyperMap, state: Array, margins: Margins, frequency: float) -> AtFrequency:
    """Return what a stable loop does at a frequency.

    Parameters
    ----------
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    frequency : float
        Below half the rate of the loop. [Hz]
    """
    handle = bench.bench.loops[margins.loop]
    size, mean = small_step(bench, handle), margins.point.setpoints[margins.loop]
    ticks = bench.run.clock.ticks(1 / handle.parameters.rate) * np.arange(1, margins.ticks + 1)
    turn = 2j * math.pi * frequency / bench.run.clock.ticks_per_second
    # A cosine is a sine that began a quarter of a period ago.
    early = round(0.25 / frequency * bench.run.clock.ticks_per_second)

    def walked(starts: tuple[Array, Array]) -> Complex:
        """Return the change at the ticks under a set-point e^(jωt), from a real and an imaginary start."""
        found = []
        for start, began in zip(starts, (-early, 0), strict=True):
            bench.run.set_profile(handle.profile, Segment(began, SINE, (), (mean, size, frequency)))
            found.append(bench.walk(start, ticks) - rest)
        return np.asarray(found[0] + 1j * found[1])

    try:
        rest = bench.walk(state, ticks)
        motion, keep = bench.motion(state)
        slots = bench.slots[keep]
        lead = np.exp(turn * bench.ticks) * np.eye(len(keep)) - motion
        steady = np.linalg.solve(lead, walked((state, state))[-1][slots])
        starts = state.copy(), state.copy()
        starts[0][slots] += steady.real
        starts[1][slots] += steady.imag
        seen = true_quantity(bench, handle, walked(starts)) / size
    finally:
        bench.hold(margins.point)
    follows = complex(np.mean(seen * np.exp(-turn * ticks)))
    left = abs(complex(sensitivity(margins.system, np.array([frequency]))[0]))
    return AtFrequency(frequency, follows, left)
