"""Stability and margins of a loop, exact for the sampled, multirate bench.

Stability is judged by the eigenvalues of the hyperperiod map. Gain margins are the factors on the
controller's output at which the largest eigenvalue reaches 1; they are found from the phase crossovers and
polished on the eigenvalues themselves, so the bench sits on the boundary at the stated factor.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.response import Crossing, crossings, fundamental, grid, refine
from shaftloop.analysis.sensitivity import peaks, sensitivity
from shaftloop.bench.handles import LoopHandle

__all__ = ["Margins", "loop_margins", "margins_of"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SCAN = np.geomspace(1.0, 1e3, 13)
_NEAR = 1e-3
"""How far, as a share, the fundamental response may be from the boundary that it predicts."""


@dataclass(frozen=True)
class Margins:
    """What a loop can stand; margins of an unstable loop say what would make it stable or worse."""

    loop: str
    quantity: str
    """``torque`` or ``speed``."""
    point: OperatingPoint
    stable: bool
    largest_eigenvalue: float
    """Of the hyperperiod map, all loops closed."""
    gain_margin: float | None
    """Smallest factor above 1 on the gain at which stability changes; None where there is none to 1000."""
    gain_margin_down: float | None
    """Largest factor below 1 at which stability changes; None where there is none down to 1/1000."""
    fundamental_gain_margin: float | None
    """The same as `gain_margin` from the fundamental response alone."""
    phase_margin: float | None
    """Smallest distance of L from −180° at a gain crossover [deg]; None without crossover.

    Of an unstable loop it has a sign: negative where L has passed −180°.
    """
    phase_delay_margin: float | None
    """Smallest delay that turns a gain crossover onto −180°, from the fundamental response [s]."""
    crossover: float | None
    """Highest gain crossover at which the margins count [Hz]."""
    ms: float
    """Largest sensitivity |S| of the closed loop at the frequency that goes in, 1/(1 + L) at one tick."""
    ms_frequency: float
    """[Hz]"""
    worst_amplification: float
    """Largest amplification of a mixture of a frequency and its images; `ms` at one tick per hyperperiod."""
    worst_amplification_frequency: float
    """The lowest of them. [Hz]"""
    mt: float
    """Largest |1 - S|, complementary to it."""
    mt_frequency: float
    """[Hz]"""
    bandwidth: float | None
    """Frequency at which |1 - S| has fallen 3 dB below its low-frequency value [Hz]."""
    rejection: float | None
    """Frequency up to which disturbances are at least halved, |S| <= 0.5 [Hz]."""
    noise_gain: float
    """Rms of the controlled quantity per rms of white noise on the samples that the controller reads."""
    crossings: tuple[Crossing, ...]
    hyperperiod: float
    """[s]"""
    ticks: int
    """Ticks of the loop per hyperperiod; above 1 the loop is periodically time-varying."""
    frequency: Array
    """Grid, shape (n,). [Hz]"""
    response: Complex
    """L on the grid, shape (n,)."""
    sensitivity: Complex
    """S of the closed loop on the grid, shape (n,); 1/(1 + L) at one tick per hyperperiod."""
    system: OpenLoop

    @property
    def against_lead(self) -> bool:
        """Whether a lead, not a lag, takes the loop to −180° by its phase margin.

        So it is where a stable loop has passed −180° at the crossover nearest to it.
        """
        gains = [crossing.value for crossing in self.crossings if crossing.kind == "gain"]
        return self.stable and min(gains, key=abs, default=0.0) < 0.0


def loop_margins(bench: HyperMap, loop: LoopHandle, point: OperatingPoint, state: Array) -> Margins:
    """Return the margins of a loop at an operating point, all other loops closed.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench.
    loop : LoopHandle
        A loop of it that is no limiter.
    point : OperatingPoint
        Where.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    return margins_of(loop.parameters.name, loop.quantity, point, bench.open(loop, state))


