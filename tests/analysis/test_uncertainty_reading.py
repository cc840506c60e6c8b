"""Measurement files: every way to state a quantity, and everything that is refused."""

import math
from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.uncertainty.evaluation import evaluate_both
from shaftloop.analysis.uncertainty.model import Input
from shaftloop.analysis.uncertainty.propagation import propagate
from shaftloop.analysis.uncertainty.reading import (
    MeasurementFile,
    is_measurement_file,
    read_measurement_file,
)
from shaftloop.errors import ScenarioError, SimulationError

MEASURE = '\n[[measurement]]\nname = "y"\nexpression = "{}"\nunit = "{}"\n'


def read(folder: Path, text: str) -> MeasurementFile:
    path = folder / "m.toml"
    path.write_text(text, encoding="utf-8")
    return read_measurement_file(path)


def quantity(folder: Path, table: str, unit: str = "N m") -> Input:
    return read(folder, f"[quantity.x]\n{table}" + MEASURE.format("x", unit)).measurement.inputs[0]


@pytest.mark.parametrize(
    ("table", "kind", "u"),
    [
        ('value = "5 N m"', "constant", 0.0),
        ('value = "5 N m"\nstandard_uncertainty = "20 mN m"', "normal", 0.02),
        ('value = "5 N m"\nstandard_uncertainty = "0.4 %"', "normal", 0.02),
        ('value = 5\nunit = "N m"\nstandard_deviation = 0.02', "normal", 0.02),
        ('value = "5 N m"\nexpanded_uncertainty = "40 mN m"\ncoverage_factor = 2', "normal", 0.02),
        ('value = "5 N m"\nexpanded_uncertainty = "40 mN m"\ncoverage = "95 %"', "normal", 0.04 / 1.959964),
        (
            'value = "5 N m"\nexpanded_uncertainty = "40 mN m"\ncoverage = 0.95\ndof = 9',
            "normal",
            0.04 / 2.262157,
        ),
        (
            'value = "5 N m"\ndistribution = "rectangular"\nhalf_width = "0.3 N m"',
            "rectangular",
            0.3 / 3**0.5,
        ),
        ('distribution = "rectangular"\nlower = "4.7 N m"\nupper = "5.3 N m"', "rectangular", 0.3 / 3**0.5),
        (
            'value = "5 N m"\ndistribution = "rectangular"\nstandard_uncertainty = "0.3 N m"',
            "rectangular",
            0.3,
        ),
        ('value = "5 N m"\ndistribution = "triangular"\nhalf_width = "0.3 N m"', "triangular", 0.3 / 6**0.5),
        (
            'distribution = "triangular"\nlower = "5 N m"\nupper = "8 N m"\npeak = "5 N m"',
            "triangular",
            3.0 / 18**0.5,
        ),
        ('value = "5 N m"\ndistribution = "arcsine"\nhalf_width = "0.3 N m"', "arcsine", 0.3 / 2**0.5),
        ('value = "-5 N m"\ndistribution = "arcsine"\nhalf_width = "6 %"', "arcsine", 0.3 / 2**0.5),
        (
            'value = "5 N m"\ndistribution = "trapezoidal"\nhalf_width = "0.3 N m"\n'
            'top_half_width = "0.15 N m"',
            "trapezoidal",
            0.3 * math.sqrt(1.25 / 6.0),
        ),
        (
            'value = "5 N m"\ndistribution = "curvilinear_trapezoid"\nhalf_width = "0.3 N m"\n'
            'margin = "0.1 N m"',
            "curvilinear trapezoid",
            math.sqrt(0.03 + 0.01 / 9.0),
        ),
        ('value = "5 N m"\ndistribution = "t"\nstandard_uncertainty = "0.3 N m"\ndof = 4', "t", 0.3),
        ('value = "5 N m"\ndistribution = "t"\nstandard_deviation = "0.3 N m"\ndof = 4', "t", 0.3 / 2**0.5),
        ('value = "5 N m"\ndistribution = "exponential"', "exponential", 5.0),
        ('value = "5 N m"\ndistribution = "gamma"\nstandard_uncertainty = "1 N m"', "gamma", 1.0),
        ('value = "5 N m"\ndistribution = "lognormal"\nstandard_uncertainty = "1 N m"', "lognormal", 1.0),
        ('readings = ["1 N m", "2 N m", "3 N m"]', "readings", 1.0 / 3**0.5),
        ('readings = [1, 2, 3]\nunit = "N m"\ndistribution = "t"', "readings", 1.0 / 3**0.5),
    ],
)
def test_ways_to_state_a_quantity(tmp_path: Path, table: str, kind: str, u: float) -> None:
    found = quantity(tmp_path, table)
    assert found.distribution.kind == kind
    assert found.uncertainty == pytest.approx(u, rel=1e-6)
    assert found.unit == "N m"


