"""Torque of a slider-crank over its angle: of the masses that go to and fro, and of the gas.

θ counts from top dead centre, r is half the stroke, λ = r/l with the length l of the rod. The piston moves by

::

    x' = dx/dθ = r·(sin θ + λ·sin θ·cos θ/√(1 − λ²·sin² θ))

- **Masses**: a mass m that moves with the piston counts as an inertia ``J(θ) = m·x'²``, so at the speed ω it
  makes ``T = −½·J'(θ)·ω²`` [1]_: orders 1 to 4 of some size, about
  ``m·r²·ω²·(λ/4·sin θ − 1/2·sin 2θ − 3λ/4·sin 3θ − λ²/4·sin 4θ)``. Here the Fourier series of the exact one.
- **Gas**: pressure above that of the crankcase times piston area times x'. The ideal cycle is polytropic
  compression and expansion, heat at top dead centre [2]_. Compression and expansion without heat give back
  what they take; what heat adds goes with the torque.

Neglected: the change of inertia with the angle, ``J(θ) − mean``, against acceleration, 1 to 3 % of the
inertia with flywheel of usual engines (common practice, no source); heat over an angle rather than at once,
which lowers the highest orders; throttled intake; offset of the piston pin.

References
----------
.. [1] Torque of the reciprocating masses of a slider-crank as a series in λ: any textbook of dynamics of
   machines, e.g. J. P. Den Hartog, Mechanical Vibrations, chapter 5. From memory; tested against kinematics.
.. [2] Ideal Otto cycle with a polytropic exponent: any textbook of thermodynamics. From memory; tested.
"""

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["SAMPLES", "harmonics", "ideal_cycle", "mass_torque", "piston_rate"]

_Array = NDArray[np.float64]
_Complex = NDArray[np.complex128]

SAMPLES = 1440
"""Of a cycle."""
_EXPONENT = 1.32
"""Polytropic exponent of compression and expansion. [1]"""
_AMBIENT = 1e5
"""Pressure of intake, exhaust and crankcase. [Pa]"""


def piston_rate(angle: _Array, radius: float, ratio: float) -> _Array:
    """Return dx/dθ of the piston, away from top dead centre [m/rad].

    Parameters
    ----------
    angle : ndarray, shape (n,)
        From top dead centre. [rad]
    radius : float
        Half the stroke. [m]
    ratio : float
        λ. [1]
    """
    sine, cosine = np.sin(angle), np.cos(angle)
    return np.asarray(radius * sine * (1.0 + ratio * cosine / np.sqrt(1.0 - (ratio * sine) ** 2)))


def mass_torque(mass: float, radius: float, ratio: float, turns: int) -> _Complex:
    """Return the harmonics of the torque of a mass over the squared speed, as `harmonics` does [N m s^2].

    Parameters
    ----------
    mass : float
        That moves with the piston. [kg]
    radius : float
        Half the stroke. [m]
    ratio : float
        λ. [1]
    turns : int
        Of a cycle.
    """
    angle = 2.0 * math.pi * turns * np.arange(SAMPLES) / SAMPLES
    inertia = harmonics(mass * piston_rate(angle, radius, ratio) ** 2)
    return np.asarray(-0.5j * np.arange(len(inertia)) / turns * inertia)


def ideal_cycle(
    area: float, radius: float, ratio: float, compression: float, turns: int
) -> tuple[_Array, _Array]:
    """Return torque without heat [N m], and what heat adds per mean torque [1], shapes (`SAMPLES`,).

    Parameters
    ----------
    area : float
        Of the piston. [m^2]
    radius : float
        Half the stroke. [m]
    ratio : float
        λ. [1]
    compression : float
        Largest volume over smallest. [1]
    turns : int
        Of a cycle, 1 or 2; heat comes at angle 0.
    """
    angle = 2.0 * math.pi * turns * np.arange(SAMPLES) / SAMPLES
    root = np.sqrt(1.0 - (ratio * np.sin(angle)) ** 2)
    moved = radius * (1.0 - np.cos(angle) + (1.0 - root) / ratio)
    share = (moved + 2.0 * radius / (compression - 1.0)) / (2.0 * radius * compression / (compression - 1.0))
    pressed = share**-_EXPONENT
    lever = area * piston_rate(angle, radius, ratio)
    closed = (angle < math.pi) | (angle >= (2.0 * turns - 1.0) * math.pi)
    added = np.where(angle < math.pi, pressed * lever, 0.0)
    return np.where(closed, _AMBIENT * (pressed - 1.0) * lever, 0.0), added / added.mean()


def harmonics(values: _Array) -> _Complex:
    """Return C of ``Re Σ C[m]·exp(j·m·φ)``, φ from 0 to 2π over the samples, shape (n/2,).

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced samples of a period.
    """
    found = np.fft.rfft(values)[: len(values) // 2] / len(values)
    return np.asarray(np.concatenate([found[:1], 2.0 * found[1:]]))
