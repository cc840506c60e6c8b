"""Margins against one parameter of the scenario, and the values at which they stop being good enough.

The scenario is read anew for every value, exactly as a setting would have it, so a value that the
reader or the bench refuses is left out with the reason.
"""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from shaftloop.analysis.carried import Known
from shaftloop.analysis.cost import shared
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.errors import ScenarioError, ShaftloopError
from shaftloop.scenario.fields import shown
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.scenario.units import NUMBER_PATTERN, UnitError, parse_quantity, unit_factor

__all__ = ["LIMITS", "MarginsDemand", "Range", "Threshold", "Variation", "read_range", "vary"]

LIMITS = (1.6, 2.0)
"""Largest sensitivities that are looked for."""

_POINTS = 21
_MOST_POINTS = 501
_FINER = 1000
"""How much finer than the points a threshold is found, at least."""


@dataclass(frozen=True)
class Range:
    """A parameter and the values that it takes."""

    path: str
    """As in a setting."""
    low: Fraction
    """[unit]"""
    high: Fraction
    """[unit]"""
    unit: str
    """As written; empty for a bare number."""
    points: int

    def values(self) -> list[Fraction]:
        """Return the values, evenly spread [unit]."""
        step = (self.high - self.low) / (self.points - 1)
        return [self.low + i * step for i in range(self.points)]

    def resolution(self) -> Fraction:
        """Return the power of ten to which thresholds are found [unit]."""
        fine = (self.high - self.low) / ((self.points - 1) * _FINER)
        return Fraction(10) ** math.floor(math.log10(fine))

    def setting(self, value: Fraction) -> str:
        """Return a value as ``path=value``."""
        return f"{self.path}={float(value):.12g} {self.unit}".rstrip()


@dataclass(frozen=True)
class MarginsDemand:
    """What is looked at: loops and operating point."""

    loops: tuple[str, ...]
    speed: float | None = None
    """The sequence's where not given. [rad/s]"""
    torque: float | None = None
    """The sequence's where not given. [N m]"""


@dataclass(frozen=True)
class Threshold:
    """A value of the parameter at which a loop stops, or starts, keeping a demand."""

    demand: str
    """``ms<1.6``, ``ms<2`` or ``stable``."""
    kept: float
    """Value that still keeps it. [unit of the range]"""
    broken: float
    """Neighbouring value that does not. [unit of the range]"""


@dataclass(frozen=True)
class Variation:
    """Margins against a parameter."""

    range: Range
    values: tuple[float, ...]
    """Values that the bench can take. [unit of the range]"""
    margins: dict[str, tuple[Margins, ...]]
    """By loop, one per value."""
    thresholds: dict[str, tuple[Threshold, ...]]
    """By loop, rising."""
    left_out: tuple[tuple[float, str], ...]
    """Values that are refused, and why."""


def read_range(text: str) -> Range:
    """Return the range that a text means: ``PATH=LO..HI`` or ``PATH=LO..HI:POINTS``.

    A unit of the upper end alone holds for both, ``line.ts.latency=0..1ms``.

    Raises
    ------
    ScenarioError
        Where the text is no range.
    """
    match = re.fullmatch(r"\s*([^=\s]+)\s*=\s*(.+?)\s*\.\.\s*(.+?)\s*(?::\s*([0-9]{1,9}))?\s*", text)
    if match is None:
        raise _bad(text, "not of the form PATH=LO..HI, e.g. line.ts.latency=0ms..1ms")
    path, lower, upper, count = match.groups()
    points = int(count or _POINTS)
    if not 2 <= points <= _MOST_POINTS:
        raise _bad(text, f"{points} points; choose 2 to {_MOST_POINTS}")
    try:
        low, high, unit = _ends(lower, upper)
    except UnitError as error:
        raise _bad(text, str(error)) from None
    if not low < high:
        raise _bad(text, "the lower end must be below the upper one")
    return Range(path, low, high, unit, points)