def test_density_of_air_from_a_temperature_in_celsius(tmp_path: Path) -> None:
    """p/(R·T) of dry air at 20 °C and 1013.25 hPa: 1.204 kg/m³; an uncertainty in °C is one in K."""
    text = (
        'quantity.p = { value = "1013.25 hPa" }\nquantity.R = { value = "287.05 J/(kg K)" }\n'
        'quantity.T = { value = "20 °C", standard_uncertainty = "0.5 degC" }\n'
    )
    budget = propagate(read(tmp_path, text + MEASURE.format("p/(R*kelvin(T))", "kg/m^3")).measurement)["y"]
    assert budget.value == pytest.approx(1.20412, abs=1e-5)
    assert budget.uncertainty == pytest.approx(1.20412 * 0.5 / 293.15, rel=1e-4)
    with pytest.raises(ScenarioError, match=r"of a temperature in °C; write kelvin"):
        read(tmp_path, text + MEASURE.format("p/(R*T)", "kg/m^3"))
    with pytest.raises(ScenarioError, match="a plain number where K is due"):
        read(tmp_path, text.replace("0.5 degC", "1 %") + MEASURE.format("T", "°C"))
    with pytest.raises(ScenarioError, match='"degC" does not fit: the expression is K'):
        read(tmp_path, text + MEASURE.format("T - T", "degC"))


def test_degrees_of_freedom_from_reliability(tmp_path: Path) -> None:
    """JCGM 100, table E.1 and G.4.2: 10 % make 50, 50 % make 2."""
    text = 'value = "5 N m"\nstandard_uncertainty = "1 N m"\nreliability = "{}"\nmeaning = "what it is"'
    assert quantity(tmp_path, text.format("10 %")).dof == pytest.approx(50.0)
    found = quantity(tmp_path, text.format("50 %"))
    assert found.dof == pytest.approx(2.0) and found.meaning == "what it is"


def test_units_meet_in_the_expression(tmp_path: Path) -> None:
    text = """
quantity.T = { value = "2 kN m", standard_uncertainty = "0.1 %" }
quantity.n = { value = "600 rpm" }
quantity.U = { value = "400 V" }
quantity.I = { value = "350 A" }
[[measurement]]
name = "P"
expression = "T*n"
unit = "kW"
[[measurement]]
name = "eta"
expression = "P/(U*I)"
unit = "%"
"""
    file = read(tmp_path, text)
    power, efficiency = evaluate_both(file.measurement, file.plan).propagation.budgets
    assert power.value == pytest.approx(2.0 * 600.0 * math.pi / 30.0)
    assert power.uncertainty == pytest.approx(1e-3 * power.value)
    assert efficiency.value == pytest.approx(100.0 * power.value / 140.0)
    assert file.expressions == ("T*n", "P/(U*I)") and is_measurement_file(tmp_path / "m.toml")


