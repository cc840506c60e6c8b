"""The signal path of a torque sensor on its own: static error, noise, quantiser, rise time."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.engine.matrices import noise_root
from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.torque_sensor import TorqueSensor, nonlinearity_coefficient

__all__ = [
    "RISE_RULE",
    "Noise",
    "amplitude_share",
    "averaging_window",
    "hold_response",
    "low_pass_response",
    "mean_noise",
    "noise",
    "rise_time",
    "slow_delay",
    "static_error",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

RISE_RULE = 0.35
"""Rise time from 10 to 90 % times cutoff: exactly ln(9)/2π for a first order, 0.34 to 0.46 for the others."""
_STEPS = 1000
"""Points per period of the cutoff, and window of the moving average."""
_PERIODS = 4
"""A step response of order 8 has settled by then."""


@dataclass(frozen=True)
class Noise:
    """Noise of the reading at rest."""

    analogue: float
    """Rms behind low-pass and moving average, from the stated density. [N m]"""
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
    """
    analogue = (1.0 + sensor.gain_error) * math.sqrt(_variance(sensor))
    step = sensor.quantiser_step()
    return Noise(analogue, step, step / math.sqrt(12.0))


def mean_noise(sensor: TorqueSensor, window: float) -> float:
    """Return the rms noise of the mean of the readings over a window [s], without the rounding [N m].

    Samples that are far apart are independent: σ/√n. Samples that the low-pass ties together average less
    than that, as the stated density does: S/√(2τ). Never more than one reading has.
    """
    single = noise(sensor).analogue
    count = max(1.0, window * float(sensor.sampling))
    white = (1.0 + sensor.gain_error) * sensor.noise_density * math.sqrt(0.5 / window)
    return min(single, max(single / math.sqrt(count), white))


def amplitude_share(sensor: TorqueSensor, frequency: float) -> float:
    """Return the size of a torque behind low-pass and moving average over its true size at f [Hz]."""
    share = float(abs(low_pass_response(sensor.filter, np.array([frequency]))[0]))
    return share * float(abs(np.sinc(frequency * averaging_window(sensor))))


def low_pass_response(low_pass: LowPass | None, frequency: Array) -> Complex:
    """Return the response of a low-pass at some frequencies [Hz], shape (n,), 1 without one."""
    if low_pass is None:
        return np.ones(len(frequency), dtype=np.complex128)
    f, g, out = state_space(low_pass)
    pencil = 2j * np.pi * frequency[:, None, None] * np.eye(len(g)) - f
    return np.asarray(np.linalg.solve(pencil, g[:, None])[:, out, 0])


def _variance(sensor: TorqueSensor) -> float:
    """Return the variance of the noise behind low-pass and moving average [N²m²]."""
    from scipy.linalg import expm, solve_continuous_lyapunov

    density, window = sensor.noise_density, averaging_window(sensor)
    if not density:
        return 0.0
    if sensor.filter is None:
        return 0.5 * density**2 / window
    f, g, out = state_space(sensor.filter)
    n = len(g)
    settled = solve_continuous_lyapunov(f, -0.5 * density**2 * np.outer(g, g))
    if not window:
        return float(settled[out, out])
    # The mean is an integrator that starts at 0 behind a low-pass that has settled.
    whole, into, start = np.zeros((n + 1, n + 1)), np.append(g, 0.0), np.zeros((n + 1, n + 1))
    whole[:n, :n], whole[n, out], start[:n, :n] = f, 1.0 / window, settled
    root, move = noise_root(whole, into, density, window), expm(whole * window)
    return float((move @ start @ move.T + root @ root.T)[n, n])


def averaging_window(sensor: TorqueSensor) -> float:
    """Return the window of the moving average, 0 without one [s]."""
    return float(sensor.averaged_samples() / sensor.sampling)


def rise_time(low_pass: LowPass | None, window: float = 0.0) -> float:
    """Return the time from 10 to 90 % of the step response of low-pass and moving average [s]."""
    if low_pass is None:
        return 0.8 * window
    from scipy.linalg import expm

    f, g, out = state_space(low_pass)
    n = len(g)
    whole = np.zeros((n + 2, n + 2))  # filter, integral of its output, the step
    whole[:n, :n], whole[:n, n + 1], whole[n, out] = f, g, 1.0
    step = (1.0 / low_pass.cutoff + window) / _STEPS
    once, state = expm(whole * step), np.eye(n + 2)[n + 1]
    states = np.empty((_PERIODS * _STEPS, n + 2))
    for row in states:
        row[:] = state
        state = once @ state
    values = states[:, out]
    if window:
        time = step * np.arange(len(states))
        before = np.interp(time - window, time, states[:, n], left=0.0)
        values = (states[:, n] - before) / window
    low, high = (_crossing(values, level) for level in (0.1, 0.9))
    return (high - low) * step


def slow_delay(sensor: TorqueSensor) -> float:
    """Return how late a slowly changing torque is read: low-pass, moving average and latency [s]."""
    delay = float(sensor.latency.seconds(1 / sensor.sampling)) + 0.5 * averaging_window(sensor)
    if sensor.filter is not None:
        f, g, out = state_space(sensor.filter)
        once = np.linalg.solve(f, g)
        delay -= float(np.linalg.solve(f, once)[out] / once[out])
    return delay


def static_error(sensor: TorqueSensor, torque: float) -> float:
    """Return reading minus true torque of a torque that does not change, without the rounding [N m]."""
    bent = nonlinearity_coefficient(sensor) * torque * (1.0 - (torque / sensor.rated) ** 2)
    return sensor.zero + sensor.gain_error * torque + bent


def hold_response(frequency: Array, rate: float) -> Complex:
    """Return the response of a value that stands between samples: sinc(f/rate), half a period late."""
    share = np.asarray(frequency) / rate
    return np.asarray(np.sinc(share) * np.exp(-1j * np.pi * share))


def _crossing(values: Array, level: float) -> float:
    """Return where values first pass a level, in steps."""
    i = int(np.argmax(values >= level))
    return i - 1 + float((level - values[i - 1]) / (values[i] - values[i - 1]))
