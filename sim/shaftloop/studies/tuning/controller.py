"""The controller of a loop as a linear sampled system, from the parameters that the scenario states.

Written once more here, without clamps; the sections are those that the simulation runs, and the result is
compared with the exact margins of the bench after every tuning.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.filters import Section, design
from shaftloop.control.parameters import Loop, Predictor
from shaftloop.control.structures import (
    derivative_section,
    observer_sections,
    predictor_sections,
    setpoint_section,
    whole_samples,
)
from shaftloop_models.parameters import Gain

__all__ = [
    "Controller",
    "controller_of",
    "feedback",
    "most_ki",
    "parts_of",
    "section_value",
    "with_gains",
]

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


@lru_cache(maxsize=64)
def controller_of(loop: Loop) -> Controller:
    """Return the controller of a loop, clamps and rate limits left out.

    Parameters
    ----------
    loop : Loop
        Its parameters.
    """
    tick = _Tick(loop)
    count = tick.states
    rows = np.eye(count + 2)
    found = np.array(tick.run(rows[:count], rows[count], rows[count + 1]))
    a, b = found[:count, :count], found[:count, count:]
    return Controller(a, b, found[count, :count], found[count, count:], float(1 / loop.rate))


class _Tick:
    """One tick of a controller on rows: each is a linear function of its memory, set-point and reading."""

    def __init__(self, loop: Loop) -> None:
        rate, period = float(loop.rate), 1 / loop.rate
        self._loop, self._period = loop, float(period)
        self._reading = [design(spec, rate) for spec in loop.filters]
        self._setpoint = (
            None if loop.setpoint_filter is None else setpoint_section(loop.setpoint_filter, rate)
        )
        self._derivative = None
        if loop.kd.value > 0.0 and loop.derivative_cutoff is not None:
            self._derivative = derivative_section(loop.kd.value, loop.derivative_cutoff, rate)
        observer, predictor = loop.disturbance_observer, loop.predictor
        self._observer = None if observer is None else observer_sections(observer, period)
        self._predictor = None if predictor is None else predictor_sections(predictor, period)
        self._observer_depth = 0 if observer is None else whole_samples(observer, period)
        self._predictor_depth = 0 if predictor is None else whole_samples(predictor, period)
        filters = len(self._reading) + (self._setpoint is not None) + (self._derivative is not None)
        models = sum(
            4 + depth
            for model, depth in (
                (self._observer, self._observer_depth),
                (self._predictor, self._predictor_depth),
            )
            if model is not None
        )
        self.states = 2 * filters + models + 2

    def run(self, memory: Array, setpoint: Array, reading: Array) -> list[Array]:
        """Return the new memory, then the output; the last two of the memory are command and integral."""
        loop, old = self._loop, _Memory(memory)
        after: list[Array] = []
        sent, integral = memory[-2], memory[-1]
        direct = np.zeros_like(reading)
        if self._observer is not None:
            direct = direct - old.model(self._observer, self._observer_depth, reading, sent, after)
        if self._predictor is not None:
            reading = reading + old.model(self._predictor, self._predictor_depth, sent, sent, after)
        for section in self._reading:
            reading = old.filtered(section, reading, after)
        if self._setpoint is not None:
            setpoint = old.filtered(self._setpoint, setpoint, after)
        direct = direct + loop.feedforward * setpoint
        if self._derivative is not None:
            derived = setpoint - reading if loop.derivative_of == "error" else -reading
            direct = direct + old.filtered(self._derivative, derived, after)
        error = setpoint - reading
        output = loop.kp.value * error + integral + direct
        return [*after, output, integral + self._period * loop.ki.value * error, output]


class _Memory:
    """Memory of a tick, read from the front."""

    def __init__(self, values: Array) -> None:
        self._values, self._place = values, 0

    def filtered(self, section: Section, value: Array, after: list[Array]) -> Array:
        """Run a section."""
        first = self._place
        self._place += 2
        b0, b1, b2, a1, a2 = section
        result = np.asarray(b0 * value + self._values[first])
        after += [b1 * value - a1 * result + self._values[first + 1], b2 * value - a2 * result]
        return result

    def model(
        self, sections: tuple[Section, Section], depth: int, entry: Array, sent: Array, after: list[Array]
    ) -> Array:
        """Run the model of a path: one section, less another on the command of some ticks ago."""
        line = [*self._values[self._place : self._place + depth], sent]
        self._place += depth
        after += line[1:]
        return self.filtered(sections[0], entry, after) - self.filtered(sections[1], line[0], after)


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
    rate, period = float(loop.rate), 1 / loop.rate
    z = np.exp(2j * np.pi * np.asarray(frequency) / rate)
    proportional, read = np.ones_like(z), np.zeros_like(z)
    for spec in loop.filters:
        proportional = proportional * section_value(design(spec, rate), z)
    inner, shared = np.zeros_like(z), np.ones_like(z)
    if loop.predictor is not None:
        inner = _model_value(predictor_sections(loop.predictor, period), loop.predictor, period, z)
    if loop.disturbance_observer is not None:
        sections = observer_sections(loop.disturbance_observer, period)
        read = section_value(sections[0], z)
        late = whole_samples(loop.disturbance_observer, period)
        shared = shared - section_value(sections[1], z) * z ** (-late - 1)
    constant = read
    if loop.kd.value > 0.0 and loop.derivative_cutoff is not None:
        derived = derivative_section(loop.kd.value, loop.derivative_cutoff, rate)
        constant = constant + proportional * section_value(derived, z)
    # The predictor does not see what the observer adds.
    shared = shared - read * inner
    integral = proportional / (rate * (z - 1.0))
    return constant / shared, proportional / shared, integral / shared, inner


def feedback(loop: Loop, frequency: Array) -> Complex:
    """Return the controller's output per reading, sign changed, shape (n,).

    Parameters
    ----------
    loop : Loop
        With its gains.
    frequency : ndarray, shape (n,)
        Above 0, up to half the rate. [Hz]
    """
    constant, proportional, integral, inner = parts_of(loop, frequency)
    outer = constant + loop.kp.value * proportional + loop.ki.value * integral
    return np.asarray(outer / (1.0 + outer * inner))


def _model_value(
    sections: tuple[Section, Section], model: Predictor, period: Fraction, z: Complex
) -> Complex:
    """Return what a predictor adds to the reading per command."""
    late = whole_samples(model, period)
    return np.asarray((section_value(sections[0], z) - section_value(sections[1], z) * z**-late) / z)


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


def most_ki(loop: Loop, kp: float) -> float:
    """Return the integral gain up to which a loop's anti-windup does not overshoot: T·ki ≤ kp.

    Parameters
    ----------
    loop : Loop
        The loop.
    kp : float
        Proportional gain, in the unit of the loop's own.
    """
    return kp * float(loop.rate) if loop.anti_windup == "back_calculation" else float("inf")


def section_value(section: Section, z: Complex) -> Complex:
    """Return the response of a section.

    Parameters
    ----------
    section : tuple of float
        Its coefficients.
    z : ndarray
        Shifts by one tick.
    """
    b0, b1, b2, a1, a2 = section
    return np.asarray((b0 + b1 / z + b2 / z**2) / (1.0 + a1 / z + a2 / z**2))