def test_plan(tmp_path: Path) -> None:
    text = 'title = "A"\ncoverage = "99 %"\ncoverage_factor = 3\n'
    text += "quantity.x = { value = 1, standard_uncertainty = 0.1 }\n"
    text += '[monte_carlo]\ntrials = 5000\nseed = 7\ndigits = 1\ninterval = "shortest"' + MEASURE.format(
        "x", "1"
    )
    file = read(tmp_path, text)
    plan = file.plan
    assert (plan.coverage, plan.factor, plan.trials, plan.seed, plan.digits) == (0.99, 3.0, 5000, 7, 1)
    assert plan.interval == "shortest" and file.title == "A"
    found = evaluate_both(file.measurement, plan)
    # The interval has the probability that belongs to the stated factor.
    assert found.sampled.coverage == found.propagation.budgets[0].coverage == pytest.approx(0.9973, abs=1e-4)


NORMAL = "".join(f"quantity.{name} = {{ value = 0, standard_uncertainty = 1 }}\n" for name in "xz")


@pytest.mark.parametrize(
    ("expression", "low", "high", "message"),
    [
        ("abs(x - 0.3*z)", 0.0313 * 1.09**0.5, 2.2414 * 1.09**0.5, "no usable derivative by x"),
        ("abs(x) + 0.5*x", 0.0235, 2.940, "no usable derivative by x"),
        ("sqrt(abs(x))", 0.0313**0.5, 2.2414**0.5, "no usable derivative by x"),
        ("x/z", -12.706, 12.706, "no value at the best estimates"),
    ],
)
def test_monte_carlo_alone_where_there_is_no_budget(
    tmp_path: Path, expression: str, low: float, high: float, message: str
) -> None:
    """Half-normal, 1.5x above and x/2 below, root of a half-normal, Cauchy: quantiles of 2.5 and 97.5 %."""
    text = NORMAL + MEASURE.format(expression, "1")
    file = read(tmp_path, text)
    with pytest.raises(SimulationError, match=message) as caught:
        evaluate_both(file.measurement, file.plan)
    assert "alone = true under [monte_carlo], or `alone`" in str(caught.value)
    alone = read(tmp_path, text + "[monte_carlo]\nalone = true\ntrials = 400000\n")
    found = evaluate_both(alone.measurement, alone.plan)
    assert found.propagation is None and found.verdicts == ()
    (stated,) = found.stated
    assert stated.by == "monte_carlo"
    assert (stated.low, stated.high) == (
        pytest.approx(low, abs=0.02 * abs(high - low)),
        pytest.approx(high, abs=0.02 * abs(high - low)),
    )
    assert stated.expanded == 0.5 * (stated.high - stated.low)


def test_monte_carlo_alone_has_no_coverage_factor(tmp_path: Path) -> None:
    file = read(
        tmp_path, "coverage_factor = 2\n" + NORMAL + MEASURE.format("x", "1") + "[monte_carlo]\nalone = true"
    )
    with pytest.raises(ScenarioError, match="coverage_factor 2 belongs to a budget"):
        evaluate_both(file.measurement, file.plan)
    with pytest.raises(ScenarioError, match="alone: 1 is neither true nor false"):
        read(tmp_path, NORMAL + MEASURE.format("x", "1") + "[monte_carlo]\nalone = 1")


def test_k_beside_a_distribution_without_standard_deviation(tmp_path: Path) -> None:
    """Three readings have 2 degrees of freedom: k is of the budget's u, and alone there is none."""
    text = (
        "quantity.x = { readings = [1, 2, 3] }\n"
        'quantity.z = { value = 0, distribution = "rectangular", half_width = 5 }\n'
    )
    text += MEASURE.format("x + z", "1") + "[monte_carlo]\ntrials = 400000\n"
    both, alone = (read(tmp_path, text + more) for more in ("", "alone = true\n"))
    (stated,) = evaluate_both(both.measurement, both.plan).stated
    assert stated.by == "monte_carlo"
    assert stated.uncertainty == pytest.approx(math.hypot(3.0**-0.5, 5.0 * 3.0**-0.5))
    assert stated.factor == pytest.approx(stated.expanded / stated.uncertainty)
    assert evaluate_both(alone.measurement, alone.plan).stated[0].factor is None


