"""Natural frequencies and damping from a response: a rational function with its intervals.

The output at the lines is ``(B(z)·U + I(z))/A(z)``. The rate of z is that of the log, which is exact for a
held input; where the lines end far below it, it is 2.5 times the last of them. The polynomial I takes the
transient of a record that is taken as a whole. Iterated linear least squares give a start. Maximum likelihood
under the noise found beside the response refines it. The order is the one of least description length.

References
----------
.. [1] R. Pintelon, J. Schoukens, System Identification: A Frequency Domain Approach, 2nd ed. 2012, chapter 9
   (iterated linear start, maximum likelihood). From memory.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.spectra import Response

__all__ = ["Mode", "Resonances", "find_resonances"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ORDERS = range(1, 13)
_LINES = 1500
"""Most lines that are fitted."""
_COHERENT = 0.3
"""Least coherence, averaged over neighbours, of the lines that are fitted."""
_OVERDAMPED = 0.7
"""Damping from which a pair of poles is no resonance."""
_SIDES = 1.959964
"""Standard deviations of a 95 % interval."""


@dataclass(frozen=True)
class Mode:
    """A resonance."""

    frequency: float
    """Natural frequency. [Hz]"""
    frequency_spread: float
    """Standard deviation. [Hz]"""
    damping: float
    """Damping ratio. [1]"""
    damping_spread: float
    """Standard deviation. [1]"""

    def interval(self, which: str) -> tuple[float, float]:
        """Return the 95 % interval.

        Parameters
        ----------
        which : str
            ``frequency`` or ``damping``.
        """
        value = self.frequency if which == "frequency" else self.damping
        spread = self.frequency_spread if which == "frequency" else self.damping_spread
        return value - _SIDES * spread, value + _SIDES * spread


@dataclass(frozen=True)
class Resonances:
    """What a response shows of the modes."""

    modes: tuple[Mode, ...]
    order: int
    """Of the rational function."""
    fitted: Complex
    """The rational function at `lines`."""
    lines: Array
    """Frequencies that were fitted. [Hz]"""
    excess: float
    """Mean square of what it leaves over that of the noise; 1 where it explains all but the noise."""


@dataclass(frozen=True)
class _Problem:
    powers: Complex
    """z⁻¹ to its powers, shape (lines, most + 1)."""
    input: Complex
    output: Complex
    weight: Array
    """One over the standard deviation of the output."""
    transient: bool


def find_resonances(response: Response, period: float) -> Resonances | None:
    """Return the resonances of a response, nothing where too few lines are coherent.

    Parameters
    ----------
    period : float
        Of its samples. [s]
    """
    chosen = _chosen(response)
    if len(chosen) < 12:
        return None
    frequency = response.frequency[chosen]
    step = max(period, 1.0 / (2.5 * frequency[-1]))
    powers = np.exp(-2j * np.pi * frequency * step)[:, None] ** np.arange(_ORDERS.stop)
    if response.spectra is not None:
        source, output, noise = response.spectra
        source, output, noise = source[chosen], output[chosen], noise[chosen]
        problem = _Problem(powers, source, output, 1.0 / np.sqrt(noise), True)
    else:
        ones = np.ones(len(chosen), dtype=complex)
        floor = 1e-12 * float(np.median(np.abs(response.value[chosen]) ** 2))
        weight = 1.0 / np.sqrt(np.maximum(response.variance[chosen], floor))
        problem = _Problem(powers, ones, response.value[chosen], weight, False)
    best: tuple[float, int, Array, float, Array] | None = None
    for order in _ORDERS:
        parameters = (3 if problem.transient else 2) * (order + 1) - 1
        if 2 * len(chosen) < 3 * parameters:
            break
        solution, cost, jacobian = _fitted(problem, order)
        length = 2.0 * cost + parameters * np.log(2.0 * len(chosen))
        if best is None or length < best[0]:
            best = length, order, solution, cost, jacobian
        elif order > best[1] + 3:
            break
    if best is None:
        return None
    _, order, solution, cost, jacobian = best
    excess = cost / max(len(chosen) - len(solution) / 2.0, 1.0)
    inverse = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-14)
    covariance: Array = np.asarray(inverse * 0.5 * max(excess, 1.0), dtype=float)
    record = response.samples * period
    modes = [
        m for m in _modes(solution[:order], covariance[:order, :order], step) if m.frequency * record > 2.0
    ]
    top = frequency[-1]
    modes = [mode for mode in modes if frequency[0] <= mode.frequency <= top and mode.damping < _OVERDAMPED]
    # A log ends: what grows without end in it is no mode but a response that is none.
    modes = [mode for mode in modes if mode.interval("damping")[1] > 0.0]
    a, b = _polynomials(problem.powers, solution, order)[:2]
    return Resonances(tuple(modes), order, b / a, frequency, excess)


def _chosen(response: Response) -> NDArray[np.int64]:
    """Return the lines that are fitted: up to the last coherent one, thinned where there are many."""
    half = min(10, max(len(response.frequency) // 20, 1))
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    smooth = np.convolve(np.pad(response.coherence, half, mode="edge"), kernel, "valid")
    coherent = np.flatnonzero(smooth > _COHERENT)
    if len(coherent) == 0:
        return coherent
    usable = np.arange(coherent[-1] + 1)
    if response.spectra is None:
        usable = usable[
            (response.coherence[: len(usable)] > 0.0) & np.isfinite(response.variance[: len(usable)])
        ]
        if response.blocks > 1 and "Hann" in response.method:
            usable = usable[::2]  # neighbouring lines of a Hann window share their noise
    return usable[:: -(-len(usable) // _LINES)] if len(usable) > _LINES else usable


def _polynomials(powers: Complex, solution: Array, order: int) -> tuple[Complex, Complex, Complex]:
    """Return A, B and I at the lines."""
    a = 1.0 + powers[:, 1 : order + 1] @ solution[:order]
    b = powers[:, : order + 1] @ solution[order : 2 * order + 1]
    rest = solution[2 * order + 1 :]
    return a, b, powers[:, : len(rest)] @ rest if len(rest) else np.zeros(len(a), dtype=complex)


def _fitted(problem: _Problem, order: int) -> tuple[Array, float, Array]:
    """Return the coefficients of a rational function, its cost and its Jacobian."""
    from scipy.optimize import least_squares

    powers, source, output = problem.powers, problem.input, problem.output
    ahead = powers[:, : order + 1]
    parts = [-powers[:, 1 : order + 1] * output[:, None], ahead * source[:, None]]
    terms = np.hstack([*parts, ahead] if problem.transient else parts)
    a = np.ones(len(output), dtype=complex)
    solution = np.zeros(terms.shape[1])
    for _ in range(12):
        weight = problem.weight / np.abs(a)
        matrix, right = _real(terms * weight[:, None]), _real(output * weight)
        scale = np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
        solution = np.linalg.lstsq(matrix / scale, right, rcond=None)[0] / scale
        a = _polynomials(powers, solution, order)[0]

    def residual(x: Array) -> Array:
        a, b, rest = _polynomials(powers, x, order)
        return _real((output - (b * source + rest) / a) * problem.weight)

    def slope(x: Array) -> Array:
        a, b, rest = _polynomials(powers, x, order)
        model = (b * source + rest) / a
        parts = [powers[:, 1 : order + 1] * (model / a)[:, None], -ahead * (source / a)[:, None]]
        columns = np.hstack([*parts, -ahead / a[:, None]] if problem.transient else parts)
        return _real(columns * problem.weight[:, None])

    found = least_squares(residual, solution, jac=slope, method="lm", x_scale="jac", max_nfev=40)
    return found.x, 2.0 * float(found.cost), np.asarray(found.jac)


def _real(values: NDArray[Any]) -> Array:
    return np.concatenate((values.real, values.imag))


def _modes(denominator: Array, covariance: Array, step: float) -> list[Mode]:
    """Return the pairs of poles as modes, with the spreads that those of the coefficients give them."""
    order = len(denominator)
    full = np.concatenate(([1.0], denominator))
    slope = np.polyder(full)
    modes = []
    for pole in np.roots(full):
        if pole.imag <= 0.0 or abs(pole) < 1e-6:
            continue
        # A(p) = 0 differentiated: how far the pole moves with each coefficient.
        moves = -(pole ** np.arange(order - 1, -1, -1)) / np.polyval(slope, pole)
        s = np.log(pole) / step
        turned = moves / (pole * step)
        size = abs(s)
        along = np.real(np.conj(s) * turned) / size
        damping = -s.real / size
        across = -turned.real / size - damping * along / size
        modes.append(
            Mode(
                size / (2.0 * np.pi),
                float(np.sqrt(max(along @ covariance @ along, 0.0))) / (2.0 * np.pi),
                float(damping),
                float(np.sqrt(max(across @ covariance @ across, 0.0))),
            )
        )
    return sorted(modes, key=lambda mode: mode.frequency)
