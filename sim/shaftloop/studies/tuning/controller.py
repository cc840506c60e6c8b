"""The controller of a loop as a linear sampled system, from the parameters that the scenario states.

Written once more here only as the order in which a tick does things; the blocks are those that the
simulation runs, and the result is compared with the exact margins of the bench after every tuning.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.filters import biquad, design
from shaftloop.control.parameters import Loop
from shaftloop.control.pi import BACK_CALCULATION, pi_update
from shaftloop_models.parameters import Gain

__all__ = ["Controller", "controller_of", "parts_of", "response_of", "with_gains"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Controller:
    """``x⁺ = A·x + B·(r, y)``, ``u = C·x + D·(r, y)`` from tick to tick; r the set-point, y the reading."""

    a: Array
    """(n, n)"""
    b: Array
    """(n, 2)"""
    c: Array
    """(n,)"""
    d: Array
    """(2,)"""
    period: float
    """[s]"""

    def feedback(self, frequency: Array) -> Complex:
        """Return −u per reading, shape (n,).

        Parameters
        ----------
        frequency : ndarray, shape (n,)
            Above 0, up to half the rate. [Hz]
        """
        z = np.exp(2j * np.pi * np.asarray(frequency) * self.period)
        values, vectors = np.linalg.eig(self.a)
        if len(values) and np.linalg.cond(vectors) < 1e8:
            left = np.linalg.solve(vectors, self.b[:, 1])
            return np.asarray(-(self.d[1] + ((self.c @ vectors) * left / (z[:, None] - values)).sum(axis=1)))
        pencil = z[:, None, None] * np.eye(len(self.a)) - self.a
        states = np.linalg.solve(pencil, np.broadcast_to(self.b[:, 1:], (len(z), len(self.a), 1)))
        return np.asarray(-(self.d[1] + states[:, :, 0] @ self.c))


def controller_of(loop: Loop) -> Controller:
    """Return the controller of a loop, clamps and rate limits left out.

    Parameters
    ----------
    loop : Loop
        Its parameters.
    """
    tick = _Tick(loop)
    count = tick.states
    columns = []
    for i in range(count + 2):
        unit = np.zeros(count + 2)
        unit[i] = 1.0
        columns.append(tick.run(unit[:count], unit[count], unit[count + 1]))
    matrix = np.array(columns).T
    a, b = matrix[:count, :count], matrix[:count, count:]
    return Controller(a, b, matrix[count, :count], matrix[count, count:], float(1 / loop.rate))


def response_of(loop: Loop, frequency: Array) -> Complex:
    """Return what a loop's controller makes of its reading, sign changed, shape (n,).

    Parameters
    ----------
    loop : Loop
        Its parameters.
    frequency : ndarray, shape (n,)
        Above 0. [Hz]
    """
    return controller_of(loop).feedback(frequency)


class _Tick:
    """One tick of a controller as a linear function of its memory, set-point and reading."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._period = float(1 / loop.rate)
        self._sections = [design(spec, float(loop.rate)) for spec in loop.filters]
        self.states = 2 * len(self._sections) + 1

    def run(self, memory: Array, setpoint: float, reading: float) -> list[float]:
        """Return the new memory, then the output."""
        loop, after = self._loop, []
        for i, section in enumerate(self._sections):
            reading, *rest = biquad(reading, memory[2 * i], memory[2 * i + 1], *section)
            after += rest
        direct = loop.feedforward * setpoint
        output, integral = pi_update(
            setpoint - reading,
            memory[-1],
            loop.kp.value,
            loop.ki.value,
            self._period,
            direct,
            np.inf,
            BACK_CALCULATION,
        )
        return [*after, integral, output]


def parts_of(loop: Loop, frequency: Array) -> tuple[Complex, Complex, Complex, Complex]:
    """Return the controller split by its gains, shape (n,) each.

    Its output per reading, sign changed, is ``N/(1 + N·M)`` with ``N = constant + kp·proportional +
    ki·integral``.

    Parameters
    ----------
    loop : Loop
        Its parameters; kp and ki do not matter.
    frequency : ndarray, shape (n,)
        Above 0. [Hz]

    Returns
    -------
    tuple of ndarray
        constant, proportional, integral, M.
    """
    constant, one, other = (response_of(with_gains(loop, *g), frequency) for g in ((0, 0), (1, 0), (0, 1)))
    return constant, one - constant, other - constant, np.zeros_like(constant)


def with_gains(loop: Loop, kp: float, ki: float) -> Loop:
    """Return a loop with other gains.

    Parameters
    ----------
    loop : Loop
        The loop.
    kp, ki : float
        In the units of the loop's own.
    """
    return replace(loop, kp=Gain(float(kp), loop.kp.unit), ki=Gain(float(ki), loop.ki.unit))
