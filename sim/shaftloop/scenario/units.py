"""Text with a unit -> number in SI units.

A unit is a product of names that stand in ``units.txt``. Everything is computed with fractions, so a
period stays exact (``19.2 kHz``) and a float is the one nearest to the stated decimal. Not by pint:
its import and registry took as long as all else in reading a scenario.
"""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path

__all__ = ["NUMBER_PATTERN", "Stated", "UnitError", "parse_quantity", "read_quantity", "unit_factor"]

NUMBER_PATTERN = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"

_QUANTITY = re.compile(rf"({NUMBER_PATTERN})\s*(.*)", re.DOTALL)
_FACTOR = re.compile(r"\s*[*·⋅]?\s*(?:([A-Za-z]+)(?:(?:\^|\*\*)([1-9]))?|1)(?![A-Za-z0-9^])")
_SPELLINGS = {
    "√Hz": "rtHz", "%": "percent", "°C": "degC", "°": "deg", "Ω": "ohm", "\u2126": "ohm", "µ": "u", "μ": "u",
    "²": "^2", "³": "^3", "⁴": "^4", "\u00a0": " ", "\u202f": " ",
}  # fmt: skip
_MAX_DIGITS = 40
_MAX_EXPONENT = 30
_HABITS = {
    "u/min": "rpm", "r/min": "rpm", "min-1": "rpm", "min^-1": "rpm", "s-1": "1/s", "s^-1": "1/s",
    "rps": "rev/s", "sps": "Hz", "sec": "s",
}  # fmt: skip
"""Spellings, in lower case, that people bring along, and what is written here."""

_CURRENCIES = ("EUR", "USD", "GBP", "CHF", "JPY")

_FRIENDLY = {
    "1": "a bare number or %",
    "rad/s": "rpm or rad/s",
    "rad/s^2": "rpm/s or rad/s^2",
    "sample": "samples",
    **{f"{money}/J": f"{money}/kWh" for money in _CURRENCIES},
}


_Unit = tuple[tuple[tuple[str, Fraction], ...], Fraction]
"""Dimension, as sorted (base, exponent), and factor to base units."""


class UnitError(ValueError):
    """A text that is no quantity of the wanted kind; the message says what to write instead."""


@dataclass(frozen=True)
class Stated:
    """A number as it is stated, for a field whose dimension depends on what another one names."""

    value: Fraction
    """In `unit`."""
    unit: str
    """As stated; empty for a bare number."""

    def to(self, unit: str) -> float:
        """Return the number in a unit, of a bare number ``1``; other dimensions are a UnitError."""
        if not self.unit and unit != "1":
            raise UnitError(f"the unit is missing; {_expected((unit,))}")
        dimension, factor = unit_factor(self.unit or "1")
        wanted, scale = unit_factor(unit)
        if dimension != wanted or (unit == "%" and self.unit == "1"):
            raise UnitError(
                f"the unit {self.unit} does not fit; {_expected((unit,))}{_hint(self.unit, (unit,))}"
            )
        return float(self.value * factor / scale)


@lru_cache(maxsize=1024)
def read_quantity(text: str, units: tuple[str, ...]) -> tuple[Fraction, str]:
    """Return a number in SI units, and the one of some units, each of another dimension, that its text has.

    A UnitError says that the text, ``"0.021 kg m^2"``, is no number with a unit, or which is unknown or does
    not fit.
    """
    number, unit = parse_quantity(text, units)
    dimension, factor = unit_factor(unit)
    for admitted in units:
        wanted, scale = unit_factor(admitted)
        if dimension == wanted:
            return number * factor / scale, admitted
    raise UnitError(f"the unit {unit} does not fit; {_expected(units)}{_hint(unit, units)}")


def parse_quantity(text: str, units: tuple[str, ...] = ()) -> tuple[Fraction, str]:
    """Split a text into its number and its unit, which is known but may be of any dimension.

    `units` are suggested in the messages.
    """
    text = text.strip()
    if re.match(r"[+-]?[0-9]*,[0-9]", text):
        raise UnitError("a comma in a number; write a decimal point and no thousands separators")
    if re.match(r"[+-]?(nan|inf)", text, re.IGNORECASE):
        raise UnitError("not a finite number")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"not a number with a unit; {_expected(units)}")
    digits, unit = match.groups()
    if re.match(r"[.,_02-9]|1[^/]", unit):
        raise UnitError(f"not a number with a unit; {_expected(units)}")
    if not unit:
        raise UnitError(f"the unit is missing; {_expected(units)}")
    try:
        unit_factor(unit)
    except UnitError as error:
        raise UnitError(f"{error}; {_expected(units)}") from None
    return _exact(digits), unit


def _exact(digits: str) -> Fraction:
    mantissa, _, exponent = digits.lower().partition("e")
    if len(mantissa) > _MAX_DIGITS or len(exponent) > 4 or abs(int(exponent or 0)) > _MAX_EXPONENT:
        raise UnitError(
            f"the number is too long: at most {_MAX_DIGITS} digits and an exponent within ±{_MAX_EXPONENT}"
        )
    return Fraction(digits)


