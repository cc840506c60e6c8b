"""The poles of a closed bench, each with the frequency at which it really oscillates.

An eigenvalue of the map over a hyperperiod tells a frequency but for whole turns per hyperperiod. The turns
are counted on the way: the compiled stepper follows a start in the eigenvector from instant to instant, and
all of the line turns alike. What turns too far between two instants for that is told by the free mode of the
line whose vector it has.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.modes import Mechanics, mechanics
from shaftloop.analysis.openloop import AT_ONE
from shaftloop.analysis.tangent import term_slopes

__all__ = ["Pole", "closed_poles"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DEAD = 1e-5
"""Eigenvalues below are forgotten within one hyperperiod or two: delay lines and the like."""
_COUNTED = 0.4
"""Turns between two instants up to which they are counted."""
_WITNESSES = 3
"""States of the line with the most energy, which must agree on the turns."""
_NEAR = 0.2
"""Distance from its free pole, relative to that, up to which a pole is taken for a mode of the line."""


@dataclass(frozen=True)
class Pole:
    """One pole of the closed bench, or a pair."""

    eigenvalue: complex
    """Over one hyperperiod, its imaginary part not negative."""
    rate: float
    """At which it decays; negative where it grows. [1/s]"""
    frequency: float | None
    """[Hz]; None where the turns within a hyperperiod cannot be told."""
    folded: float
    """Frequency but for turns within a hyperperiod. [Hz]"""


def closed_poles(bench: HyperMap, state: Array) -> tuple[Pole, ...]:
    """Return the poles of a bench, the slowest to decay first, without those that die within a hyperperiod.

    Parameters
    ----------
    bench : HyperMap
        The smooth bench, its set-points held.
    state : ndarray, shape (slots,)
        From `HyperMap.steady`.
    """
    matrix, places = bench.motion(state)
    values, vectors = np.linalg.eig(matrix)
    line, calendar = mechanics(bench.bench, term_slopes(bench, state)), bench.run.tables.calendar
    ticks = np.array([*calendar.ticks, bench.ticks])
    longest = float(np.max(np.diff(ticks))) / bench.run.clock.ticks_per_second
    # A line whose speed nothing holds keeps its motion as a whole, which is no decay.
    kept = np.abs(values - 1.0) < AT_ONE
    chosen = np.flatnonzero((np.abs(values) > _DEAD) & (values.imag >= 0.0) & ~kept)
    found = []
    for i in chosen[np.argsort(-np.abs(values[chosen]))]:
        value, rate = complex(values[i]), -float(np.log(np.abs(values[i]))) / bench.hyperperiod
        way = _followed(bench, state, vectors[:, i], places, ticks, line)
        frequency = _frequency(value, way, line, bench.hyperperiod, longest)
        folded = float(abs(np.angle(value))) / (2.0 * np.pi * bench.hyperperiod)
        found.append(Pole(value, rate, frequency, folded))
    return tuple(found)


def _followed(
    bench: HyperMap,
    state: Array,
    vector: Complex,
    places: NDArray[np.intp],
    ticks: NDArray[np.int64],
    line: Mechanics,
) -> Complex:
    """Return the line in energy coordinates at every instant, from a start in an eigenvector."""
    slots, steps = bench.slots[places], bench.difference_steps[places]
    start = vector / np.max(np.abs(vector) / steps)
    way = np.zeros((len(ticks), len(line.slots)), dtype=np.complex128)
    for part, unit in ((start.real, 0.5), (start.imag, 0.5j)):
        for sign in (1.0, -1.0):
            moved = state.copy()
            moved[slots] += sign * part
            way += sign * unit * bench.walk(moved, ticks)[:, line.slots]
    return np.asarray(way * line.scale)


def _frequency(
    value: complex, way: Complex, line: Mechanics, hyperperiod: float, longest: float
) -> float | None:
    """Return the frequency of a pole [Hz], nothing where it cannot be told."""
    free = _free_pole(way[0], line)
    if free is not None and abs(free.imag) / (2.0 * np.pi) * longest > _COUNTED:
        branches = [np.log(v) / hyperperiod for v in (value, value.conjugate())]
        turn = 2.0 * np.pi / hyperperiod
        moved = [b + 1j * turn * round((free.imag - b.imag) / turn) for b in branches]
        nearest = min(moved, key=lambda pole: abs(pole - free))
        return float(abs(nearest.imag)) / (2.0 * np.pi) if abs(nearest - free) < _NEAR * abs(free) else None
    loudest = way[:, np.argsort(-np.abs(way[0]))[:_WITNESSES]]
    if not np.all(np.abs(loudest) > 0.0):
        return None
    turns = np.angle(loudest[1:] / loudest[:-1]).sum(axis=0) / (2.0 * np.pi)
    part = float(np.angle(value)) / (2.0 * np.pi)
    whole = np.rint(turns - part)
    frequency = abs(float(part + whole[0])) / hyperperiod
    return frequency if np.ptp(whole) == 0.0 and frequency * longest < _COUNTED else None


def _free_pole(start: Complex, line: Mechanics) -> complex | None:
    """Return the free pole of the mode that has the largest share of a motion, if it is nearly all of it."""
    values, vectors = np.linalg.eig(line.a)
    shares = np.abs(np.linalg.solve(vectors, start)) * np.linalg.norm(vectors, axis=0)
    both = np.abs(values.imag) > 0.0
    best = int(np.argmax(np.where(both, shares, 0.0)))
    return complex(values[best]) if shares[best] > 0.5 * np.linalg.norm(start) else None