def margins_of(loop: str, quantity: str, point: OperatingPoint, system: OpenLoop) -> Margins:
    """Return the margins of an opened loop.

    Parameters
    ----------
    loop, quantity : str
        Its name; ``torque`` or ``speed``.
    point : OperatingPoint
        Where.
    system : OpenLoop
        The loop, opened.
    """
    frequency = grid(system)
    response = fundamental(system, frequency)
    found = crossings(system, frequency, response)
    gains = [c for c in found if c.kind == "gain"]
    factors = [c.value for c in found if c.kind == "phase"]
    largest = spectral_radius(system.closed())
    nearest = min((c.value for c in gains), key=abs, default=None)
    closed = sensitivity(system, frequency)
    complementary = np.abs(1.0 - closed)
    highest = peaks(system, frequency, closed)
    delays = [(c.value % 360.0) / 360.0 / c.frequency for c in gains]
    scan = _SCAN if len(system.instants) > 1 else _SCAN[[0, -1]]
    up = _boundary(system, [k for k in factors if k > 1.0], scan)
    return Margins(
        loop=loop,
        quantity=quantity,
        point=point,
        stable=largest < 1.0,
        largest_eigenvalue=largest,
        gain_margin=up,
        gain_margin_down=_boundary(system, [k for k in factors if k < 1.0], 1.0 / scan),
        fundamental_gain_margin=min((k for k in factors if k > 1.0), default=None),
        phase_margin=nearest if nearest is None or largest >= 1.0 else abs(nearest),
        phase_delay_margin=min(delays, default=None),
        crossover=max((c.frequency for c in gains), default=None),
        ms=highest.ms,
        ms_frequency=highest.ms_frequency,
        worst_amplification=highest.worst,
        worst_amplification_frequency=highest.worst_frequency,
        mt=highest.mt,
        mt_frequency=highest.mt_frequency,
        bandwidth=_leaves(
            lambda f: np.abs(1.0 - sensitivity(system, f)),
            frequency,
            complementary < _at_rest(system) / np.sqrt(2.0),
            _at_rest(system) / np.sqrt(2.0),
        ),
        rejection=_leaves(lambda f: np.abs(sensitivity(system, f)), frequency, np.abs(closed) > 0.5, 0.5),
        noise_gain=float(np.sqrt(np.trapezoid(complementary**2, frequency) / frequency[-1])),
        crossings=tuple(found),
        hyperperiod=system.hyperperiod,
        ticks=len(system.instants),
        frequency=frequency,
        response=response,
        sensitivity=closed,
        system=system,
    )


def _boundary(system: OpenLoop, candidates: list[float], scan: Array) -> float | None:
    """Return the factor nearest to 1 at which stability changes, polished on the eigenvalues.

    Candidates come from the phase crossovers; a coarse scan catches what a periodically time-varying
    loop adds.
    """
    from scipy.optimize import brentq

    def excess(logarithm: float) -> float:
        return spectral_radius(system.closed(float(np.exp(logarithm)))) - 1.0

    side = float(np.sign(np.log(scan[-1])))
    knots = sorted(abs(np.log(k)) for k in candidates if abs(np.log(k)) < abs(np.log(scan[-1])))
    # One point between any two candidates, however close: a resonance may be lost and regained within 1e-6.
    between = [0.5 * (low + high) for low, high in pairwise(knots)]
    near = [max(knot + d, 0.0) for knot in knots for d in (-_NEAR, _NEAR)]
    points = [side * size for size in sorted({*np.abs(np.log(scan)), *between, *near})]
    last, value = points[0], excess(points[0])
    for point in points[1:]:
        new = excess(point)
        if (value < 0.0) != (new < 0.0):
            return float(np.exp(brentq(excess, last, point, xtol=1e-13, rtol=1e-14)))
        last, value = point, new
    return None


def _at_rest(system: OpenLoop) -> float:
    """Return the limit of |1 - S| at low frequency."""
    closed = system.disturbed
    # A rigid body that nothing holds has an eigenvalue of 1, which the loop does not see.
    state = np.linalg.lstsq(np.eye(len(closed.a)) - closed.a, closed.b.sum(axis=1), rcond=None)[0]
    return float(abs(1.0 - np.mean(closed.c @ state + closed.d.sum(axis=1))))


def _leaves(
    size_at: Callable[[Array], Array], frequency: Array, beyond: NDArray[np.bool_], level: float
) -> float | None:
    """Return where a function of frequency first is beyond a level, if not from the start [Hz]."""
    found = np.flatnonzero(beyond)
    if not len(found) or found[0] == 0:
        return None
    i = int(found[0])
    return refine(lambda f: float(size_at(np.array([f]))[0]) - level, frequency[i - 1], frequency[i])
