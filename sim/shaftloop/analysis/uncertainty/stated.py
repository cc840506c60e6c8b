"""A quantity of a measurement file: what its table states -> distribution.

Numbers keep the unit of the quantity, that of its value; what else the table states is converted to it. A
width in % of a quantity that has a unit is relative to its value; one of a temperature in °C is a difference.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from shaftloop.analysis.uncertainty.dimensions import CELSIUS, KELVIN, Dimension, describe, si_unit
from shaftloop.analysis.uncertainty.distributions import (
    ArcSine,
    Constant,
    CurvilinearTrapezoid,
    Distribution,
    Normal,
    Rectangular,
    Trapezoidal,
    Triangular,
)
from shaftloop.analysis.uncertainty.model import Input
from shaftloop.analysis.uncertainty.propagation import coverage_factor
from shaftloop.analysis.uncertainty.tails import Exponential, Gamma, LogNormal, Readings, StudentT
from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.units import UnitError, parse_quantity
from shaftloop_models.parameters import ParameterError

__all__ = ["DISTRIBUTIONS", "QUANTITY_KEYS", "StatedUnit", "bare_number", "read_quantity_table"]

QUANTITY_KEYS = (
    "value", "unit", "readings", "distribution", "standard_uncertainty", "standard_deviation", "half_width",
    "lower", "upper", "expanded_uncertainty", "coverage_factor", "coverage", "peak", "top_half_width",
    "margin", "dof", "reliability", "meaning",
)  # fmt: skip
DISTRIBUTIONS = (
    "normal", "rectangular", "triangular", "trapezoidal", "arcsine", "t", "curvilinear_trapezoid",
    "exponential", "gamma", "lognormal",
)  # fmt: skip

_LIMITED = {
    "rectangular": 3.0,
    "triangular": 6.0,
    "arcsine": 2.0,
    "trapezoidal": 0.0,
    "curvilinear_trapezoid": 0.0,
}
"""Distributions with limits, and half width² over variance where that is one number."""
_MOST_READINGS = 100_000


@dataclass(frozen=True)
class StatedUnit:
    """A number with the unit in which a quantity is given."""

    unit: str
    dimension: Dimension
    factor: Fraction
    """SI units per unit."""


def read_quantity_table(name: str, table: Mapping[str, Any]) -> tuple[Input, StatedUnit]:
    """Return the input that a table of known keys states, and its unit; a ParameterError has the key."""
    distribution, unit = _Table(table).distribution()
    meaning = table.get("meaning", "")
    if not isinstance(meaning, str) or not meaning.isprintable() or len(meaning) > 200:
        raise ParameterError("meaning", f"{shown(meaning)} is no text of at most 200 characters")
    dof = _dof(table)
    if dof is not None and isinstance(distribution, Readings | StudentT) and dof != distribution.dof:
        raise ParameterError(
            "dof", f"{dof:g} contradicts the {distribution.dof:g} that the readings give; leave it out"
        )
    if dof is not None and isinstance(distribution, Constant):
        raise ParameterError("dof", "a constant has none; state an uncertainty")
    return Input(name, distribution, unit.unit or "1", dof, meaning), unit


def bare_number(key: str, value: Any) -> float:
    """Return a plain number, stated as such or as a text in %; `key` is for the message."""
    if isinstance(value, str):
        try:
            number, unit = parse_quantity(value, ("1",))
        except UnitError as error:
            raise ParameterError(key, f"{shown(value)}: {error}") from None
        dimension, factor = si_unit(unit)
        if dimension:
            raise ParameterError(key, f"{shown(value)}: {describe(dimension)} where a plain number is due")
        return float(number * factor)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ParameterError(key, f"{shown(value)} is no finite number")
    return float(value)


def _dof(table: Mapping[str, Any]) -> float | None:
    """Return stated degrees of freedom, or those of a stated reliability (JCGM 100, G.4.2)."""
    if "reliability" in table:
        if "dof" in table:
            raise ParameterError("reliability", "give either dof or reliability, not both")
        reliability = bare_number("reliability", table["reliability"])
        if not 0.0 < reliability <= 0.7:
            raise ParameterError(
                "reliability",
                f'{reliability:g} is out of range; allowed: above 0 and at most 0.7, e.g. "10 %"',
            )
        return 0.5 / reliability**2
    if "dof" not in table:
        return None
    dof = table["dof"]
    if isinstance(dof, bool) or not isinstance(dof, int | float) or not dof >= 1.0:
        raise ParameterError("dof", f"{shown(dof)} degrees of freedom; allowed: a number of at least 1")
    return float(dof)


class _Table:
    """Reads the keys of one quantity; remembers which were used."""

    def __init__(self, table: Mapping[str, Any]) -> None:
        self.table = table
        self.used = {"value", "unit", "readings", "distribution", "dof", "reliability", "meaning"}
        self.unit = self._unit()

    def distribution(self) -> tuple[Distribution, StatedUnit]:
        if "readings" in self.table:
            made: Distribution = self._readings()
        elif "value" in self.table or ("lower" in self.table and "upper" in self.table):
            made = self._shaped()
        else:
            raise ParameterError("value", 'missing: the best estimate; write e.g. value = "1.5 N m"')
        idle = [key for key in self.table if key not in self.used]
        if idle:
            raise ParameterError(idle[0], f"has no meaning for {made.kind}; leave it out{self._advice(made)}")
        return made, self.unit

    def _advice(self, made: Distribution) -> str:
        return " or state a distribution" if isinstance(made, Constant | Normal) else ""

    def _unit(self) -> StatedUnit:
        """Return the unit of the quantity: as stated, else that of its value."""
        text = self.table.get("unit")
        if text is not None:
            if not isinstance(text, str):
                raise ParameterError("unit", f'{shown(text)} is no unit; write e.g. "N m"')
            try:
                return StatedUnit(text, *si_unit(text))
            except UnitError as error:
                raise ParameterError("unit", str(error)) from None
        readings = self.table.get("readings")
        first = readings[0] if isinstance(readings, list) and readings else self.table.get("value")
        if first is None:
            first = self.table.get("lower")
        if isinstance(first, str):
            key = "readings" if readings else "value" if "value" in self.table else "lower"
            unit = self._parse(key, first)[1]
            return StatedUnit(unit, *si_unit(unit))
        return StatedUnit("", (), Fraction(1))

    def _parse(self, key: str, text: str) -> tuple[Fraction, str]:
        try:
            return parse_quantity(text)
        except UnitError as error:
            raise ParameterError(key, f"{shown(text)}: {error}") from None

    def _number(self, key: str, value: Any, width: bool = False) -> tuple[float, bool]:
        """Return a number in the unit of the quantity, and whether it is relative to the value."""
        if isinstance(value, str):
            number, text = self._parse(key, value)
            dimension, factor = si_unit(text)
            wanted, celsius = self.unit.dimension, self.unit.dimension == CELSIUS
            if width:
                dimension, wanted = (KELVIN if d == CELSIUS else d for d in (dimension, wanted))
            if dimension == wanted:
                return float(number * factor / self.unit.factor), False
            if not dimension and not (width and celsius):
                return float(number * factor), True
            raise ParameterError(
                key, f"{shown(value)}: {describe(dimension)} where {describe(wanted)} is due"
            )
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ParameterError(key, f"{shown(value)} is no finite number")
        if self.unit.dimension and "unit" not in self.table:
            raise ParameterError(key, f"{shown(value)} has no unit; write it in quotes with one")
        return float(value), False

    def _plain(self, key: str, value: Any) -> float:
        number, relative = self._number(key, value)
        if relative:
            raise ParameterError(
                key, f"{shown(value)}: a plain number where {describe(self.unit.dimension)} is due"
            )
        return number

    def _width(self, key: str) -> float | None:
        """Return a width in the unit of the quantity, nothing where it is not stated."""
        if key not in self.table:
            return None
        self.used.add(key)
        number, relative = self._number(key, self.table[key], width=True)
        if relative:
            number *= abs(self._middle())
        if not number > 0.0:
            raise ParameterError(
                key, f"{shown(self.table[key])} must be above 0; leave it out for a constant"
            )
        return number

    def _middle(self) -> float:
        if "value" in self.table:
            return self._plain("value", self.table["value"])
        return 0.5 * (self._plain("lower", self.table["lower"]) + self._plain("upper", self.table["upper"]))

    def _readings(self) -> Distribution:
        values = self.table["readings"]
        if not isinstance(values, list) or len(values) > _MOST_READINGS:
            raise ParameterError(
                "readings", f"{shown(values)} is no list of at most {_MOST_READINGS} readings"
            )
        if self.table.get("distribution", "t") != "t":
            raise ParameterError("distribution", 'readings make a t distribution; leave it out or write "t"')
        if "value" in self.table:
            raise ParameterError("value", "the mean of the readings is the value; leave one of both out")
        return Readings(tuple(self._plain("readings", value) for value in values))

    def _shaped(self) -> Distribution:
        kind = self.table.get("distribution")
        if kind is None:
            return self._plain_or_normal()
        if kind not in DISTRIBUTIONS:
            raise ParameterError(
                "distribution",
                f"{shown(kind)} is not one of: {', '.join(DISTRIBUTIONS)}{nearest(kind, DISTRIBUTIONS)}",
            )
        if kind == "exponential":
            return Exponential(self._middle())
        return self._limited(kind) if kind in _LIMITED else self._unlimited(kind)

    def _plain_or_normal(self) -> Distribution:
        if self._spread_keys():
            return self._unlimited("normal")
        if "half_width" in self.table or "lower" in self.table:
            raise ParameterError(
                "distribution",
                'missing: limits without a distribution; write e.g. distribution = "rectangular"',
            )
        if "dof" in self.table or "reliability" in self.table:
            raise ParameterError("standard_uncertainty", "missing: degrees of freedom without an uncertainty")
        return Constant(self._middle())

    def _spread_keys(self) -> list[str]:
        return [
            k
            for k in ("standard_uncertainty", "standard_deviation", "expanded_uncertainty")
            if k in self.table
        ]

    def _standard(self) -> float | None:
        """Return the standard uncertainty from whichever key states it."""
        keys = self._spread_keys()
        if len(keys) > 1:
            raise ParameterError(keys[1], f"give either {keys[0]} or {keys[1]}, not both")
        if not keys:
            return None
        number = self._width(keys[0])
        assert number is not None
        dof = _dof(self.table)
        if keys[0] == "expanded_uncertainty":
            return number / self._factor(math.inf if dof is None else dof)
        if keys[0] == "standard_deviation" and self.table.get("distribution") == "t":
            if dof is None or dof <= 2.0:
                raise ParameterError(
                    "standard_deviation", "a t distribution has one only above 2 degrees of freedom"
                )
            return number * math.sqrt((dof - 2.0) / dof)
        return number

    def _factor(self, dof: float) -> float:
        if "coverage_factor" in self.table:
            self.used.add("coverage_factor")
            factor = bare_number("coverage_factor", self.table["coverage_factor"])
        elif "coverage" in self.table:
            self.used.add("coverage")
            try:
                factor = coverage_factor(bare_number("coverage", self.table["coverage"]), dof)
            except ScenarioError as error:
                raise ParameterError("coverage", str(error)) from None
        else:
            raise ParameterError(
                "coverage_factor", "missing: k of the expanded uncertainty, e.g. coverage_factor = 2"
            )
        if not 0.1 <= factor <= 100.0:
            raise ParameterError("coverage_factor", f"{factor:g} is out of range; allowed: 0.1 to 100")
        return factor

    def _unlimited(self, kind: str) -> Distribution:
        spread = self._standard()
        if spread is None:
            raise ParameterError(
                "standard_uncertainty",
                f"missing: the width of a {kind} distribution; write standard_uncertainty, or "
                "expanded_uncertainty with coverage_factor",
            )
        value = self._middle()
        if kind == "t":
            dof = _dof(self.table)
            if dof is None:
                raise ParameterError("dof", "missing: the degrees of freedom of a t distribution")
            return StudentT(value, spread, dof)
        shapes: dict[str, Callable[[float, float], Distribution]] = {
            "normal": Normal,
            "gamma": Gamma,
            "lognormal": LogNormal,
        }
        return shapes[kind](value, spread)

    def _limited(self, kind: str) -> Distribution:
        middle, half = self._limits(kind)
        if kind == "triangular":
            peak = middle
            if "peak" in self.table:
                self.used.add("peak")
                peak = self._plain("peak", self.table["peak"])
            return Triangular(middle - half, middle + half, peak)
        if kind == "trapezoidal":
            top = self._width("top_half_width")
            if top is None:
                raise ParameterError("top_half_width", "missing: half the width of the top of the trapezoid")
            return Trapezoidal(middle, half, top / half)
        if kind == "curvilinear_trapezoid":
            margin = self._width("margin")
            if margin is None:
                raise ParameterError("margin", "missing: ± within which the limits are known")
            return CurvilinearTrapezoid(middle, half, margin)
        return Rectangular(middle, half) if kind == "rectangular" else ArcSine(middle, half)

    def _limits(self, kind: str) -> tuple[float, float]:
        """Return middle and half width."""
        if "lower" in self.table or "upper" in self.table:
            self.used |= {"lower", "upper"}
            for key in ("lower", "upper"):
                if key not in self.table:
                    raise ParameterError(key, "missing: give both limits")
            if "value" in self.table:
                raise ParameterError(
                    "value", "the limits have a middle already; give lower and upper, or half_width"
                )
            low, high = self._plain("lower", self.table["lower"]), self._plain("upper", self.table["upper"])
            if not low < high:
                raise ParameterError("upper", f"{high:g} must lie above lower, {low:g}")
            return 0.5 * (low + high), 0.5 * (high - low)
        half = self._width("half_width")
        if half is None and _LIMITED[kind]:
            spread = self._standard()
            half = None if spread is None else spread * math.sqrt(_LIMITED[kind])
        if half is None:
            raise ParameterError(
                "half_width",
                f"missing: the width of a {kind} distribution; write half_width, or lower and upper",
            )
        return self._middle(), half
