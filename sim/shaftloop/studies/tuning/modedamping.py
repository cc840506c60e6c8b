"""Damping that is asked of shaft modes: of every one, of one by its number, or of those in a band."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shaftloop.control.parameters import Loop
from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import shown
from shaftloop.scenario.units import UnitError, read_quantity
from shaftloop.studies.tuning.plant import LoopPlant

__all__ = ["ModeDamping", "mode_bounds", "read_mode_damping"]

_FORM = 'write 0.02 for every mode, 1=0.1 for the lowest, or "60 Hz..100 Hz=0.1" for a band'


@dataclass(frozen=True)
class ModeDamping:
    """Least damping ratio of some shaft modes."""

    text: str
    """As stated."""
    least: float
    number: int | None = None
    """Of a single mode, the lowest is 1."""
    band: tuple[float, float] | None = None
    """Between which frequencies the modes lie without controllers. [Hz]"""


def read_mode_damping(text: str) -> ModeDamping:
    """Return the damping of modes that a text asks for.

    Parameters
    ----------
    text : str
        ``DAMPING``, ``NUMBER=DAMPING`` or ``LOW..HIGH=DAMPING``.

    Raises
    ------
    ScenarioError
        Where the text is none of these.
    """
    where, _, value = text.rpartition("=")
    try:
        least = float(value)
    except ValueError:
        raise _bad(text, _FORM) from None
    if not 0.0 <= least < 1.0:
        raise _bad(text, f"a damping ratio of {least:g}; choose from 0 to below 1")
    if not where:
        return ModeDamping(text, least)
    if where.strip().isdecimal() and int(where):
        return ModeDamping(text, least, number=int(where))
    low, dots, high = where.partition("..")
    try:
        ends = tuple(float(read_quantity(end.strip(), ("Hz",))[0]) for end in (low, high))
    except UnitError as error:
        raise _bad(text, f"{error}; {_FORM}" if dots else _FORM) from None
    if not 0.0 <= ends[0] < ends[1]:
        raise _bad(text, "the lower end of the band must be below the upper one")
    return ModeDamping(text, least, band=(ends[0], ends[1]))


def mode_bounds(asked: Sequence[ModeDamping], plant: LoopPlant, loop: Loop) -> tuple[float | None, ...]:
    """Return the least damping ratio of every shaft mode of a bench, the lowest first; else nothing.

    What is asked of every mode holds for those below half the rate of the loop: the others it does not reach.

    Parameters
    ----------
    asked : sequence of ModeDamping
        What is asked for.
    plant : LoopPlant
        Nominal.
    loop : Loop
        The loop that is tuned.

    Raises
    ------
    ScenarioError
        Where a mode that is named or in the band lies above half the rate of the loop, or there is none.
    """
    free = np.zeros(0) if plant.modes is None else np.abs(plant.modes.poles) / (2.0 * np.pi)
    found: list[float | None] = [None] * len(free)
    half = 0.5 * float(loop.rate)
    for wish in asked:
        for i in _meant(wish, free, half, loop.name):
            found[i] = max(wish.least, found[i] or 0.0)
    return tuple(found)


def _meant(wish: ModeDamping, free: np.ndarray, half: float, loop: str) -> Sequence[int]:
    """Return which modes are meant, the lowest is 0."""
    if wish.number is None and wish.band is None:
        return [i for i, frequency in enumerate(free) if frequency < half]
    low, high = wish.band or (0.0, np.inf)
    meant = [i for i, f in enumerate(free) if low <= f <= high and wish.number in (None, i + 1)]
    known = ", ".join(f"{i} at {frequency:.4g} Hz" for i, frequency in enumerate(free, 1)) or "none"
    if not meant:
        raise _bad(wish.text, f"the line has no such shaft mode; it has: {known}")
    above = [f"{free[i]:.4g} Hz" for i in meant if free[i] >= half]
    if above:
        raise _bad(
            wish.text,
            f"a mode at {' and '.join(above)} cannot be asked for: half the rate of loop {loop} is {half:g} "
            f"Hz, above which it does not act; raise the rate or ask for modes below ({known})",
        )
    return meant


def _bad(text: str, reason: str) -> ScenarioError:
    return ScenarioError([f"`mode_damping` {shown(text)}: {reason}"])
