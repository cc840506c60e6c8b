"""Analogue low-pass filters: first order, Bessel and Butterworth.

Each is a cascade of sections ``ω²/(s² + (ω/Q)·s + ω²)``, with ``ω/(s + ω)`` for an odd order, and
gain −3.01 dB at the cutoff. A section has the states (output, slope of the output/ω), so that all
states are of the size of the signal.

References
----------
.. [1] Op Amps for Everyone, 5th ed., table 16.6 (check E6.2); a filter-module data sheet (E6.1).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.parameters import Checked, Number, ParameterError, Quantity

__all__ = ["LowPass", "sections", "state_space"]

_REAL = 1e-9
"""Largest relative imaginary part of a pole that counts as real: rounding of the tables."""


@dataclass(frozen=True)
class LowPass(Checked):
    """Parameters of a low-pass."""

    kind: Annotated[
        Literal["first_order", "bessel", "butterworth"],
        Number("bessel for the truest shape of a step, butterworth for the flattest gain"),
    ]
    cutoff: Annotated[float, Quantity("Hz", "frequency of -3 dB", gt=0.0)]
    order: Annotated[int, Number("order; 1 for first_order, 2 to 8 otherwise", ge=1, le=8)] = 1

    def check(self) -> None:
        """Check that the order fits the kind."""
        sections(self)


def sections(low_pass: LowPass) -> list[tuple[float, float]]:
    """Return (ω [rad/s], Q) of each section, lowest Q first; Q = 0 marks the one of first order.

    Raises
    ------
    ParameterError
        Where the order does not fit the kind.
    """
    if low_pass.kind == "first_order":
        if low_pass.order != 1:
            raise ParameterError(
                "order", f"{low_pass.order} does not fit kind first_order; leave it out or set 1"
            )
        return [(2.0 * np.pi * low_pass.cutoff, 0.0)]
    if not 2 <= low_pass.order <= 8:
        raise ParameterError("order", f"{low_pass.order} is outside 2 to 8 for a {low_pass.kind} low-pass")
    poles = _bessel_poles(low_pass.order) if low_pass.kind == "bessel" else _butterworth_poles(low_pass.order)
    cascade = []
    for pole in poles:
        omega = 2.0 * np.pi * low_pass.cutoff * float(abs(pole))
        if abs(pole.imag) <= _REAL * abs(pole):
            cascade.append((omega, 0.0))
        elif pole.imag > 0.0:
            cascade.append((omega, float(abs(pole) / (-2.0 * pole.real))))
    return sorted(cascade, key=lambda section: section[1])


def _butterworth_poles(order: int) -> NDArray[np.complex128]:
    """Return the poles for a cutoff of 1 rad/s, evenly spread over the left half circle."""
    return np.asarray(np.exp(1j * np.pi * (0.5 + (np.arange(order) + 0.5) / order)))


@lru_cache(maxsize=16)
def _bessel_poles(order: int) -> NDArray[np.complex128]:
    """Return the poles for a cutoff of 1 rad/s: zeros of the reverse Bessel polynomial, scaled to -3 dB.

    Of our own because importing scipy.signal takes most of a second, half of a whole short run; tests
    compare with it.
    """
    factorials = np.cumprod([1.0, *range(1, 2 * order + 1)])
    rising = [
        factorials[2 * order - k] / (2.0 ** (order - k) * factorials[k] * factorials[order - k])
        for k in range(order + 1)
    ]
    falling = np.array(rising[::-1])
    low, high = 0.1, 10.0
    for _ in range(80):
        middle = np.sqrt(low * high)
        above = abs(falling[-1] / np.polyval(falling, 1j * middle)) > np.sqrt(0.5)
        low, high = (middle, high) if above else (low, middle)
    return np.asarray(np.roots(falling) / np.sqrt(low * high))


def state_space(low_pass: LowPass) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return F (n, n) and g (n,) of ``x' = F·x + g·u`` [1/s] and the index of the output state.

    Parameters
    ----------
    low_pass : LowPass
        Parameters; the states have the unit of the signal u.
    """
    cascade = sections(low_pass)
    order = sum(1 if q == 0.0 else 2 for _, q in cascade)
    f = np.zeros((order, order))
    g = np.zeros(order)
    row, source = 0, -1
    for omega, q in cascade:
        width = 1 if q == 0.0 else 2
        into = row + width - 1
        if width == 1:
            f[row, row] = -omega
        else:
            f[row, row + 1] = omega
            f[row + 1, row] = -omega
            f[row + 1, row + 1] = -omega / q
        if source < 0:
            g[into] = omega
        else:
            f[into, source] += omega
        source = row
        row += width
    return f, g, source
