"""Stability and margins of a loop, exact for the sampled, multirate bench.

Stability is judged by the eigenvalues of the hyperperiod map. Gain margins are the factors on the
controller's output at which the largest eigenvalue reaches 1; they are found from the phase crossovers and
polished on the eigenvalues themselves, so the bench sits on the boundary at the stated factor.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.loci import boundary_factors
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.reduction import solved
from shaftloop.analysis.response import (
    Crossing,
    fundamental,
    gain_crossings,
    grid,
    phase_crossings,
    refined,
    root,
)
from shaftloop.analysis.sensitivity import (
    Peak,
    amplification_peak,
    complementary_peak,
    sensitivity,
    sensitivity_peak,
)
from shaftloop.bench.handles import LoopHandle

__all__ = ["Margins", "loop_margins", "margins_of_each", "stability_boundary"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SCAN = np.geomspace(1.0, 1e3, 13)
_SPARSER = 4
"""Of these, one in so many is looked at where the boundaries themselves are known, of two ticks."""
_SEEN = 1e-4
"""Height from which on the peak of a pole at an image is looked at, in L or in S."""
_ON_CIRCLE = 1e-12
"""Distance of the largest eigenvalue from 1 that is none."""
_NEAR = 1e-3
"""How far, as a share, the fundamental response may be from the boundary that it predicts."""


@dataclass(frozen=True)
class Margins:
    """What a loop can stand; margins of an unstable loop say what would make it stable or worse.

    Each figure is found when it is first asked for, and kept.
    """

    loop: str
    quantity: str
    """``torque`` or ``speed``."""
    point: OperatingPoint
    system: OpenLoop

    @cached_property
    def largest_eigenvalue(self) -> float:
        """Of the hyperperiod map, all loops closed."""
        return self.system.disturbed.radius

    @cached_property
    def stable(self) -> bool:
        """Whether it lies inside the unit circle."""
        return self.largest_eigenvalue < 1.0

    @cached_property
    def gain_margin(self) -> float | None:
        """Smallest factor above 1 on the gain at which stability changes; None where none does to 1000."""
        return self._boundary(1.0)

    @cached_property
    def gain_margin_down(self) -> float | None:
        """Largest factor below 1 at which stability changes; None where none does down to 1/1000."""
        return self._boundary(-1.0)

    @cached_property
    def fundamental_gain_margin(self) -> float | None:
        """The same as `gain_margin` from the fundamental response alone."""
        return min((k for k in self._factors if k > 1.0), default=None)

    @cached_property
    def phase_margin(self) -> float | None:
        """Smallest distance of L from −180° at a gain crossover [deg]; None without crossover.

        Of an unstable loop it has a sign: negative where L has passed −180°.
        """
        nearest = min((c.value for c in self.gain_crossings), key=abs, default=None)
        return nearest if nearest is None or not self.stable else abs(nearest)

    @cached_property
    def phase_delay_margin(self) -> float | None:
        """Smallest delay that turns a gain crossover onto −180°, from the fundamental response [s]."""
        return min(((c.value % 360.0) / 360.0 / c.frequency for c in self.gain_crossings), default=None)

    @cached_property
    def crossover(self) -> float | None:
        """Highest gain crossover at which the margins count [Hz]."""
        return max((c.frequency for c in self.gain_crossings), default=None)

    @cached_property
    def ms(self) -> float:
        """Largest sensitivity |S| of the closed loop at the frequency that goes in, 1/(1 + L) at one tick."""
        return self._ms.size

    @cached_property
    def ms_frequency(self) -> float:
        """Where it is [Hz]."""
        return self._ms.frequency

    @cached_property
    def worst_amplification(self) -> float:
        """Largest amplification of a mixture of a frequency and its images; `ms` at one tick."""
        return self._worst.size

    @cached_property
    def worst_amplification_frequency(self) -> float:
        """The lowest of them [Hz]."""
        return self._worst.frequency

    @cached_property
    def mt(self) -> float:
        """Largest |1 - S|, complementary to it."""
        return self._mt.size

    @cached_property
    def mt_frequency(self) -> float:
        """Where it is [Hz]."""
        return self._mt.frequency

    @cached_property
    def bandwidth(self) -> float | None:
        """Frequency at which |1 - S| has fallen 3 dB below its low-frequency value [Hz]."""
        level = _at_rest(self.system) / np.sqrt(2.0)
        above = np.abs(1.0 - self.sensitivity) - level
        return _leaves(
            lambda f: np.abs(1.0 - sensitivity(self.system, f)) - level, self.frequency, above, above < 0.0
        )

    @cached_property
    def rejection(self) -> float | None:
        """Frequency up to which disturbances are at least halved, |S| <= 0.5 [Hz]."""
        above = np.abs(self.sensitivity) - 0.5
        return _leaves(
            lambda f: np.abs(sensitivity(self.system, f)) - 0.5, self.frequency, above, above > 0.0
        )

    @cached_property
    def noise_gain(self) -> float:
        """Rms of the controlled quantity per rms of white noise on the samples that the controller reads."""
        square = np.abs(1.0 - self.sensitivity) ** 2
        return float(np.sqrt(np.trapezoid(square, self.frequency) / self.frequency[-1]))

    @cached_property
    def gain_crossings(self) -> tuple[Crossing, ...]:
        """Where |L| = 1, by frequency."""
        return tuple(gain_crossings(self.system, self.frequency, self.response))

    @cached_property
    def crossings(self) -> tuple[Crossing, ...]:
        """Where |L| = 1, and where L is real and negative, by frequency."""
        both = [*self.gain_crossings, *self._phase_crossings]
        return tuple(sorted(both, key=lambda crossing: crossing.frequency))

    @property
    def hyperperiod(self) -> float:
        """After which all repeats [s]."""
        return self.system.hyperperiod

    @cached_property
    def ticks(self) -> int:
        """Ticks of the loop per hyperperiod; above 1 the loop is periodically time-varying."""
        return len(self.system.instants)

    @cached_property
    def frequency(self) -> Array:
        """Grid, shape (n,) [Hz]."""
        return grid(self.system, _SEEN)

    @cached_property
    def response(self) -> Complex:
        """L on the grid, shape (n,)."""
        return fundamental(self.system, self.frequency)

    @cached_property
    def sensitivity(self) -> Complex:
        """S of the closed loop on the grid, shape (n,); 1/(1 + L) at one tick per hyperperiod."""
        if self.ticks == 1:
            return np.asarray(1.0 / (1.0 + self.response))
        return sensitivity(self.system, self.frequency)

    @property
    def against_lead(self) -> bool:
        """Whether a lead, not a lag, takes the loop to −180° by its phase margin.

        So it is where a stable loop has passed −180° at the crossover nearest to it.
        """
        return self.stable and min((c.value for c in self.gain_crossings), key=abs, default=0.0) < 0.0

    @cached_property
    def _phase_crossings(self) -> list[Crossing]:
        return phase_crossings(self.system, self.frequency, self.response)

    @property
    def _factors(self) -> list[float]:
        return [crossing.value for crossing in self._phase_crossings]

    def _boundary(self, side: float) -> float | None:
        scan = _SCAN[:: {1: len(_SCAN) - 1, 2: _SPARSER}.get(self.ticks, 1)] ** side
        factors = [k for k in self._boundaries if (k > 1.0) == (side > 0.0)]
        return stability_boundary(self.system, factors, scan)

    @cached_property
    def _boundaries(self) -> list[float]:
        return boundary_factors(self.system, self.frequency) if self.ticks == 2 else self._factors

    @cached_property
    def _ms(self) -> Peak:
        return sensitivity_peak(self.system, self.frequency, self.sensitivity)

    @cached_property
    def _mt(self) -> Peak:
        return complementary_peak(self.system, self.frequency, self.sensitivity)

    @cached_property
    def _worst(self) -> Peak:
        return self._ms if self.ticks == 1 else amplification_peak(self.system, self.frequency)


def loop_margins(bench: HyperMap, loop: LoopHandle, point: OperatingPoint, state: Array) -> Margins:
    """Return the margins of a loop at an operating point, all other loops closed.

    Parameters
    ----------
    loop : LoopHandle
        A loop of it that is no limiter.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    return margins_of_each(bench, [loop], point, state)[0]