@lru_cache(maxsize=1024)
def unit_factor(unit: str) -> _Unit:
    """Return the dimension of a unit, as sorted (base, exponent), and its factor to base units.

    Raises
    ------
    UnitError
        Where a name is unknown or the text is no product of units.
    """
    plain = unit.strip()
    for spelling, name in _SPELLINGS.items():
        plain = plain.replace(spelling, name)
    if plain.lower() in _HABITS:
        raise UnitError(f"unknown unit {_shown(unit)}; write {_HABITS[plain.lower()]}")
    over, slash, under = plain.partition("/")
    under = under.strip()
    bracketed = under.startswith("(") and under.endswith(")")
    factors_under = _factors(under[1:-1] if bracketed else under, unit)
    if len(factors_under) > 1 and not bracketed:
        raise UnitError(
            f"{_shown(unit)} can be read in two ways; write brackets below the line, as in a/(b c)"
        )
    if slash and not factors_under:
        raise UnitError(f"unknown unit {_shown(unit)}; nothing stands below the line")
    factors_over = _factors(over, unit)
    alone = len(factors_over) == 1 and factors_over[0][1] == 1 and not factors_under
    factors = [*factors_over, *((name, -power) for name, power in factors_under)]
    known = _units()
    return _product((known["K" if name == "degC" and not alone else name], power) for name, power in factors)


def _product(factors: Iterable[tuple[_Unit, int]]) -> _Unit:
    """Return dimension and factor of a product of powers."""
    dimension: dict[str, Fraction] = {}
    worth = Fraction(1)
    for (bases, factor), power in factors:
        worth *= factor**power
        for base, exponent in bases:
            dimension[base] = dimension.get(base, Fraction(0)) + exponent * power
    return tuple(sorted((base, exponent) for base, exponent in dimension.items() if exponent)), worth


def _factors(product: str, unit: str) -> list[tuple[str, int]]:
    """Split a product of units into (name, power), checked against the known names."""
    factors = []
    position, product = 0, product.strip()
    while position < len(product):
        match = _FACTOR.match(product, position)
        if match is None:
            raise UnitError(f"unknown unit {_shown(unit)}; write a product such as N m s/rad or kg m^2")
        position = match.end()
        if match[1]:
            factors.append((_known(match[1]), int(match[2] or 1)))
    return factors


def _known(name: str) -> str:
    names = _names()
    if name in names:
        return name
    same = [known for known in names if known.lower() == name.lower()]
    near = same or difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    if name.lower() in _HABITS:
        advice = f"; write {_HABITS[name.lower()]}"
    elif not same and re.fullmatch("[A-Z]{3}", name):
        advice = "; convert a price to a currency that is known"
    elif near:
        advice = f"; nearest: {near[0]}"
    else:
        advice = f"; known: {', '.join(name for name in names if len(name) < 5)}"
    raise UnitError(f"unknown unit {_shown(name)}{advice}")


def _expected(units: tuple[str, ...]) -> str:
    if not units:
        return 'write it as, e.g., "1.5 kHz"'
    return "expected " + " or ".join(_FRIENDLY.get(unit, unit) for unit in units)


def _hint(unit: str, units: tuple[str, ...]) -> str:
    dimension, _ = unit_factor(unit)
    per_time = unit_factor("1/s")[0]
    if dimension == per_time and "rad/s" in units:
        return ": for a speed write rpm"
    if dimension == per_time and "Hz" in units:
        return ": for a frequency write Hz"
    if "Hz" in units and dimension == unit_factor("rad/s")[0]:
        return ": a speed is no frequency"
    if "N m" in units and dimension == unit_factor("J")[0]:
        return ": for a torque write N m"
    if "N m" in units and unit.strip() == "nm":
        return ": nm is a length; for a torque write Nm"
    if "N m/rad" in units and dimension == unit_factor("N m")[0]:
        return ": a stiffness is a torque per angle"
    if "K" in units and dimension == unit_factor("degC")[0]:
        return ": a difference of temperatures is written in K"
    return ""


def _shown(text: str) -> str:
    return ascii(text[:40]) if not text.isprintable() else f'"{text[:40]}"'


@cache
def _units() -> dict[str, _Unit]:
    """Return dimension and factor of every name in ``units.txt``, which is defined by names above it."""
    units: dict[str, _Unit] = {}
    for line in Path(__file__).with_name("units.txt").read_text(encoding="utf-8").splitlines():
        name, *stated = (part.strip() for part in line.partition("#")[0].split("="))
        if stated:
            definition, *symbols = stated
            units |= dict.fromkeys((name, *symbols), _defined(definition, units))
    return units


def _defined(definition: str, units: dict[str, _Unit]) -> _Unit:
    if definition.startswith("["):
        return ((definition, Fraction(1)),), Fraction(1)
    factors = []
    for over, term, power in re.findall(r"(/?)\s*([\w.]+)(?: \*\* ([1-9]))?", definition):
        unit = units[term] if term in units else ((), Fraction(term))
        factors.append((unit, int(power or 1) * (-1 if over == "/" else 1)))
    return _product(factors)


@cache
def _names() -> tuple[str, ...]:
    """Return the accepted spellings: symbols where there is one, and long names."""
    return tuple(name for name in _units() if re.fullmatch("[A-Za-z]+", name))