def vary(
    scenario: Scenario,
    wanted: Range,
    demand: MarginsDemand,
    progress: Callable[[float], None] | None = None,
) -> Variation:
    """Return the margins of loops against a parameter; `progress` gets the share of the values that is done.

    Where every value is refused, the first refusal is raised.

    Raises
    ------
    ShaftloopError
        Where every value is refused: the first refusal.
    """
    study = _Study(scenario, wanted, demand)
    values, left_out, errors = [], [], []
    for done, value in enumerate(wanted.values(), 1):
        if progress is not None:
            progress(done / (wanted.points + 1))
        try:
            study.at(value)
        except ShaftloopError as error:
            errors.append(error)
            left_out.append((float(value), str(error).splitlines()[0]))
        else:
            values.append(value)
    if not values:
        raise errors[0]
    return Variation(
        wanted,
        tuple(float(value) for value in values),
        {name: tuple(study.at(value)[name] for value in values) for name in demand.loops},
        {name: tuple(_thresholds(study, values, name)) for name in demand.loops},
        tuple(left_out),
    )


@dataclass
class _Study:
    scenario: Scenario
    range: Range
    demand: MarginsDemand
    known: dict[Fraction, dict[str, Margins]] = field(default_factory=dict)
    start: Known | None = None
    """Steady state at the value before, by slot."""

    def at(self, value: Fraction) -> dict[str, Margins]:
        if value not in self.known:
            settings = (*self.scenario.settings, self.range.setting(value))
            description = read_scenario(self.scenario.path, settings).description
            demand = self.demand
            with shared(self.range.points):
                found = analyse_loops(description, demand.loops, demand.speed, demand.torque, self.start)
            self.start = next(analysis.known for analysis in found.values())
            self.known[value] = {name: analysis.margins for name, analysis in found.items()}
        return self.known[value]


def _thresholds(study: _Study, values: Sequence[Fraction], loop: str) -> list[Threshold]:
    """Return where a loop changes between keeping and breaking a demand, by value."""
    demands = {f"ms<{limit:g}": _sensitivity_below(limit) for limit in LIMITS} | {"stable": _is_stable}
    found = []
    for name, keeps in demands.items():
        for low, high in pairwise(values):
            before, after = keeps(study.at(low)[loop]), keeps(study.at(high)[loop])
            if before != after:
                ends = _halved(study, loop, keeps, low, high)
                kept, broken = ends if before else ends[::-1]
                found.append(Threshold(name, float(kept), float(broken)))
    return sorted(found, key=lambda threshold: threshold.kept)


def _sensitivity_below(limit: float) -> Callable[[Margins], bool]:
    return lambda margins: margins.stable and margins.ms < limit


def _is_stable(margins: Margins) -> bool:
    return margins.stable


def _halved(
    study: _Study, loop: str, keeps: Callable[[Margins], bool], low: Fraction, high: Fraction
) -> tuple[Fraction, Fraction]:
    """Return neighbouring values between which a demand changes, as near as the bench allows."""
    unit, before = study.range.resolution(), keeps(study.at(low)[loop])
    while high - low > unit:
        middle = round((low + high) / 2 / unit) * unit
        if not low < middle < high:
            break
        try:
            same = keeps(study.at(middle)[loop]) == before
        except ShaftloopError:
            break
        low, high = (middle, high) if same else (low, middle)
    return low, high


def _ends(lower: str, upper: str) -> tuple[Fraction, Fraction, str]:
    """Return both ends in the unit of the upper one."""
    bare = [re.fullmatch(NUMBER_PATTERN, end) is not None for end in (lower, upper)]
    if all(bare):
        return Fraction(lower), Fraction(upper), ""
    high, unit = parse_quantity(upper)
    if bare[0]:
        return Fraction(lower), high, unit
    low, other = parse_quantity(lower)
    (dimension, factor), (wanted, scale) = unit_factor(other), unit_factor(unit)
    if dimension != wanted:
        raise UnitError(f"{other} and {unit} are units of different quantities")
    return low * factor / scale, high, unit


def _bad(text: str, reason: str) -> ScenarioError:
    return ScenarioError([f"`vary` {shown(text)}: {reason}"])