MULTIMETER = """
quantity.shown = { value = "100.1 V" }
quantity.step = { value = "0 V", distribution = "rectangular", half_width = "0.05 V" }
quantity.standard = { value = "100 V", expanded_uncertainty = "0.2 mV", coverage_factor = 2 }
"""


def test_one_rectangular_part_rules(tmp_path: Path) -> None:
    """Of a rectangle 95 % lie within 0.95 of its half width: k = 0.95·√3 = 1.645 and not 1.96."""
    text = MULTIMETER + MEASURE.format("shown + step - standard", "V")
    file = read(tmp_path, text + "[monte_carlo]\ntrials = 400000\n")
    found = evaluate_both(file.measurement, file.plan)
    (stated,) = found.stated
    assert found.propagation is not None and found.propagation["y"].factor == pytest.approx(1.96, abs=1e-3)
    assert stated.by == "monte_carlo"
    assert stated.factor == pytest.approx(0.95 * 3**0.5, abs=2e-3)
    assert stated.expanded == pytest.approx(0.0475, abs=1e-4)
    wanted = read(tmp_path, "coverage_factor = 2\n" + text + "[monte_carlo]\ntrials = 400000\n")
    (as_asked,) = evaluate_both(wanted.measurement, wanted.plan).stated
    assert (as_asked.by, as_asked.factor) == ("budget", pytest.approx(2.0))
    normal = read(tmp_path, NORMAL + MEASURE.format("x + z", "1") + "[monte_carlo]\ntrials = 400000\n")
    assert evaluate_both(normal.measurement, normal.plan).stated[0].by == "budget"


def test_two_quantities_and_their_coefficient(tmp_path: Path) -> None:
    text = "quantity.a = { value = 1, standard_uncertainty = 0.1 }\n"
    text += "quantity.b = { value = 1, standard_uncertainty = 0.2 }\n"
    text += '[[correlation]]\nbetween = ["a", "b"]\ncoefficient = "-50 %"' + MEASURE.format("a + b", "1")
    assert np.allclose(read(tmp_path, text).measurement.correlation, [[1.0, -0.5], [-0.5, 1.0]])


def test_warnings(tmp_path: Path) -> None:
    text = 'quantity.R = { value = "1202 rev" }\nquantity.t = { value = "60 s" }\nquantity.z = { value = 1 }'
    text += MEASURE.format("2*pi*R/t", "rpm")
    idle, twice = read(tmp_path, text).warnings
    assert "quantity.z: no measurement uses it" in idle
    assert "R is in rev, which is 2*pi already" in twice


