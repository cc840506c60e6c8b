"""Records of benches that are not simulated by shaftloop, written as loggers write them.

Four inertias on three springs, two motors with current loops of first order, a speed controller that counts
encoder edges: a discrete model of some forty lines, exact between its instants. It shares the physics only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.signal import bessel, lfilter

Array = NDArray[np.float64]

STEP = 50e-6
"""Of the model. [s]"""
RPM = np.pi / 30.0


@dataclass(frozen=True)
class Truth:
    """What the benches are made of."""

    inertia: tuple[float, float, float, float] = (0.012, 8e-4, 8e-4, 0.02)
    """Drive motor, halves of the torque meter, load motor. [kg m²]"""
    stiffness: tuple[float, float, float] = (6e3, 30e3, 6e3)
    """Coupling, torque meter, coupling. [N m/rad]"""
    damping: tuple[float, float, float] = (0.8, 0.3, 0.8)
    """[N m s/rad]"""
    viscous: float = 0.01
    """Of either motor. [N m s/rad]"""
    coulomb: float = 0.4
    """Of either motor. [N m]"""
    lag: float = 0.8e-3
    """Of the current loops. [s]"""
    cutoff: float = 400.0
    """Of the torque meter, Bessel filter of second order. [Hz]"""
    cogging: float = 0.0
    """Amplitude at the load motor. [N m]"""
    order: float = 24.0
    """Of the cogging. [1/turn]"""
    lines: int = 4096
    """Of the encoder, four edges each."""
    kp: float = 2.0
    """[N m s/rad]"""
    ki: float = 20.0
    """[N m/rad]"""


@dataclass(frozen=True)
class Motion:
    """What happened, at every step of the model, shape (steps,) each."""

    time: Array
    speed: Array
    """Of the drive motor. [rad/s]"""
    counted: Array
    """The same as the encoder counts it over 1 ms. [rad/s]"""
    load_speed: Array
    command: Array
    """Of the drive. [N m]"""
    torque: Array
    """Of the drive, at the air gap. [N m]"""
    load_command: Array
    load_torque: Array
    """At the air gap. [N m]"""
    reading: Array
    """Of the torque meter, before its noise. [N m]"""


def moved(truth: Truth, wanted: Array, load: Array, start: float = 0.0) -> Motion:
    """Return the motion under a set-point of speed [rad/s] and commands of the load motor [N m].

    Parameters
    ----------
    start : float
        Speed at which all of the shaft turns in the beginning. [rad/s]
    """
    a, b = _shaft(truth)
    steps, every = len(wanted), round(1e-3 / STEP)
    edge = 2.0 * np.pi / (4 * truth.lines)
    x, angle, counts, before = np.zeros(7), 0.0, 0, 0
    x[:4] = start
    torque = load_torque = integral = command = sent = speed = 0.0
    lag = -np.expm1(-STEP / truth.lag)
    rows = np.empty((steps, 8))
    for i in range(steps):
        if i % every == 0:
            counts = int(angle // edge)
            speed = (counts - before) * edge / 1e-3 if i else start
            before, error = counts, wanted[i] - speed
            integral += truth.ki * error * 1e-3
            command, sent = sent, truth.kp * error + integral  # a sample late
        rows[i] = x[0], speed, x[3], command, torque, load[i], load_torque, x[5] * truth.stiffness[1]
        drag = truth.coulomb * np.tanh(x[[0, 3]] / 0.3)
        pull = truth.cogging * np.sin(truth.order * angle)
        angle += STEP * x[0]
        x = a @ x + b @ (torque - drag[0], load_torque + pull - drag[1])
        torque += lag * (command - torque)
        load_torque += lag * (load[i] - load_torque)
    columns = rows.T.copy()
    columns[7] = lfilter(*bessel(2, truth.cutoff, norm="mag", fs=1.0 / STEP), columns[7])
    return Motion(STEP * np.arange(steps), *columns)


def _shaft(truth: Truth) -> tuple[Array, Array]:
    """Return the exact map over a step of four speeds and three twists, with the torques at both ends."""
    a, b = np.zeros((7, 7)), np.zeros((7, 2))
    for i, (k, d) in enumerate(zip(truth.stiffness, truth.damping, strict=True)):
        for body, side in ((i, -1.0), (i + 1, 1.0)):
            a[body, 4 + i] += side * k / truth.inertia[body]
            a[body, i] += side * d / truth.inertia[body]
            a[body, i + 1] -= side * d / truth.inertia[body]
        a[4 + i, i], a[4 + i, i + 1] = 1.0, -1.0
    for body, column in ((0, 0), (3, 1)):
        a[body, body] -= truth.viscous / truth.inertia[body]
        b[body, column] = 1.0 / truth.inertia[body]
    both = expm(STEP * np.block([[a, b], [np.zeros((2, 9))]]))
    return both[:7, :7], both[:7, 7:]


def random_steps(rng: np.random.Generator, seconds: float, every: float, size: float) -> Array:
    """Return steps between two values that last some time each."""
    count = round(seconds / every)
    return np.repeat(rng.choice([-size, size], count), round(every / STEP))


def poles(truth: Truth) -> NDArray[np.complex128]:
    """Return the poles of the shaft under its speed controller, dry friction and counting left out [1/s].

    The model of a step, 20 times, behind one sample of the controller; states 7 to 11 are the torque, the
    angle since the last sample, the integral, the command that waits and the one that is active.
    """
    every, lag = round(1e-3 / STEP), -np.expm1(-STEP / truth.lag)
    a, b = _shaft(truth)
    step, sample = np.eye(12), np.eye(12)
    step[:7, :7], step[:7, 7], step[8, 0] = a, b[:, 0], STEP
    step[7, 7], step[7, 11] = 1.0 - lag, lag
    sample[9, 8], sample[8, 8] = -truth.ki, 0.0
    sample[11] = np.eye(12)[10]
    sample[10] = -truth.kp / 1e-3 * np.eye(12)[8] + sample[9]
    found = np.linalg.eigvals(np.linalg.matrix_power(step, every) @ sample)
    return np.asarray(np.log(found[np.abs(found) > 1e-9]) / 1e-3)
