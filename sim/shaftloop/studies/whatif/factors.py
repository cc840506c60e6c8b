"""Factors: from a share between 0 and 1 to a value of the scenario, and to the setting that states it."""

import json
import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from statistics import NormalDist
from typing import ClassVar, Literal

from shaftloop.scenario.fields import Plain
from shaftloop.scenario.units import Stated, UnitError, parse_quantity
from shaftloop.studies.whatif.form import Distribution, Factor

__all__ = ["Axis", "FactorSpread", "Listed", "Value", "listed", "spread"]

Value = float | str
"""A number in the unit of its factor, or a text."""

_INSIDE = 2.0**-53
"""How near to 0 and 1 a share may come, so that every quantile is finite."""


@dataclass(frozen=True)
class Listed:
    """A factor with listed values."""

    path: str
    unit: str
    """Of its numbers; empty for texts and bare numbers."""
    choices: tuple[Value, ...]
    texts: tuple[str, ...]
    """What follows the equals sign of a setting, one per choice."""

    def at(self, share: float) -> Value:
        """Return the value at a share of the list, from 0 to 1."""
        return self.choices[min(int(share * len(self.choices)), len(self.choices) - 1)]

    @property
    def worded(self) -> bool:
        """Whether its values are texts."""
        return isinstance(self.choices[0], str)

    def levels(self) -> tuple[Value, ...]:
        """Return the values on a grid."""
        return self.choices

    def setting(self, value: Value) -> str:
        """Return a value of the list as ``path=value``."""
        return f"{self.path}={self.texts[self.choices.index(value)]}"


@dataclass(frozen=True)
class FactorSpread:
    """A factor with a continuous range or distribution; all numbers in its unit."""

    path: str
    unit: str
    """Empty for bare numbers."""
    kind: Distribution | Literal["linear", "log"]
    low: float
    """Lower end; minus infinity where there is none."""
    high: float
    """Upper end; infinity where there is none."""
    nominal: float
    """Mean, mode or median of a distribution."""
    width: float
    """Standard deviation of a distribution; of a lognormal one that of the logarithm [1]."""
    count: int
    """Values on a grid; 0 where not stated."""
    worded: ClassVar[bool] = False
    """Its values are numbers."""

    def at(self, share: float) -> float:
        """Return the value below which a share, 0 to 1, of the distribution, or of the range, lies.

        Times have four digits: the clock of a bench would have to be too fine for all those that are drawn.
        """
        value = self._quantile(share)
        return min(max(float(f"{value:.4g}") if _is_time(self.unit) else value, self.low), self.high)

    def levels(self) -> tuple[Value, ...]:
        """Return the values on a grid: evenly spread with both ends, or those of equally likely classes."""
        if self.kind in ("linear", "log"):
            return tuple(self.at(i / (self.count - 1)) for i in range(self.count))
        return tuple(self.at((i + 0.5) / self.count) for i in range(self.count))

    def setting(self, value: Value) -> str:
        """Return a value in the unit of the factor as ``path=value``."""
        return f"{self.path}={value!r} {self.unit}".rstrip()

    def _quantile(self, share: float) -> float:
        if self.kind in ("linear", "log") and share in (0.0, 1.0):
            return self.high if share else self.low
        if self.kind in ("linear", "uniform"):
            return self.low + share * (self.high - self.low)
        if self.kind == "log":
            return math.exp((1.0 - share) * math.log(self.low) + share * math.log(self.high))
        return self._triangular(share) if self.kind == "triangular" else self._bell(share)

    def _triangular(self, share: float) -> float:
        low, high, peak = self.low, self.high, self.nominal
        rising = (peak - low) / (high - low)
        if share < rising:
            return low + math.sqrt(share * (high - low) * (peak - low))
        return high - math.sqrt((1.0 - share) * (high - low) * (high - peak))

    def _bell(self, share: float) -> float:
        """Return a quantile of the normal or lognormal distribution between the ends."""
        logarithmic = self.kind == "lognormal"
        bell = NormalDist(math.log(self.nominal) if logarithmic else self.nominal, self.width)
        least, most = (_logarithm(end) if logarithmic else end for end in (self.low, self.high))
        below, above = bell.cdf(least), bell.cdf(most)
        inside = min(max(below + share * (above - below), _INSIDE), 1.0 - _INSIDE)
        value = bell.inv_cdf(inside)
        return math.exp(value) if logarithmic else value


Axis = Listed | FactorSpread


