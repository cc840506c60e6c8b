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

from shaftloop.analysis.hypermap import HyperMap, OpenLoop, spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.response import Crossing, crossings, fundamental, grid, refine
from shaftloop.bench.handles import LoopHandle

__all__ = ["Margins", "loop_margins", "margins_of"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
_Function = Callable[[Complex], Array]

_SCAN = np.geomspace(1.0, 1e3, 13)
_NEAR = 1e-3
"""How far, as a share, the fundamental response may be from the boundary that it predicts."""
_ZOOMS, _ZOOM = 2, 25
"""How often, and with how many points, a peak is looked at closer than the grid does."""


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
    """Largest |1/(1 + L)|."""
    ms_frequency: float
    """[Hz]"""
    mt: float
    """Largest |L/(1 + L)|."""
    mt_frequency: float
    """[Hz]"""
    bandwidth: float | None
    """Frequency at which |L/(1 + L)| has fallen 3 dB below its low-frequency value [Hz]."""
    rejection: float | None
    """Frequency up to which disturbances are at least halved, |1/(1 + L)| <= 0.5 [Hz]."""
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
    found_on = (system, frequency, response)
    ms, ms_frequency = _peak(*found_on, _sensitivity)
    mt, mt_frequency = _peak(*found_on, _complementary)
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
        ms=ms,
        ms_frequency=ms_frequency,
        mt=mt,
        mt_frequency=mt_frequency,
        bandwidth=_leaves(*found_on, _complementary, _at_rest(system) / np.sqrt(2.0), -1.0),
        rejection=_leaves(*found_on, _sensitivity, 0.5, 1.0),
        noise_gain=float(np.sqrt(np.trapezoid(_complementary(response) ** 2, frequency) / frequency[-1])),
        crossings=tuple(found),
        hyperperiod=system.hyperperiod,
        ticks=len(system.instants),
        frequency=frequency,
        response=response,
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


def _peak(system: OpenLoop, frequency: Array, response: Complex, of: _Function) -> tuple[float, float]:
    """Return the largest value of a function of L, and where."""
    size = of(response)
    for _ in range(_ZOOMS):
        i = int(np.argmax(size))
        frequency = np.linspace(frequency[max(i - 1, 0)], frequency[min(i + 1, len(size) - 1)], _ZOOM)
        size = of(fundamental(system, frequency))
    i = int(np.argmax(size))
    return float(size[i]), float(frequency[i])


def _sensitivity(response: Complex) -> Array:
    return np.asarray(1.0 / np.abs(1.0 + response))


def _complementary(response: Complex) -> Array:
    return np.asarray(np.abs(response / (1.0 + response)))


def _at_rest(system: OpenLoop) -> float:
    """Return the limit of |L/(1 + L)| at low frequency."""
    inner = np.linalg.inv(np.eye(len(system.d)) - system.d)
    c, b, d = inner @ system.c, system.b @ inner, system.d @ inner
    # A rigid body that nothing holds has an eigenvalue of 1, which the loop does not see.
    state = np.linalg.lstsq(np.eye(len(system.a)) - system.closed(), b.sum(axis=1), rcond=None)[0]
    return float(abs(np.mean(c @ state + d.sum(axis=1))))


def _leaves(
    system: OpenLoop, frequency: Array, response: Complex, of: _Function, level: float, side: float
) -> float | None:
    """Return where a function of L first is above (side 1) or below (-1) a level, if not from the start."""
    beyond = np.flatnonzero(side * (of(response) - level) > 0.0)
    if not len(beyond) or beyond[0] == 0:
        return None
    i = int(beyond[0])

    def excess(at: float) -> float:
        return float(of(fundamental(system, np.array([at])))[0]) - level

    return refine(excess, frequency[i - 1], frequency[i])