def margins_of_each(
    bench: HyperMap, loops: Sequence[LoopHandle], point: OperatingPoint, state: Array
) -> list[Margins]:
    """Return the margins of several loops, each with all others closed, in less time than one by one.

    Parameters
    ----------
    loops : sequence of LoopHandle
        As in `loop_margins`.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    return [
        Margins(loop.parameters.name, loop.quantity, point, system)
        for loop, system in zip(loops, bench.open_each(loops, state), strict=True)
    ]


def stability_boundary(system: OpenLoop, candidates: list[float], scan: Array) -> float | None:
    """Return the factor nearest to 1 at which stability changes, polished on the eigenvalues.

    Parameters
    ----------
    system : OpenLoop
        One loop, or several.
    candidates : list of float
        From the phase crossovers.
    scan : ndarray, shape (n,)
        Factors on one side of 1, itself the first, which catch what a periodically time-varying loop adds.
    """

    def excess(gain: float) -> float:
        return spectral_radius(system.closed(gain)) - 1.0

    side = float(np.sign(np.log(scan[-1])))
    knots = sorted(abs(np.log(k)) for k in candidates if abs(np.log(k)) < abs(np.log(scan[-1])))
    # One point between any two candidates, however close: a resonance may be lost and regained within 1e-6.
    between = [0.5 * (low + high) for low, high in pairwise(knots)]
    # Up to two ticks the candidates are the boundaries themselves.
    several = len(system.instants) > 2
    near = [max(knot + d, 0.0) for knot in knots for d in (-_NEAR, _NEAR) if several]
    points = [float(np.exp(side * size)) for size in sorted({*np.abs(np.log(scan)), *between, *near})]
    last, value = points[0], system.disturbed.radius - 1.0
    for point in points[1:]:
        new = excess(point)
        if (value < 0.0) != (new < 0.0):
            inside = (k for k in candidates if min(last, point) < k < max(last, point))
            exact = (k for k in inside if abs(excess(k)) < _ON_CIRCLE)
            return next(exact, None) or root(excess, last, point, (value, new))
        last, value = point, new
    return None


def _at_rest(system: OpenLoop) -> float:
    """Return the limit of |1 - S| at low frequency."""
    closed = system.disturbed
    # A rigid body that nothing holds has an eigenvalue of 1, which the loop does not see.
    state = solved(np.eye(len(closed.a)) - closed.a, closed.b.sum(axis=1))
    return float(abs(1.0 - np.mean(closed.c @ state + closed.d.sum(axis=1))))


def _leaves(
    function: Callable[[Array], Array], frequency: Array, known: Array, beyond: NDArray[np.bool_]
) -> float | None:
    """Return where a function that is known on a grid first is beyond 0, if not from the start [Hz]."""
    found = np.flatnonzero(beyond)
    if not len(found) or found[0] == 0:
        return None
    last, i = slice(found[0] - 1, found[0]), slice(found[0], found[0] + 1)
    return float(refined(function, frequency[last], frequency[i], (known[last], known[i]))[0])