def listed(factor: Factor) -> Listed:
    """Return a factor with listed values or parts."""
    if factor.parts is not None:
        texts = tuple(json.dumps(part) for part in factor.parts)
        return Listed(f"{factor.path}.from", "", factor.parts, texts)
    values = factor.values or ()
    texts = tuple(_written(value) for value in values)
    found = _numbers(values)
    if found is None:
        return Listed(factor.path, "", tuple(_text(value) for value in values), texts)
    return Listed(factor.path, found[1], found[0], texts)


def spread(factor: Factor, nominal: Stated | None) -> FactorSpread:
    """Return a factor with a range or a distribution, its middle as stated, else the value of the scenario.

    A UnitError says which of its numbers do not go together.
    """
    stated = [s for s in (factor.low, factor.high, nominal, factor.spread) if s is not None and s.unit != "%"]
    unit = next((s.unit for s in stated), "")
    if not unit and any(s is not None and s.unit == "%" for s in (factor.low, factor.high, nominal)):
        unit = "%"
    low, high, middle = (None if s is None else s.to(unit or "1") for s in (factor.low, factor.high, nominal))
    if factor.distribution is None:
        assert low is not None and high is not None
        return _range(factor, unit, low, high)
    return _distribution(factor, unit, low, high, middle)


def _range(factor: Factor, unit: str, low: float, high: float) -> FactorSpread:
    if not low < high:
        raise UnitError(f"low must be below high, not {low:g} and {high:g} {unit}".rstrip())
    if factor.scale == "log" and low <= 0.0:
        raise UnitError(f"a log scale needs a low above 0, not {low:g} {unit}".rstrip())
    return FactorSpread(factor.path, unit, factor.scale, low, high, math.nan, math.nan, factor.count or 0)


def _distribution(
    factor: Factor, unit: str, low: float | None, high: float | None, middle: float | None
) -> FactorSpread:
    kind = factor.distribution
    assert kind is not None
    bounded = kind in ("uniform", "triangular")
    if middle is None and (factor.spread is not None or not bounded):
        raise UnitError("the scenario does not state this value, so there is no nominal one; state nominal")
    width = _width(factor, unit, middle) if middle is not None and factor.spread is not None else math.nan
    if bounded and factor.spread is not None:
        assert middle is not None
        low, high = middle - width, middle + width
    least = -math.inf if low is None else low
    most = math.inf if high is None else high
    if not least < most:
        raise UnitError(f"low must be below high, not {least:g} and {most:g} {unit}".rstrip())
    centre = 0.5 * (least + most) if middle is None else middle
    if not least <= centre <= most:
        raise UnitError(f"the nominal value {centre:g} {unit} lies outside low and high".replace("  ", " "))
    if kind == "lognormal" and centre <= 0.0:
        raise UnitError(f"lognormal needs a nominal value above 0, not {centre:g} {unit}".rstrip())
    return FactorSpread(factor.path, unit, kind, least, most, centre, width, factor.count or 0)


def _width(factor: Factor, unit: str, middle: float) -> float:
    stated = factor.spread
    assert stated is not None
    if not stated.value > 0:
        raise UnitError(f"a spread must be above 0, not {float(stated.value):g} {stated.unit}".rstrip())
    if factor.distribution == "lognormal":
        return stated.to("1")
    if stated.unit != "%":
        return stated.to(unit or "1")
    if middle == 0.0:
        raise UnitError("a spread in % of a nominal value of 0 is none; state it with its unit")
    return stated.to("1") * abs(middle)


@cache
def _is_time(unit: str) -> bool:
    try:
        Stated(Fraction(1), unit).to("s")
    except UnitError:
        return False
    return bool(unit)


def _logarithm(value: float) -> float:
    if value <= 0.0:
        return -math.inf
    return value if math.isinf(value) else math.log(value)


def _written(value: Plain) -> str:
    """Return a value as TOML."""
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool) else repr(value)


def _text(value: Plain) -> str:
    return value if isinstance(value, str) else _written(value)


def _numbers(values: tuple[Plain, ...]) -> tuple[tuple[float, ...], str] | None:
    """Return values as numbers in the unit of the first; nothing where they are not all of one dimension."""
    if any(isinstance(value, bool) for value in values):
        return None
    try:
        stated = [
            Stated(*parse_quantity(value)) if isinstance(value, str) else Stated(Fraction(repr(value)), "")
            for value in values
        ]
        unit = stated[0].unit
        if any(bool(entry.unit) != bool(unit) for entry in stated):
            return None
        numbers = tuple(entry.to(unit or "1") for entry in stated)
    except UnitError:
        return None
    return (numbers, unit) if len(set(numbers)) == len(numbers) else None
