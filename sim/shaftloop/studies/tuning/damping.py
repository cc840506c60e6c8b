"""Active damping in the tuner: the plant that it leaves to the controller, and the speeds it can work on."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.minimal import minimal
from shaftloop.analysis.modes import Mechanics, mechanics
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.response import fundamental, grid
from shaftloop.bench.handles import Bench
from shaftloop.control.filters import Section
from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import section_value

__all__ = ["NEUTRAL", "DampingCut", "closer", "section_at", "speeds_across"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

NEUTRAL: Section = (1.0, 0.0, 0.0, 0.0, 0.0)
"""Lets everything through."""
_NO_SLOT = -1
"""Stands for the slot of a state that the bench does not have."""
_CLOSER, _REMEMBERED = 11, 10_000
"""Frequencies between two of the grid, and how many such pairs are remembered."""


@dataclass(frozen=True)
class DampingCut:
    """A plant with active damping, cut at the command, so that it is the same for any damping.

    A candidate costs no bench: its section is put behind the torque, and both paths are joined.
    """

    reading: OpenLoop
    """From the command to minus the reading."""
    torque: OpenLoop
    """From the command to the torque of a damping of 1 N m s/rad without high-pass."""

    @cached_property
    def frequency(self) -> Array:
        """Grid, dense around poles and zeros, shape (n,) [Hz]."""
        return grid(self.reading)

    @cached_property
    def on_grid(self) -> tuple[Complex, Complex]:
        """Responses of both on the grid, shape (n,) each."""
        return fundamental(self.reading, self.frequency), fundamental(self.torque, self.frequency)

    @cached_property
    def closer(self) -> Callable[[float, float], tuple[Any, ...]]:
        """Few frequencies from one to another [Hz], with the responses of both there."""
        return closer(self.reading, self.torque)

    @cached_property
    def minimal(self) -> "DampingCut":
        """The same with as few states as both paths need together."""
        both = _side_by_side(self.reading, self.torque)
        ticks = len(self.reading.instants)
        fewer = minimal(both)
        seen = (slice(ticks), slice(ticks, None))
        return DampingCut(*(replace(fewer, c=fewer.c[rows], d=fewer.d[rows]) for rows in seen))

    def joined(self, section: Section) -> OpenLoop:
        """Return from the controller's command to minus the reading, the damping's torque added.

        Parameters
        ----------
        section : tuple of float
            The damping, as it runs at every tick.
        """
        return _damped(self.reading, _behind(self.torque, section))


def closer(*systems: OpenLoop) -> Callable[[float, float], tuple[Any, ...]]:
    """Return what gives few frequencies from one to another [Hz], with the responses of systems there.

    Remembered: the peaks of most candidates lie between the same points of the grid.

    Parameters
    ----------
    *systems : OpenLoop
        Of one loop.
    """

    @lru_cache(_REMEMBERED)
    def found(low: float, high: float) -> tuple[Any, ...]:
        frequency = np.linspace(low, high, _CLOSER)
        return (frequency, *(fundamental(system, frequency) for system in systems))

    return found


def section_at(section: Section, frequency: Array, period: float) -> Complex:
    """Return the response of a section, shape (n,).

    Parameters
    ----------
    section : tuple of float
        Runs at every tick.
    frequency : ndarray, shape (n,)
        [Hz]
    period : float
        From tick to tick. [s]
    """
    return section_value(section, np.exp(2j * np.pi * frequency * period))


def _behind(system: OpenLoop, section: Section) -> OpenLoop:
    """Return an opened loop with a section of first order behind what is seen of it at every tick."""
    b0, b1, _, a1, _ = section
    count, ticks = system.b.shape
    # Everything is a row over (states, state of the section, commands).
    memory, seen = np.eye(1, count + 1 + ticks, count)[0], []
    for j in range(ticks):
        entry = np.concatenate([system.c[j], [0.0], system.d[j]])
        seen.append(b0 * entry + memory)
        memory = b1 * entry - a1 * seen[-1]
    out = np.array(seen)
    return replace(
        system,
        a=np.vstack([np.pad(system.a, ((0, 0), (0, 1))), memory[: count + 1]]),
        b=np.vstack([system.b, memory[count + 1 :]]),
        c=out[:, : count + 1],
        d=out[:, count + 1 :],
        slots=np.append(system.slots, _NO_SLOT),
    )


def _damped(reading: OpenLoop, torque: OpenLoop) -> OpenLoop:
    """Return the path to the reading from the command of the controller, to which a torque is added."""
    both, ticks = _side_by_side(reading, torque), len(reading.instants)
    inner = np.linalg.inv(np.eye(ticks) - torque.d)
    through = inner @ both.c[ticks:]
    return replace(
        both,
        a=both.a + both.b @ through,
        b=both.b @ inner,
        c=both.c[:ticks] + reading.d @ through,
        d=reading.d @ inner,
    )


def _side_by_side(reading: OpenLoop, torque: OpenLoop) -> OpenLoop:
    """Return one system of two on the same states, what is seen of one above what is seen of the other.

    Neither needs a state of the other that it does not have.
    """
    slots = np.concatenate([reading.slots, np.setdiff1d(torque.slots, reading.slots)])
    place = {int(slot): i for i, slot in enumerate(slots)}
    count, ticks = len(slots), len(reading.instants)
    a, b, c = np.zeros((count, count)), np.zeros((count, ticks)), np.zeros((2 * ticks, count))
    for system, rows in ((torque, slice(ticks, None)), (reading, slice(ticks))):
        own = np.array([place[int(slot)] for slot in system.slots])
        a[np.ix_(own, own)], b[own], c[rows, own] = system.a, system.b, system.c
    return replace(reading, a=a, b=b, c=c, d=np.vstack([reading.d, torque.d]), slots=slots)


def speeds_across(bench: Bench, loop: Loop, line: Mechanics | None = None) -> tuple[str, str, float] | str:
    """Return the speeds left and right of the line's twist, with a gain [N m s/rad], or why there are none.

    The gain is the inertia of the loop's machine times the line's lowest resonance, which damps it strongly.
    An encoder goes before a machine's own speed. The speed of the loop's own machine its drive knows; that
    of another place counts only if an encoder is there or a loop or hop reads it.

    Parameters
    ----------
    bench : Bench
        The bench.
    loop : Loop
        The loop that damps.
    line : Mechanics, optional
        At the operating point; that at zero torque else.
    """
    if bench.loops[loop.name].quantity != "torque":
        return "a loop of speed damps the line by its own gain; offered for loops of torque"
    description, own = bench.description, bench.machines[loop.acts_on].body
    read = {entry.reads for entry in description.loop} | {entry.carries for entry in description.hop}
    places = {name: place.body for name, place in bench.line.places.items()}
    at: dict[int, str] = {own: loop.acts_on}
    for name in sorted(places):
        if name in bench.machines and name in read:
            at.setdefault(places[name], name)
    for encoder in description.readers("speed"):
        at[places[encoder.name]] = encoder.name
    tree = bench.line.tree
    others = [body for body in at if body != own and (own in tree.line_of(body) or body in tree.line_of(own))]
    if not others:
        return (
            "no speed is read across the line: add an encoder there, or let a loop or hop read the speed of "
            "the machine there"
        )
    other = max(others, key=lambda body: tree.apart(body, own))
    rates = np.linalg.eigvals((line or mechanics(bench)).a)
    size = np.abs(rates)[rates.imag > 1e-6 * np.abs(rates)]
    lowest = float(size.min(initial=np.inf))
    if not np.isfinite(lowest):
        return "the line has no resonance to damp"
    gain = bench.machines[loop.acts_on].parameters.inertia * lowest
    left, right = sorted((own, other))
    return at[left], at[right], gain
