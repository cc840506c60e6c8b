"""The expression grammar: values, precedence, dimensions, everything that is refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaftloop.analysis.uncertainty.dimensions import check_expression, describe, si_unit
from shaftloop.analysis.uncertainty.grammar import FUNCTIONS, LONGEST, ExpressionError, evaluate, parse

UNITS = {
    "R": "rev",
    "F": "N",
    "L": "m",
    "t": "s",
    "U": "V",
    "I": "A",
    "T": "N m",
    "w": "rpm",
    "phi": "deg",
    "x": "1",
}
NAMES = {name: si_unit(unit)[0] for name, unit in UNITS.items()}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1 + 2*3", 7.0),
        ("-3**2", -9.0),
        ("2**3**2", 512.0),
        ("2**-1", 0.5),
        ("8/4/2", 1.0),
        ("1 - 2 - 3", -4.0),
        ("--1 + +2", 3.0),
        ("2*(x + 1)", 8.0),
        ("1.5e-3*1E3 + .5 + 2.", 4.0),
        ("sin(pi/2) + hypot(3, 4) + min(1, x) + max(1, x)", 10.0),
        ("log(exp(2)) + log10(100) + sqrt(4) + abs(-1)", 7.0),
        ("atan2(1, 1)*4/pi", 1.0),
    ],
)
def test_values(text: str, value: float) -> None:
    assert evaluate(parse(text, ["x"]), {"x": 3.0}) == pytest.approx(value)


@given(st.recursive(
    st.sampled_from(["a", "b", "2", "0.5"]),
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(["+", "-", "*"]), inner).map("".join),
        inner.map(lambda text: f"({text})"),
        inner.map(lambda text: f"-{text}"),
        inner.map(lambda text: f"sin({text})"),
    ),
    max_leaves=20,
))  # fmt: skip
def test_agrees_with_python(text: str) -> None:
    values = {"a": 1.25, "b": -0.75}
    # The oracle; texts are made above and hold nothing but this arithmetic.
    wanted = eval(text, {"sin": math.sin, "__builtins__": {}}, values)
    try:
        program = parse(text, list(values))
    except ExpressionError as error:
        assert "nested more than" in str(error)
    else:
        assert float(evaluate(program, values)) == pytest.approx(wanted, rel=1e-12, abs=1e-12)


def test_a_long_sum_needs_no_depth() -> None:
    text = "+".join(["x"] * 900)
    assert len(text) < LONGEST and evaluate(parse(text, ["x"]), {"x": np.ones(3)}).tolist() == [900.0] * 3


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("R*F*L/t", "W"),
        ("T*w", "W"),
        ("T*w/(U*I)", "a plain number"),
        ("U*I + T*w", "W"),
        ("U/I", "ohm"),
        ("sqrt(L**2 + L*L)", "m"),
        ("L**(1/3)", "m^(1/3)"),
        ("L**-2", "1/m^2"),
        ("F*sin(phi)", "N"),
        ("atan2(L, L)", "a plain number"),
        ("x**x", "a plain number"),
        ("-abs(F)", "N"),
        ("L/t**2", "m/s^2"),
        ("L**2*t**-2/I", "m^2/(s^2 A)"),
        ("F/L**2", "Pa"),
    ],
)
def test_dimensions(text: str, unit: str) -> None:
    found = describe(check_expression(parse(text, list(NAMES)), NAMES))
    assert sorted(found) == sorted(unit)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("F + L", "at 3: m added to N"),
        ("F - L", "at 3: m subtracted from N"),
        ("max(F, L)", "at 1: N set beside m"),
        ("sin(F)", "at 1: sin of N; it takes an angle or a plain number"),
        ("exp(L)", "at 1: exp of m; it takes a plain number"),
        ("F**L", "at 2: an exponent of m; it must be a plain number"),
        ("F**x", "at 2: N to the power of a quantity"),
        ("F**1e3", "to the power of a quantity; the exponent must be a number"),
        ("F**(1/0)", "the exponent must be a number"),
    ],
)
def test_wrong_dimensions(text: str, message: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        check_expression(parse(text, list(NAMES)), NAMES)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "at 1: the expression ends where a number, a name or a bracket is due"),
        ("1 +", "at 4: the expression ends"),
        ("2x", 'at 2: "x" is not expected here; write * between'),
        ("(x", "at 3: a closing bracket is missing here"),
        ("x)", 'at 2: ")" is not expected here'),
        ("* 2", 'at 1: "*" stands where a number'),
        ("x^2", 'at 2: "^" is not known here; write ** for a power'),
        ("x % 2", "write 0.01 for 1 %"),
        ("yy + x", 'unknown name "yy"'),
        ("x = 2", "write only what stands to the right"),
        ("xx", 'at 1: unknown name "xx"; nearest: x'),
        ("lambda x: 1", "is not known here"),
        ("sin", "a function; write sin(...)"),
        ("x(2)", '"x" is no function; write * for a product'),
        ("eval(x)", 'unknown function "eval"; known: abs'),
        ("__import__('os')", "is not known here"),
        ("x.real", "attributes do not exist here"),
        ("x[0]", "write round brackets"),
        ("sin(x, x)", "sin takes 1 value(s), not 2"),
        ("hypot(x)", "hypot takes 2 value(s), not 1"),
        ("(" * 50 + "x" + ")" * 50, "nested more than 40 levels deep"),
        ("-" * 60 + "x", "nested more than 40 levels deep"),
        ("x+" * 1000 + "x", "2001 characters; at most 2000"),
        ("x\n+\x00", "is not known here"),
        ("٣", "is not known here"),
    ],
)
def test_refused(text: str, message: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse(text, ["x"])
    assert message in str(caught.value)


def test_every_function_is_of_numpy_but_the_ice_point() -> None:
    others = {name for name, function in FUNCTIONS.items() if not isinstance(function, np.ufunc)}
    assert others == {"kelvin"}
    np.testing.assert_array_equal(FUNCTIONS["kelvin"](np.array([-273.15, 0.0])), [0.0, 273.15])


TEMPERATURES = {name: si_unit(unit)[0] for name, unit in {"t": "°C", "t0": "degC", "dt": "K"}.items()}


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("t - t0", "K"),
        ("t + dt", "a temperature in °C"),
        ("dt + t", "a temperature in °C"),
        ("t - dt", "a temperature in °C"),
        ("max(t, t0)", "a temperature in °C"),
        ("t0 + 0.5*(t - t0)", "a temperature in °C"),
        ("kelvin(t)", "K"),
        ("kelvin(t)/dt", "a plain number"),
    ],
)
def test_temperatures_on_the_celsius_scale(text: str, unit: str) -> None:
    assert describe(check_expression(parse(text, list(TEMPERATURES)), TEMPERATURES)) == unit


@pytest.mark.parametrize(
    "text",
    ["t + t0", "dt - t", "2*t", "t*2", "1/t", "t/t", "-t", "t**2", "sqrt(t)", "exp(t)", "hypot(t, t0)"],
)
def test_a_temperature_in_celsius_is_no_amount(text: str) -> None:
    with pytest.raises(
        ExpressionError, match=r"write kelvin\(\.\.\.\) around it, or, where it is a difference"
    ):
        check_expression(parse(text, list(TEMPERATURES)), TEMPERATURES)


def test_kelvin_of_something_else_is_refused() -> None:
    with pytest.raises(ExpressionError, match="at 1: kelvin of K; it takes a temperature in °C"):
        check_expression(parse("kelvin(dt)", list(TEMPERATURES)), TEMPERATURES)