X = '[quantity.x]\nvalue = "5 N m"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            X + 'distribution = "rectangular"',
            "quantity.x.half_width: missing: the width of a rectangular distribution",
        ),
        (
            X + 'distribution = "normal"',
            "missing: the width of a normal distribution; write standard_uncertainty",
        ),
        (X + 'distribution = "trapezoidal"\nhalf_width = "1 N m"', "missing: half the width of the top"),
        (X + 'distribution = "trapezoidal"', "missing: the width of a trapezoidal distribution"),
        (
            X + 'distribution = "curvilinear_trapezoid"\nhalf_width = "1 N m"',
            "missing: ± within which the limits",
        ),
        (X + 'distribution = "t"\nstandard_uncertainty = "1 N m"', "missing: the degrees of freedom of a t"),
        (X + 'distribution = "t"\nstandard_deviation = "1 N m"\ndof = 2', "only above 2 degrees of freedom"),
        (X + 'distribution = "bell"', '"bell" is not one of: normal'),
        (X + 'half_width = "1 N m"', "limits without a distribution"),
        (
            X + 'standard_uncertainty = "1 N m"\ndof = 0.5',
            "0.5 degrees of freedom; allowed: a number of at least 1",
        ),
        (X + 'standard_uncertainty = "1 N m"\nreliability = 0.9', "0.9 is out of range; allowed: above 0"),
        (X + 'standard_uncertainty = "1 N m"\nreliability = 0.1\ndof = 3', "give either dof or reliability"),
        (X + "dof = 3", "degrees of freedom without an uncertainty"),
        (X + 'distribution = "exponential"\nhalf_width = "1 N m"', "has no meaning for exponential"),
        (X + 'peak = "5 N m"', "has no meaning for constant; leave it out or state a distribution"),
        (X + 'standard_uncertainty = "1 kg"', '"1 kg": kg where N m is due'),
        (X + "standard_uncertainty = 0.1", "0.1 has no unit; write it in quotes with one"),
        (X + 'standard_uncertainty = "-1 N m"', "must be above 0"),
        (X + "standard_uncertainty = true", "True is no finite number"),
        (X + 'standard_uncertainty = "1"', "the unit is missing"),
        (
            X + 'standard_uncertainty = "1 N m"\nexpanded_uncertainty = "1 N m"',
            "give either standard_uncertainty or",
        ),
        (X + 'expanded_uncertainty = "1 N m"', "coverage_factor: missing: k of the expanded uncertainty"),
        (X + 'expanded_uncertainty = "1 N m"\ncoverage_factor = 0', "0 is out of range; allowed: 0.1 to 100"),
        (X + 'expanded_uncertainty = "1 N m"\ncoverage = 1', "coverage 1 is out of range"),
        (X + 'expanded_uncertainty = "1 N m"\ncoverage_factor = "2 N"', "N where a plain number is due"),
        (X + 'expanded_uncertainty = "1 N m"\ncoverage_factor = "2"', "the unit is missing"),
        (X + 'expanded_uncertainty = "1 N m"\ncoverage_factor = nan', "nan is no finite number"),
        (X + "width = 3", "unknown key"),
        (X + "meaning = 3", "3 is no text"),
        (
            X + 'lower = "1 N m"\nupper = "2 N m"\ndistribution = "rectangular"',
            "the limits have a middle already",
        ),
        ('[quantity.x]\nlower = "1 N m"\ndistribution = "rectangular"', "missing: the best estimate"),
        (X + 'lower = "1 N m"\ndistribution = "rectangular"', "upper: missing: give both limits"),
        (
            '[quantity.x]\nlower = "2 N m"\nupper = "1 N m"\ndistribution = "rectangular"',
            "1 must lie above lower, 2",
        ),
        ('[quantity.x]\nunit = "N m"', "missing: the best estimate"),
        ('[quantity.x]\nvalue = 1\nunit = "Nmm"', "unknown unit"),
        ("[quantity.x]\nvalue = 1\nunit = 3", "3 is no unit"),
        ('[quantity.x]\nvalue = "5 %"\nunit = "N m"', "a plain number where N m is due"),
        ('[quantity.x]\nreadings = "5 N m"', "is no list of at most"),
        ('[quantity.x]\nreadings = ["5 N m"]', "1 reading(s); at least 2"),
        (
            '[quantity.x]\nreadings = ["5 N m", "6 N m"]\nvalue = "5 N m"',
            "the mean of the readings is the value",
        ),
        (
            '[quantity.x]\nreadings = ["5 N m", "6 N m"]\ndof = 4',
            "4 contradicts the 1 that the readings give",
        ),
        (
            '[quantity.x]\nreadings = ["5 N m", "6 N m"]\ndistribution = "normal"',
            "readings make a t distribution",
        ),
        ("[quantity]\nx = 3", "quantity.x: 3 where a table is due"),
        ("quantity = 3", "1 to 200 quantities are due"),
        ('[quantity.2x]\nvalue = "5 N m"', '"2x" is no name'),
        ('[quantity.pi]\nvalue = "5 N m"', '"pi" is the name of a function or constant'),
        ("titel = 3\n" + X, "titel: unknown key; nearest: title"),
        ("title = 3\n" + X, "title: 3 is no text"),
        ("coverage = 1\n" + X, "coverage: 1 is out of range; allowed: above 0, at most 0.9999"),
        ("monte_carlo = 3\n" + X, "write [monte_carlo]"),
        ("monte_carlo.trials = 1\n" + X, "monte_carlo.trials: 1 is no whole number from 2"),
        ('monte_carlo.interval = "long"\n' + X, '"long" is not one of: symmetric, shortest'),
        ("correlation = 3\n" + X, "write [[correlation]] for each"),
        (X + '[[correlation]]\nbetween = ["x"]\ncoefficient = 0.5', "is no list of different names"),
        (X + '[[correlation]]\nbetween = [["x"], "y"]\ncoefficient = 0.5', "is no list of different names"),
        (X + '[[correlation]]\nbetween = ["x", "z"]\ncoefficient = 0.5', 'no quantity "z"'),
        (X + '[[correlation]]\nbetween = ["x", "z"]\nr = 0.5', "unknown key"),
    ],
)
def test_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, text + MEASURE.format("x", "N m"))
    assert message in str(caught.value) and "m.toml:" in str(caught.value)


