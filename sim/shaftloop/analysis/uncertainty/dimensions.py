"""Dimension analysis of expressions.

Dimensions are those of the SI: a volt is a kg m²/(s³ A), so that N m/s and W agree; a hertz is 1/s; and an
angle is a number, so that torque times speed is a power: 1 rad counts as 1, 1 rev as 2π, 1 rpm as 2π/60 1/s.
Scenario files keep angle, hertz and volt apart (`shaftloop.scenario.units`); in a measurement function that
would leave a radian over in every power.

A temperature in °C is a place on a scale and no amount: two of them have a difference, in K, and with a
difference added it is another one. Whatever else needs it in kelvins: ``kelvin(T)``.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction

from shaftloop.analysis.uncertainty.grammar import ExpressionError, Instruction
from shaftloop.scenario.units import unit_factor

__all__ = ["CELSIUS", "KELVIN", "Dimension", "check_expression", "describe", "si_unit"]

Dimension = tuple[tuple[str, Fraction], ...]
"""Exponents of the base dimensions that are not 0, sorted by name."""

CELSIUS: Dimension = (("[celsius_temperature]", Fraction(1)),)
KELVIN: Dimension = (("[temperature]", Fraction(1)),)
_NUMBER: Dimension = ()
_SI: dict[str, dict[str, int]] = {
    "[voltage]": {"[mass]": 1, "[length]": 2, "[time]": -3, "[current]": -1},
    "[angle]": {},
    "[sample]": {},
}
_HALVES = {"[frequency]": Fraction(-1), "[root_frequency]": Fraction(-1, 2)}
_UNITS = {
    "[mass]": "kg", "[length]": "m", "[time]": "s", "[current]": "A", "[temperature]": "K",
}  # fmt: skip
_KNOWN = ("N m", "N", "W", "V", "ohm", "Pa", "J")
_ALIKE = ("+", "-", "max", "min", "hypot", "atan2")
_PLAIN = ("acos", "asin", "atan", "cos", "cosh", "exp", "log", "log10", "sin", "sinh", "tan", "tanh")


def si_unit(unit: str) -> tuple[Dimension, Fraction]:
    """Return the dimension of a unit, empty for a plain number, and its factor to SI units."""
    bases, factor = unit_factor(unit) if unit else ((), Fraction(1))
    exponents: dict[str, Fraction] = {}
    for base, power in bases:
        if base in _HALVES:
            parts = {"[time]": _HALVES[base]}
        else:
            parts = {name: Fraction(count) for name, count in _SI.get(base, {base: 1}).items()}
        for name, count in parts.items():
            exponents[name] = exponents.get(name, Fraction(0)) + count * power
    return _sorted(exponents), factor


def describe(dimension: Dimension) -> str:
    """Return a dimension as a unit that people know."""
    if not dimension:
        return "a plain number"
    if dimension == CELSIUS:
        return "a temperature in °C"
    for unit in _KNOWN:
        if si_unit(unit)[0] == dimension:
            return unit
    over = [_power(base, power) for base, power in dimension if power > 0]
    under = [_power(base, -power) for base, power in dimension if power < 0]
    line = " ".join(over) or "1"
    return line if not under else f"{line}/({' '.join(under)})" if len(under) > 1 else f"{line}/{under[0]}"


def check_expression(program: Sequence[Instruction], names: Mapping[str, Dimension]) -> Dimension:
    """Return the dimension of the value of an expression; an ExpressionError says where it has none."""
    # A power needs to know its exponent: with each dimension stands the value, where it is a plain constant.
    stack: list[tuple[Dimension, float | None]] = []
    for step in program:
        if step.code == "number":
            stack.append((_NUMBER, step.value))
        elif step.code == "name":
            stack.append((names[step.name], None))
        else:
            arguments = stack[-step.arity :]
            del stack[-step.arity :]
            stack.append(_apply(step, arguments))
    return stack[0][0]


def _apply(
    step: Instruction, arguments: list[tuple[Dimension, float | None]]
) -> tuple[Dimension, float | None]:
    code, (first, value) = step.code, arguments[0]
    second, other = arguments[-1]
    if CELSIUS in (first, second):
        return _of_celsius(step, first, second), None
    if code in _ALIKE:
        if first != second:
            word = {"+": "added to", "-": "subtracted from"}.get(code, "set beside")
            left, right = (second, first) if code in "+-" else (first, second)
            raise ExpressionError(f"at {step.position}: {describe(left)} {word} {describe(right)}")
        return (_NUMBER if code == "atan2" else first), None
    if code in _PLAIN:
        if first:
            kind = "an angle or a plain number" if code in ("cos", "sin", "tan") else "a plain number"
            raise ExpressionError(f"at {step.position}: {code} of {describe(first)}; it takes {kind}")
        return _NUMBER, None
    if code == "negate":
        return first, None if value is None else -value
    if code == "abs":
        return first, None
    if code == "kelvin":
        raise ExpressionError(
            f"at {step.position}: kelvin of {describe(first)}; it takes a temperature in °C"
        )
    if code == "sqrt":
        return _raised(first, Fraction(1, 2)), None
    if code == "**":
        return _power_of(step, first, second, value, other)
    sign = 1 if code == "*" else -1
    exponents = dict(first)
    for base, power in second:
        exponents[base] = exponents.get(base, Fraction(0)) + sign * power
    return _sorted(exponents), _constant(code, value, other)


def _of_celsius(step: Instruction, first: Dimension, second: Dimension) -> Dimension:
    """Return the dimension of what is made of temperatures in °C, where that means something."""
    if step.code == "kelvin" or (step.code == "-" and first == second):
        return KELVIN
    sums = {"+": ((CELSIUS, KELVIN), (KELVIN, CELSIUS)), "-": ((CELSIUS, KELVIN),)}
    if (first, second) in sums.get(step.code, ()) or (step.code in ("max", "min") and first == second):
        return CELSIUS
    raise ExpressionError(
        f"at {step.position}: {step.code} of a temperature in °C; write kelvin(...) around it, or, "
        "where it is a difference, state it in K"
    )


def _constant(code: str, value: float | None, other: float | None) -> float | None:
    """Return the product or quotient of two constants, such as an exponent written 1/3."""
    if value is None or other is None or (code == "/" and not other):
        return None
    return value * other if code == "*" else value / other


def _power_of(
    step: Instruction, first: Dimension, second: Dimension, value: float | None, other: float | None
) -> tuple[Dimension, float | None]:
    if second:
        raise ExpressionError(
            f"at {step.position}: an exponent of {describe(second)}; it must be a plain number"
        )
    if not first:
        return _NUMBER, None
    if other is None or abs(other) > 100.0:
        raise ExpressionError(
            f"at {step.position}: {describe(first)} to the power of a quantity; the exponent must be a number"
        )
    return _raised(first, Fraction(other).limit_denominator(1000)), None


def _raised(dimension: Dimension, exponent: Fraction) -> Dimension:
    return _sorted({base: power * exponent for base, power in dimension})


def _sorted(exponents: Mapping[str, Fraction]) -> Dimension:
    return tuple(sorted((base, power) for base, power in exponents.items() if power))


def _power(base: str, power: Fraction) -> str:
    name = _UNITS[base]
    if power == 1:
        return name
    return f"{name}^{power}" if power.denominator == 1 else f"{name}^({power})"
