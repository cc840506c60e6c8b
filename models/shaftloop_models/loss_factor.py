"""A spring whose relative damping ψ is the same over a band of frequencies.

The spring with Maxwell branches has the complex stiffness
``K(jω) = k·(1 + Σ g_i·jωτ_i/(1 + jωτ_i))``. Its loss factor is ``η = Im K/Re K = ψ/2π``. With given time
constants the condition η(ω) = const is linear in the weights g_i, which are found by non-negative least
squares; the time constants stand evenly spaced on the logarithmic axis, as far inside the band as
serves best. Branches are added until η stays within `FLATNESS`: four over two decades.

A constant loss factor makes any real material stiffer with frequency, by about ``(2η/π)·ln`` of the
frequency ratio, so 20 % per decade at ψ = 0.8. The stated stiffness is the dynamic one, Re K, at the
geometric mean of the band. Below the band the loss factor falls towards zero, and the twist under a
steady torque follows the lower, static stiffness. A free oscillation inside the band decays with the
damping ratio ``−cos(π/(2 − a))``, ``a = (2/π)·atan η``, of which ψ/4π is the usual approximation (3 % low
at ψ = 0.8).

References
----------
.. [1] DIN 740-2 style definition ψ = energy lost per cycle / peak elastic energy, ζ = ψ/4π at a
   resonance. From memory; the figures of check E13.4 follow from energy per cycle.
.. [2] R. Lakes, Viscoelastic Materials, section 2.6 (Maxwell branches). From memory.
"""

from functools import lru_cache
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.line import MaxwellBranch, Spring
from shaftloop_models.parameters import ParameterError, Quantity

__all__ = ["DEFAULT_BAND", "FLATNESS", "LossBand", "Psi", "complex_stiffness", "damped_spring"]

DEFAULT_BAND = (10.0, 1000.0)
"""Band of parts that state none, around the usual first resonance of a bench. [Hz]"""

Psi = Annotated[float | None, Quantity("1", "energy lost per cycle over peak elastic energy", gt=0.0, le=3.0)]
"""The key `loss_factor_psi` of a part."""
LossBand = Annotated[tuple[float, float], Quantity("Hz", "frequency band over which psi holds", gt=0.0)]
"""The key `loss_band` of a part."""

FLATNESS = 0.03
"""Largest relative deviation of the loss factor inside the band."""

_Array = NDArray[np.float64]
_MOST_BRANCHES = 12
_OUTSIDE = 0.3
"""How far the outermost branches may stand outside the band. [decade]"""


def damped_spring(
    stiffness: float, damping: float | None, psi: float | None, band: tuple[float, float]
) -> Spring:
    """Return the spring for either kind of damping.

    Parameters
    ----------
    stiffness : float
        Torsional stiffness; with `psi` the dynamic one in the middle of the band. [N m/rad]
    damping : float, optional
        Viscous damping. [N m s/rad]
    psi : float, optional
        Energy lost per cycle over peak elastic energy. [1]
    band : tuple of float
        Lower and upper end of the band over which `psi` holds. [Hz]

    Raises
    ------
    ParameterError
        Where both kinds are given, the band is empty or wider than six decades, or no branches give this
        loss factor.
    """
    if psi is None:
        return Spring(stiffness, damping or 0.0)
    if damping is not None:
        raise ParameterError(
            "damping",
            f"give either damping ({damping:g} N m s/rad) or loss_factor_psi ({psi:g}), not both",
        )
    low, high = band
    if not low < high <= 1e6 * low:
        raise ParameterError("loss_band", f"[{low:g} Hz, {high:g} Hz] must rise, by six decades at most")
    unit = Spring(1.0, 0.0, _branches(psi, low, high))
    middle = np.array([np.sqrt(low * high)])
    static = stiffness / float(complex_stiffness(unit, middle).real[0])
    return Spring(
        static, 0.0, tuple(MaxwellBranch(static * b.stiffness, b.time_constant) for b in unit.branches)
    )


def complex_stiffness(spring: Spring, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return K(j2πf) of a spring [N m/rad].

    Parameters
    ----------
    spring : Spring
        The spring with its branches and viscous damping.
    frequency : ndarray, shape (n,)
        [Hz]
    """
    omega = 2.0 * np.pi * np.asarray(frequency, dtype=np.float64)
    total = np.asarray(spring.stiffness + 1j * omega * spring.damping, dtype=np.complex128)
    for branch in spring.branches:
        x = 1j * omega * branch.time_constant
        total += branch.stiffness * x / (1.0 + x)
    return total


@lru_cache(maxsize=64)
def _branches(psi: float, low: float, high: float) -> tuple[MaxwellBranch, ...]:
    """Return the branches of a flat loss factor beside a main spring of stiffness 1."""
    from scipy.optimize import minimize_scalar

    omega = 2.0 * np.pi * np.geomspace(low, high, int(40 * max(np.log10(high / low), 1.0)) + 1)
    eta = psi / (2.0 * np.pi)
    for count in range(1, _MOST_BRANCHES + 1):
        best = minimize_scalar(
            _deviation,
            args=(count, eta, omega),
            bounds=(-_OUTSIDE, 0.5 * np.log10(high / low)),
            method="bounded",
            options={"xatol": 0.02, "maxiter": 16},
        )
        if best.fun <= FLATNESS:
            times, weights, _ = _fit(best.x, count, eta, omega)
            pairs = zip(weights, times, strict=True)
            return tuple(MaxwellBranch(float(g), float(tau)) for g, tau in pairs if g > 0.0)
    raise ParameterError(
        "loss_factor_psi", f"no Maxwell branches make {psi:g} constant from {low:g} Hz to {high:g} Hz"
    )


def _deviation(inset: float, count: int, eta: float, omega: _Array) -> float:
    return _fit(inset, count, eta, omega)[2]


def _fit(inset: float, count: int, eta: float, omega: _Array) -> tuple[_Array, _Array, float]:
    """Return time constants, weights and the largest relative deviation of the loss factor.

    The outermost branches stand `inset` decades inside the ends of the band.
    """
    from scipy.optimize import nnls

    middle, half = -0.5 * np.log10(omega[0] * omega[-1]), 0.5 * np.log10(omega[-1] / omega[0])
    spread = np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)
    times: _Array = 10.0 ** (middle + (half - inset) * spread)
    x = np.outer(omega, times)
    imaginary, real = x / (1.0 + x * x), x * x / (1.0 + x * x)
    stiffness = np.ones(len(omega))
    for _ in range(2):  # the second time relative to the stiffness that the first has found
        weights = nnls((imaginary - eta * real) / stiffness[:, None], eta / stiffness)[0]
        stiffness = 1.0 + real @ weights
    deviation = imaginary @ weights / stiffness / eta - 1.0
    return times, weights, float(np.max(np.abs(deviation)))