TWO = "quantity.a = { readings = [1, 2, 4] }\nquantity.b = { readings = [1, 3, 2] }\n"
TWO += "quantity.c = { value = 1, standard_uncertainty = 0.1 }\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('between = ["a", "c"]\nsimultaneous = true', "only quantities given by readings"),
        ('between = ["a", "b"]', "give either coefficient, or simultaneous = true"),
        ('between = ["a", "b"]\ncoefficient = 2', "2 is out of range; allowed: -1 to 1"),
    ],
)
def test_bad_correlations(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, TWO + f"[[correlation]]\n{text}" + MEASURE.format("a + b + c", "1"))
    assert message in str(caught.value)


def test_correlations_that_cannot_be(tmp_path: Path) -> None:
    text = TWO
    for first, second, r in (("a", "b", 0.9), ("b", "c", 0.9), ("a", "c", -0.9)):
        text += f'[[correlation]]\nbetween = ["{first}", "{second}"]\ncoefficient = {r}\n'
    with pytest.raises(ScenarioError, match="not positive semidefinite"):
        read(tmp_path, text + MEASURE.format("a + b + c", "1"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "measurement: missing: write [[measurement]]"),
        ('[[measurement]]\nexpression = "x"\nunit = "N m"', "None is no name"),
        (
            '[[measurement]]\nname = "x"\nexpression = "x"\nunit = "N m"',
            '"x" is the name of another quantity',
        ),
        ('[[measurement]]\nname = "y"\nexpression = 3', "3 is no expression"),
        ('[[measurement]]\nname = "y"\nexpression = "x"\nunit = 3', "3 is no unit"),
        (
            '[[measurement]]\nname = "y"\nexpression = "x"\nunit = "kg"',
            '"kg" does not fit: the expression is N m',
        ),
        ('[[measurement]]\nname = "y"\nexpression = "x"\nunit = "Nmm"', "unknown unit"),
        (
            '[[measurement]]\nname = "y"\nexpression = "x + 1"',
            'y.expression: "x + 1": at 3: a plain number added',
        ),
        ('[[measurement]]\nname = "y"\nexpression = "x"\nunits = "N m"', "unknown key; nearest: unit"),
        ('[[measurement]]\nname = "y"\nexpression = "__import__(\'os\')"', "is not known here"),
    ],
)
def test_bad_results(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, X + text)
    assert message in str(caught.value)


def test_one_error_draws_no_second(tmp_path: Path) -> None:
    text = X + 'distribution = "normal"\n[[correlation]]\nbetween = ["x", "x2"]\ncoefficient = 1\n'
    text += '[quantity.x2]\nvalue = "1 N m"\nstandard_uncertainty = "1 N m"' + MEASURE.format("x", "N m")
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, text)
    assert len(caught.value.messages) == 1


def test_too_many(tmp_path: Path) -> None:
    text = X + "".join(f'[[measurement]]\nname = "y{i}"\nexpression = "x"\nunit = "N m"\n' for i in range(51))
    with pytest.raises(ScenarioError, match="51 entries; at most 50"):
        read(tmp_path, text)
