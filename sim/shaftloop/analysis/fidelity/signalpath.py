"""The signal path of a torque sensor on its own: static error, noise, quantiser, rise time."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.torque_sensor import TorqueSensor, nonlinearity_coefficient

__all__ = ["RISE_RULE", "Noise", "hold_response", "noise", "rise_time", "slow_delay", "static_error"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

RISE_RULE = 0.35
"""Rise time from 10 to 90 % times cutoff: exactly ln(9)/2π for a first order, 0.34 to 0.46 for the others."""
_STEPS = 1000
"""Points per period of the cutoff."""
_PERIODS = 4
"""A step response of order 8 has settled by then."""


@dataclass(frozen=True)
class Noise:
    """Noise of the reading at rest."""

    analogue: float
    """Rms behind the low-pass, from the stated density. [N m]"""
    quantiser_step: float
    """[N m]"""
    quantiser: float
    """Rms of the rounding, step/√12. [N m]"""

    @property
    def total(self) -> float:
        """Rms of both [N m]."""
        return math.hypot(self.analogue, self.quantiser)


def noise(sensor: TorqueSensor) -> Noise:
    """Return the noise of a reading.

    The rounding counts as noise of its own where the signal moves by more than a step.

    Parameters
    ----------
    sensor : TorqueSensor
        Parameters.
    """
    analogue = 0.0
    if sensor.noise_density and sensor.filter is not None:
        from scipy.linalg import solve_continuous_lyapunov

        f, g, out = state_space(sensor.filter)
        spread = solve_continuous_lyapunov(f, -0.5 * sensor.noise_density**2 * np.outer(g, g))
        analogue = (1.0 + sensor.gain_error) * math.sqrt(spread[out, out])
    step = sensor.quantiser_step()
    return Noise(analogue, step, step / math.sqrt(12.0))


def rise_time(low_pass: LowPass | None) -> float:
    """Return the time from 10 to 90 % of the step response of a low-pass, 0 without one [s].

    Parameters
    ----------
    low_pass : LowPass or None
        Parameters.
    """
    if low_pass is None:
        return 0.0
    from scipy.linalg import expm

    f, g, out = state_space(low_pass)
    step = 1.0 / (low_pass.cutoff * _STEPS)
    once, settled = expm(f * step), np.linalg.solve(-f, g)
    state, values = np.zeros(len(g)), np.empty(_PERIODS * _STEPS)
    for i in range(len(values)):
        values[i] = state[out]
        state = settled + once @ (state - settled)
    low, high = (_crossing(values, level) for level in (0.1, 0.9))
    return (high - low) * step


def slow_delay(sensor: TorqueSensor) -> float:
    """Return how late the reading of a slowly changing torque is: low-pass and latency [s].

    Parameters
    ----------
    sensor : TorqueSensor
        Parameters.
    """
    delay = float(sensor.latency.seconds(1 / sensor.sampling))
    if sensor.filter is not None:
        f, g, out = state_space(sensor.filter)
        once = np.linalg.solve(f, g)
        delay -= float(np.linalg.solve(f, once)[out] / once[out])
    return delay


def static_error(sensor: TorqueSensor, torque: float) -> float:
    """Return reading minus true torque of a torque that does not change, without the rounding [N m].

    Parameters
    ----------
    sensor : TorqueSensor
        Parameters.
    torque : float
        True torque. [N m]
    """
    bent = nonlinearity_coefficient(sensor) * torque * (1.0 - (torque / sensor.rated) ** 2)
    return sensor.zero + sensor.gain_error * torque + bent


def hold_response(frequency: Array, rate: float) -> Complex:
    """Return the response of a value that stands between samples: sinc(f/rate), half a period late.

    Parameters
    ----------
    frequency : ndarray
        [Hz]
    rate : float
        Of the samples. [Hz]
    """
    share = np.asarray(frequency) / rate
    return np.asarray(np.sinc(share) * np.exp(-1j * np.pi * share))


def _crossing(values: Array, level: float) -> float:
    """Return where values first pass a level, in steps."""
    i = int(np.argmax(values >= level))
    return i - 1 + float((level - values[i - 1]) / (values[i] - values[i - 1]))
