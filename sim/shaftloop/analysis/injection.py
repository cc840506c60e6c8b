"""The response of a loop as a bench would measure it: inject at the break point, run, estimate.

A periodic signal is added to the controller's output while the loop stays closed, in the time
simulation of the smooth or of the full bench. With U what the controller asks for and V = U + X what is
passed on, ``L = −U/V`` at every excited tone, averaged over periods.

References
----------
.. [1] R. Pintelon, J. Schoukens, System Identification: A Frequency Domain Approach, chapter 2
   (periodic excitation, averaging, multisine). From memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

__all__ = ["KINDS", "Measured", "chirp", "measure_response", "multisine"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SETTLED = 1e-6
"""What is left of the transient when the averaging begins."""

KINDS = ("multisine", "chirp", "stepped_sine")
"""Excitations: all tones at once, a sweep, or one tone after the other.

A sweep excites every line; where the loop ticks several times per hyperperiod it therefore stays below
half of the hyperperiod's rate, above which the images of its lines would fall on other lines.
"""


@dataclass(frozen=True)
class Measured:
    """A measured open-loop response."""

    frequency: Array
    """Tones, shape (n,). [Hz]"""
    response: Complex
    """L, shape (n,)."""
    coherence: Array
    """Share of the output explained by the excitation, 0 to 1, shape (n,)."""
    spread: Array
    """Standard deviation of |L|, relative, of the mean over periods, shape (n,)."""


def measure_response(  # noqa: PLR0913  (a measurement has this many settings, all but three with defaults)
    description: Description,
    loop: str,
    point: OperatingPoint,
    *,
    kind: str = "multisine",
    smooth: bool = True,
    lowest: float = 5.0,
    tones: int = 40,
    periods: int = 6,
    amplitude: float | None = None,
) -> Measured:
    """Return the response of a loop from an injection in the time simulation.

    Parameters
    ----------
    loop : str
        Name of the loop.
    kind : str
        One of `KINDS`.
    smooth : bool
        Measure the smooth bench; otherwise the full one, with noise and quantiser.
    lowest : float
        Lowest tone; the length of a period follows. [Hz]
    tones : int
        Most tones; they are spread evenly over the logarithm of frequency.
    periods : int
        Periods that are averaged, after as many as the bench needs to settle.
    amplitude : float, optional
        Peak of the injected torque; 1 % of the sensor's rated torque (or 1 N m) where not given. [N m]

    Raises
    ------
    SimulationError
        Where the kind or the frequency is out of range, or the bench is unstable.
    """
    if kind not in KINDS:
        raise SimulationError(f"excitation {kind!r} is unknown", f"choose one of {', '.join(KINDS)}")
    reference = HyperMap(description)
    rate = float(reference.bench.loops[loop].parameters.rate)
    if not 0.0 < lowest < 0.25 * rate:
        raise SimulationError(
            f"a lowest tone of {lowest:g} Hz lies outside 0 to {0.25 * rate:g} Hz", "choose a lower frequency"
        )
    state = reference.steady(point)
    ticks = reference.ticks // reference.run.clock.ticks(1 / reference.bench.loops[loop].parameters.rate)
    count = ticks * max(round(rate / lowest / ticks), 4)
    bins = _bins(count, ticks, tones)
    if kind == "chirp" and ticks > 1:
        bins = bins[bins < count // (2 * ticks)]
    sensor = reference.bench.main_sensor()
    peak = amplitude or 0.01 * (sensor.parameters.rated if sensor else 100.0)
    slowest = spectral_radius(reference.dynamics(state))
    if slowest >= 1.0:
        raise SimulationError("the bench is unstable, so its response cannot be measured", "lower the gains")
    settling = -np.log(_SETTLED) / -np.log(slowest) * reference.hyperperiod * rate / count
    bench = _Injection(description, loop, point, reference, state, smooth, max(2, int(np.ceil(settling))))
    if kind == "stepped_sine":
        parts = [bench.spectra(multisine(count, np.array([k]), peak), periods, np.array([k])) for k in bins]
        u, v = (np.hstack([part[i] for part in parts]) for i in (0, 1))
    else:
        signal = multisine(count, bins, peak) if kind == "multisine" else chirp(count, bins, peak)
        u, v = bench.spectra(signal, periods, bins)
    return _estimate(bins * rate / count, u, v)


def _bins(count: int, ticks: int, tones: int) -> NDArray[np.int64]:
    """Return the tones as multiples of the lowest, such that no image of a tone meets another.

    A loop that ticks several times per hyperperiod sends a tone k also to ``m·count/ticks ± k``.
    """
    wanted = np.unique(np.round(np.geomspace(1, count // 2 - 1, tones)).astype(np.int64))
    chosen: list[int] = []
    taken: set[int] = set()
    for k in wanted:
        for candidate in (k, k + 1, k - 1):
            images = {
                abs(m * count // ticks + sign * candidate) for m in range(ticks + 1) for sign in (1, -1)
            }
            if 0 < candidate < count // 2 and not images & taken:
                chosen.append(int(candidate))
                taken |= images
                break
    return np.array(sorted(chosen))


def multisine(count: int, bins: NDArray[np.int64], peak: float) -> Array:
    """Return a period of tones of equal amplitude with Schroeder's phases, shape (count,).

    Parameters
    ----------
    count : int
        Samples of a period.
    bins : ndarray of int
        Tones, as multiples of the lowest line.
    peak : float
        [N m] or [rad/s], as the result.
    """
    n = np.arange(len(bins))
    phases = -np.pi * n * (n + 1) / max(len(bins), 1)
    turns = 2.0 * np.pi * np.outer(np.arange(count), bins) / count + phases
    signal = np.cos(turns).sum(axis=1)
    return np.asarray(peak * signal / np.max(np.abs(signal)))


def chirp(count: int, bins: NDArray[np.int64], peak: float) -> Array:
    """Return one period of a linear sweep over the tones, shape (count,).

    Parameters
    ----------
    count : int
        Samples of a period.
    bins : ndarray of int
        Tones, as multiples of the lowest line.
    peak : float
        [N m] or [rad/s], as the result.
    """
    share = np.arange(count) / count
    low, high = float(bins[0]), float(bins[-1])
    return np.asarray(peak * np.sin(2.0 * np.pi * (low * share + 0.5 * (high - low) * share**2)))


class _Injection:
    """A bench at its steady state whose loop is excited tick by tick."""

    def __init__(
        self,
        description: Description,
        loop: str,
        point: OperatingPoint,
        reference: HyperMap,
        state: Array,
        smooth: bool,
        settling: int,
    ) -> None:
        self._settling = settling
        bench = build_bench(description, smooth=smooth)
        self._run = standing_run(bench, reference, state, point.setpoints, 1 if smooth else 1 << 20)
        self._loop = bench.loops[loop]
        clock = self._run.clock
        self._period = clock.ticks(1 / self._loop.parameters.rate)
        self._next = clock.ticks(self._loop.parameters.phase) % self._period

    def spectra(self, signal: Array, periods: int, bins: NDArray[np.int64]) -> tuple[Complex, Complex]:
        """Return U and V at the tones, shape (periods, tones), after some periods of settling."""
        run, slot = self._run, self._loop.break_slot
        outputs = np.empty((self._settling + periods, len(signal)))
        for row in outputs:
            for k, value in enumerate(signal):
                run.state[slot + 1] = value
                self._next += self._period
                run.advance(self._next)
                row[k] = run.state[slot]
            run.records = 0
        u = np.fft.rfft(outputs[self._settling :], axis=1)[:, bins]
        x = np.fft.rfft(signal)[bins]
        return u, u + x


def _estimate(frequency: Array, u: Complex, v: Complex) -> Measured:
    """Return the response from spectra of several periods."""
    response = -np.mean(u, axis=0) / np.mean(v, axis=0)
    cross = np.abs(np.sum(u * np.conj(v), axis=0)) ** 2
    coherence = cross / (np.sum(np.abs(u) ** 2, axis=0) * np.sum(np.abs(v) ** 2, axis=0))
    each = -u / v
    spread = np.std(np.abs(each), axis=0, ddof=1) / np.abs(response) / np.sqrt(len(u))
    return Measured(frequency, response, coherence, spread)
