"""Checks E7.1 to E7.7 and published examples of JCGM 100 and JCGM 101: budgets and Monte Carlo."""

import math
from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.uncertainty.distributions import ArcSine, Constant, Distribution, Normal, Rectangular
from shaftloop.analysis.uncertainty.model import Input, Measurement, Output
from shaftloop.analysis.uncertainty.montecarlo import monte_carlo
from shaftloop.analysis.uncertainty.propagation import Budget, propagate
from shaftloop.analysis.uncertainty.reading import read_measurement_file
from shaftloop.analysis.uncertainty.tails import Readings, StudentT
from shaftloop.analysis.uncertainty.validation import validate

END_GAUGE = """
coverage = "99 %"
quantity.lS = { value = "50.000623 mm", standard_uncertainty = "25 nm", dof = 18 }
quantity.mean = { value = "215 nm", standard_uncertainty = "5.8 nm", dof = 24 }
quantity.random = { value = "0 nm", standard_uncertainty = "3.9 nm", dof = 5 }
quantity.systematic = { value = "0 nm", standard_uncertainty = "6.7 nm", dof = 8 }
quantity.alphaS = { value = "11.5e-6 1/°C", distribution = "rectangular", half_width = "2e-6 1/°C" }
quantity.dalpha = { value = "0 1/°C", distribution = "rectangular", half_width = "1e-6 1/°C", dof = 50 }
quantity.theta = { value = "-0.1 K", standard_uncertainty = "0.2 K" }
quantity.cycle = { value = "0 K", distribution = "arcsine", half_width = "0.5 K" }
quantity.dtheta = { value = "0 K", distribution = "rectangular", half_width = "0.05 K", dof = 2 }

[[measurement]]
name = "d"
expression = "mean + random + systematic"
unit = "nm"

[[measurement]]
name = "l"
expression = "lS + d - lS*(dalpha*(theta + cycle) + alphaS*dtheta)"
unit = "mm"
"""

DYNAMOMETER = """
quantity.R = {{ value = {turns}, standard_uncertainty = 1 }}
quantity.F = {{ value = "{force} N", standard_uncertainty = "0.18 N" }}
quantity.L = {{ value = "{arm} m", standard_uncertainty = "1.27 mm" }}
quantity.t = {{ value = "{time} s", standard_uncertainty = "0.5 s" }}

[[measurement]]
name = "P"
expression = "2*pi*R*F*L/t"
unit = "W"
"""


def read(folder: Path, text: str) -> Measurement:
    path = folder / "measurement.toml"
    path.write_text(text, encoding="utf-8")
    return read_measurement_file(path).measurement


def parts(budget: Budget) -> dict[str, float]:
    return {row.name: abs(row.contribution) for row in budget.contributions}


def test_end_gauge(tmp_path: Path) -> None:
    """E7.1, JCGM 100:2008 H.1; νeff 16.7, t99 and U99 from memory."""
    found = propagate(read(tmp_path, END_GAUGE), 0.99)
    difference, length = found["d"], found["l"]
    assert difference.uncertainty == pytest.approx(9.7, abs=0.05)
    assert difference.dof == pytest.approx(25.6, abs=0.2)
    assert length.value == pytest.approx(50.000838, abs=5e-7)
    assert 1e6 * length.uncertainty == pytest.approx(32.0, abs=0.4)
    assert length.dof == pytest.approx(16.7, abs=0.9)
    assert length.factor == pytest.approx(2.92, abs=0.005)
    assert 1e6 * length.expanded == pytest.approx(93.0, abs=0.6)
    nanometres = {name: 1e6 * part for name, part in parts(length).items()}
    assert nanometres["lS"] == pytest.approx(25.0, abs=0.05)
    assert nanometres["dalpha"] == pytest.approx(2.9, abs=0.05)
    assert nanometres["dtheta"] == pytest.approx(16.6, abs=0.05)
    assert nanometres["alphaS"] == nanometres["theta"] == nanometres["cycle"] == 0.0


def test_end_gauge_to_second_order(tmp_path: Path) -> None:
    """JCGM 100:2008 H.1.7: 34 nm with the terms of next order, from memory."""
    higher = propagate(read(tmp_path, END_GAUGE), 0.99)["l"].second_order
    assert higher is not None and 1e6 * higher == pytest.approx(34.0, abs=0.5)


def test_end_gauge_by_monte_carlo(tmp_path: Path) -> None:
    """JCGM 101:2008 9.5: u = 36 nm, 99 % from 745 to 932 nm above 50 mm, from memory."""
    length = monte_carlo(read(tmp_path, END_GAUGE), 1_000_000, coverage=0.99, interval="shortest")["l"]
    assert 1e6 * (length.mean - 50.0) == pytest.approx(838.0, abs=0.5)
    assert 1e6 * length.uncertainty == pytest.approx(36.0, abs=0.5)
    assert 1e6 * (length.low - 50.0) == pytest.approx(745.0, abs=1.5)
    assert 1e6 * (length.high - 50.0) == pytest.approx(932.0, abs=1.5)


@pytest.mark.parametrize(
    ("shape", "end"), [(Normal(0.0, 1.0), 3.92), (Rectangular(0.0, math.sqrt(3.0)), 3.8794)]
)
def test_additive_model(shape: Distribution, end: float) -> None:
    """E7.2, JCGM 101:2008 9.2, tables 2 and 3."""
    model = Measurement(lambda a, b, c, d: a + b + c + d, [Input(name, shape) for name in "abcd"])
    result = monte_carlo(model, 1_000_000).results[0]
    assert result.mean == pytest.approx(0.0, abs=0.01)
    assert result.uncertainty == pytest.approx(2.0, abs=0.01)
    assert (result.low, result.high) == pytest.approx((-end, end), abs=0.01)
    budget = propagate(model).budgets[0]
    assert budget.uncertainty == pytest.approx(2.0) and budget.expanded == pytest.approx(3.92, abs=0.001)


def test_additive_model_with_one_large_rectangle() -> None:
    """JCGM 101:2008 9.2.4, table 4: u = 10.1, Monte Carlo ±17.0, first order ±19.9; from memory."""
    shapes = [Rectangular(0.0, math.sqrt(3.0))] * 3 + [Rectangular(0.0, 10.0 * math.sqrt(3.0))]
    model = Measurement(
        lambda a, b, c, d: a + b + c + d, [Input(n, s) for n, s in zip("abcd", shapes, strict=True)]
    )
    sampled, budget = monte_carlo(model, 1_000_000), propagate(model)
    result = sampled.results[0]
    assert result.uncertainty == pytest.approx(10.1, abs=0.06)
    assert (result.low, result.high) == pytest.approx((-17.0, 17.0), abs=0.06)
    assert budget.budgets[0].expanded == pytest.approx(19.9, abs=0.06)
    assert not validate(budget, sampled)[0].valid


def test_mass_calibration() -> None:
    """JCGM 101:2008 9.3, table 6, from memory: first order is not valid, Monte Carlo gives u = 0.0754 mg."""
    model = Measurement(
        lambda m, d, a, w, r: (m + d) * (1.0 + (a - 1.2) * (1.0 / w - 1.0 / r)) - 1e5,
        [
            Input("mass", Normal(100_000.0, 0.050), "mg"),
            Input("added", Normal(1.234, 0.020), "mg"),
            Input("air", Rectangular(1.20, 0.10), "kg/m^3"),
            Input("weight", Rectangular(8000.0, 1000.0), "kg/m^3"),
            Input("reference", Rectangular(8000.0, 50.0), "kg/m^3"),
        ],
        [Output("mass", "mg")],
    )
    budget = propagate(model)["mass"]
    assert budget.value == pytest.approx(1.2340, abs=5e-5)
    assert budget.uncertainty == pytest.approx(0.0539, abs=5e-5)
    assert budget.second_order == pytest.approx(0.0750, abs=5e-5)
    sampled = monte_carlo(model, 1_000_000, interval="shortest")
    assert sampled["mass"].mean == pytest.approx(1.2341, abs=5e-4)
    assert sampled["mass"].uncertainty == pytest.approx(0.0754, abs=5e-4)
    assert (sampled["mass"].low, sampled["mass"].high) == pytest.approx((1.0834, 1.3825), abs=4e-3)
    verdict = validate(propagate(model), sampled)[0]
    assert not verdict.valid and verdict.tolerance == pytest.approx(0.0005)
    assert (verdict.low, verdict.high) == pytest.approx((0.0451, 0.0430), abs=4e-3)


@pytest.mark.parametrize(
    ("x", "first", "second", "mean", "u", "low", "high"),
    [
        (0.0, 0.0, 50e-6, 50e-6, 50e-6, 0.0, 150e-6),
        (0.010, 100e-6, 112e-6, 150e-6, 112e-6, 0.0, 367e-6),
        (0.050, 500e-6, 502e-6, 2551e-6, 502e-6, 1590e-6, 3543e-6),
    ],
)
def test_comparison_loss(
    x: float, first: float, second: float, mean: float, u: float, low: float, high: float
) -> None:
    """JCGM 101:2008 9.4.2, table 7, from memory: a squared modulus near zero."""
    model = Measurement(
        lambda a, b: a * a + b * b, [Input("re", Normal(x, 0.005)), Input("im", Normal(0.0, 0.005))]
    )
    budget = propagate(model).budgets[0]
    assert budget.uncertainty == pytest.approx(first, abs=1e-6)
    assert budget.second_order == pytest.approx(second, abs=1e-6)
    result = monte_carlo(model, 1_000_000, interval="shortest").results[0]
    assert (result.mean, result.uncertainty) == pytest.approx((mean, u), abs=1.5e-6)
    assert (result.low, result.high) == pytest.approx((low, high), abs=12e-6)


@pytest.mark.parametrize(
    ("turns", "force", "arm", "time", "power", "contributions", "worst", "rss"),
    [
        (1202, 45, 0.397, 60, 2248.7, (1.87, 8.99, 7.19, 18.74), 36.8, 22.08),
        (1305, 85, 0.467, 10, 32548.0, (24.9, 68.9, 88.5, 1627.0), 1809.8, 1631.5),
    ],
    ids=["E7.3", "E7.7"],
)
def test_shaft_power(
    tmp_path: Path,
    turns: int,
    force: float,
    arm: float,
    time: float,
    power: float,
    contributions: tuple[float, ...],
    worst: float,
    rss: float,
) -> None:
    """E7.3 and E7.7, Doebelin and Manik, Measurement Systems, examples 3-2 and 3-3."""
    text = DYNAMOMETER.format(turns=turns, force=force, arm=arm, time=time)
    budget = propagate(read(tmp_path, text))["P"]
    found = parts(budget)
    assert budget.value == pytest.approx(power, rel=2e-3)
    assert [found[name] for name in "RFLt"] == pytest.approx(list(contributions), rel=3e-3)
    assert sum(found.values()) == pytest.approx(worst, rel=2e-3)
    assert budget.uncertainty == pytest.approx(rss, rel=2e-3)


def test_effective_degrees_of_freedom() -> None:
    """E7.4, one component with infinite degrees of freedom."""
    budget = propagate(
        Measurement(
            lambda a, b: a + b,
            [Input("a", Normal(0.0, 0.57), degrees_of_freedom=9.0), Input("b", Normal(0.0, 0.25))],
        )
    ).budgets[0]
    assert budget.uncertainty == pytest.approx(0.6224, abs=1e-4)
    assert budget.dof == pytest.approx(12.8, abs=0.1)


def test_thermal_expansion_coefficient(tmp_path: Path) -> None:
    """E7.6, NIST TN 1900, example E13: a small difference; also with t of 3 degrees."""
    quantities = {"L0": "1.4999 m, 0.0001 m", "L1": "1.5021 m, 0.0002 m", "T0": "288.15 K, 0.02 K"}
    quantities["T1"] = "373.10 K, 0.05 K"
    shapes = {"normal": "standard_uncertainty = ", "t": 'distribution = "t", dof = 3, standard_deviation = '}
    for kind, width in shapes.items():
        text = ""
        for name, stated in quantities.items():
            value, spread = stated.split(", ")
            text += f'quantity.{name} = {{ value = "{value}", {width}"{spread}" }}\n'
        text += '[[measurement]]\nname = "alpha"\nexpression = "(L1 - L0)/(L0*(T1 - T0))"\nunit = "1/K"\n'
        model = read(tmp_path, text)
        if kind == "normal":
            budget = propagate(model)["alpha"]
            assert budget.value == pytest.approx(1.7266e-5, rel=5e-3)
            assert budget.uncertainty == pytest.approx(1.76e-6, rel=5e-3)
        else:
            result = monte_carlo(model, 1_000_000)["alpha"]
            assert result.mean == pytest.approx(1.7268e-5, abs=1e-8)
            assert result.uncertainty == pytest.approx(1.74e-6, abs=0.1e-6)


def test_resistance_and_reactance(tmp_path: Path) -> None:
    """JCGM 100:2008 H.2, tables H.2 to H.4, from memory: readings taken together, three results."""
    text = """
[quantity.V]
readings = ["5.007 V", "4.994 V", "5.005 V", "4.990 V", "4.999 V"]
[quantity.I]
readings = ["19.663 mA", "19.639 mA", "19.640 mA", "19.685 mA", "19.678 mA"]
[quantity.phi]
readings = ["1.0456 rad", "1.0438 rad", "1.0468 rad", "1.0428 rad", "1.0433 rad"]
[[correlation]]
between = ["V", "I", "phi"]
simultaneous = true
[[measurement]]
name = "R"
expression = "V/I*cos(phi)"
unit = "ohm"
[[measurement]]
name = "X"
expression = "V/I*sin(phi)"
unit = "ohm"
[[measurement]]
name = "Z"
expression = "V/I"
unit = "ohm"
"""
    model = read(tmp_path, text)
    correlation = model.correlation
    assert correlation[0, 1:] == pytest.approx([-0.36, 0.86], abs=0.005)
    assert correlation[1, 2] == pytest.approx(-0.65, abs=0.005)
    found = propagate(model)
    for name, value, uncertainty in (("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)):
        assert found[name].value == pytest.approx(value, abs=6e-4)
        assert found[name].uncertainty == pytest.approx(uncertainty, abs=7e-4)
        assert found[name].dof == pytest.approx(4.0)
    assert found.correlation[0, 1:] == pytest.approx([-0.588, -0.485], abs=6e-4)
    assert found.correlation[1, 2] == pytest.approx(0.993, abs=6e-4)
    # A linear result of readings taken together has a t distribution of 4 degrees: both intervals agree.
    verdicts = validate(found, monte_carlo(model, 1_000_000))
    assert all(max(verdict.low, verdict.high) < 0.03 * found[verdict.name].expanded for verdict in verdicts)


def test_thermometer_calibration(tmp_path: Path) -> None:
    """JCGM 100:2008 H.3, from memory: b(30 °C) from intercept, slope and their correlation."""
    text = """
quantity.y1 = { value = "-0.1712 °C", standard_uncertainty = "0.0029 °C", dof = 9 }
quantity.y2 = { value = 0.00218, standard_uncertainty = 0.00067, dof = 9 }
quantity.t = { value = "30 °C" }
quantity.t0 = { value = "20 °C" }
[[correlation]]
between = ["y1", "y2"]
coefficient = -0.930
[[measurement]]
name = "b"
expression = "y1 + y2*(t - t0)"
unit = "°C"
"""
    budget = propagate(read(tmp_path, text))["b"]
    assert budget.value == pytest.approx(-0.1494, abs=5e-5)
    assert budget.uncertainty == pytest.approx(0.0041, abs=1e-4)
    assert budget.dof == pytest.approx(9.0)


def test_quantisation() -> None:
    """E7.5, Sawhney, Mechanical Measurements and Instrumentation, 6.27 and 6.30; partly derived."""
    for span, bits, step, rms in ((10.0, 10, 9.766e-3, 2.819e-3), (10.0, 14, 0.6104e-3, 0.1762e-3)):
        assert span / 2**bits == pytest.approx(step, rel=1e-3)
        assert Rectangular(0.0, 0.5 * span / 2**bits).uncertainty == pytest.approx(rms, rel=1e-3)
    assert Rectangular(0.0, 0.5 * 20.0 / 2**16).uncertainty == pytest.approx(88.1e-6, rel=1e-3)
    for bits, wanted in ((8, 49.9), (12, 74.0), (16, 98.1)):
        sine = ArcSine(0.0, 0.5 * 2.0**bits).uncertainty
        ratio = 20.0 * math.log10(sine / Rectangular(0.0, 0.5).uncertainty)
        assert ratio == pytest.approx(wanted, abs=0.05)


def test_efficiency_from_readings(tmp_path: Path) -> None:
    """E9.2, Hambley, Electrical Engineering, example 16.1: input, losses, efficiency, regulation."""
    text = """
quantity.V = { value = "440 V", distribution = "rectangular", half_width = "0.2 %" }
quantity.I = { value = "6.8 A", distribution = "rectangular", half_width = "0.2 %" }
quantity.pf = { value = 0.78 }
quantity.pf0 = { value = 0.30 }
quantity.I0 = { value = "1.2 A" }
quantity.out = { value = "3730 W" }
quantity.n = { value = "1150 rpm" }
quantity.n0 = { value = "1195 rpm" }
"""
    for name, expression, unit in (
        ("P_in", "sqrt(3)*V*I*pf", "W"),
        ("losses", "P_in - out", "W"),
        ("efficiency", "out/P_in", "%"),
        ("idle", "sqrt(3)*V*I0*pf0", "W"),
        ("regulation", "(n0 - n)/n", "%"),
    ):
        text += f'[[measurement]]\nname = "{name}"\nexpression = "{expression}"\nunit = "{unit}"\n'
    found = propagate(read(tmp_path, text))
    for name, value in (
        ("P_in", 4042.2),
        ("losses", 312.2),
        ("efficiency", 92.28),
        ("idle", 274.4),
        ("regulation", 3.91),
    ):
        assert found[name].value == pytest.approx(value, rel=1e-3)
    # Two rectangular terms of 0.2 %: 0.2 %·√(2/3) of the input, which the small losses feel tenfold.
    assert found["losses"].uncertainty == pytest.approx(4042.19 * 0.002 * math.sqrt(2.0 / 3.0), rel=1e-4)


def test_loss_segregation(tmp_path: Path) -> None:
    """E9.7, Fitzgerald, Kingsley and Umans, Electric Machinery, example 6.1: slip, stator and rotor loss."""
    text = """
quantity.f = { value = "60 Hz" }
quantity.n = { value = "3502 rpm", distribution = "rectangular", half_width = "0.5 rpm" }
quantity.P = { value = "15.7 kW" }
quantity.I = { value = "22.6 A" }
quantity.R = { value = "0.20 ohm" }
[[measurement]]
name = "slip"
expression = "1 - n/(2*pi*f)"
unit = "%"
[[measurement]]
name = "stator"
expression = "3*I**2*R"
unit = "W"
[[measurement]]
name = "rotor"
expression = "slip*(P - stator)"
unit = "W"
"""
    found = propagate(read(tmp_path, text))
    assert found["slip"].value == pytest.approx(2.722, rel=2e-3)
    assert found["stator"].value == pytest.approx(306.5, rel=2e-3)
    assert found["rotor"].value == pytest.approx(419.0, rel=2e-3)
    # Half a revolution per minute in 98 of slip: rotor loss is uncertain by 0.3 %.
    assert found["rotor"].uncertainty / found["rotor"].value == pytest.approx(
        0.5 / 98.0 / math.sqrt(3.0), rel=1e-3
    )


@pytest.mark.parametrize(
    ("drawn", "returned", "fed", "share", "motor", "generator"),
    [(75.0, 60.0, (2.0, 2.5), 952.5, 86.61, 86.72), (30.0, 25.0, (0.0, 0.0), 59.375, 90.52, 92.06)],
    ids=["E10.1", "E10.2"],
)
def test_back_to_back(
    drawn: float, returned: float, fed: tuple[float, float], share: float, motor: float, generator: float
) -> None:
    """E10.1 (Nagrath and Kothari, 7.62) and E10.2 (Bhattacharya, 2.32): efficiencies from losses."""
    volts, ohms = (250.0, 0.2) if fed[0] else (100.0, 0.25)

    def efficiencies(v: float, m: float, g: float, r: float) -> tuple[float, float, float]:
        stray = 0.5 * (v * (m - g) - r * (m * m + g * g))
        lost_m, lost_g = stray + r * m * m + v * fed[0], stray + r * g * g + v * fed[1]
        return stray, 100.0 * (1.0 - lost_m / (v * (m + fed[0]))), 100.0 * v * g / (v * g + lost_g)

    found = propagate(
        Measurement(
            efficiencies,
            [
                Input("V", Constant(volts), "V"),
                Input("drawn", Normal(drawn, 0.002 * drawn), "A"),
                Input("returned", Normal(returned, 0.002 * returned), "A"),
                Input("R", Constant(ohms), "ohm"),
            ],
            [Output("stray", "W"), Output("motor", "%"), Output("generator", "%")],
        )
    )
    assert found["stray"].value == pytest.approx(share, rel=1e-6)
    assert found["motor"].value == pytest.approx(motor, abs=0.02)
    assert found["generator"].value == pytest.approx(generator, abs=0.02)


def test_regenerative_shortcut() -> None:
    """E10.3, Bhattacharya, example 2.33: equal efficiencies; from the losses their uncertainty is small."""
    found = propagate(
        Measurement(
            lambda generated, drawn: 100.0 * np.sqrt(generated / (generated + drawn)),
            [Input("generated", Normal(454.545, 0.909), "A"), Input("drawn", Normal(90.0, 0.18), "A")],
            [Output("efficiency", "%")],
        )
    ).budgets[0]
    assert found.value == pytest.approx(91.36, abs=0.02)
    # 0.2 % on each current: η·½·(1 − η²)·0.2 %·√2.
    assert found.uncertainty == pytest.approx(
        found.value * 0.5 * (1.0 - 0.9136**2) * 0.002 * math.sqrt(2.0), rel=2e-3
    )


def test_common_link() -> None:
    """E10.4, energy balance: what the mains draws, and how its uncertainty follows from both chains."""
    found = propagate(
        Measurement(
            lambda shaft, drive, load: (shaft / drive, shaft * load, shaft / drive - shaft * load),
            [
                Input("shaft", Normal(50e3, 50.0), "W"),
                Input("drive", Constant(0.92)),
                Input("load", Constant(0.90)),
            ],
            [Output("drawn", "W"), Output("returned", "W"), Output("mains", "W")],
        )
    )
    values = [budget.value for budget in found.budgets]
    assert values == pytest.approx([54347.8, 45000.0, 9347.8], abs=0.1)
    assert found["mains"].uncertainty == pytest.approx(50.0 * 9347.8 / 50e3, rel=1e-4)
    assert found.correlation[0, 1] == pytest.approx(1.0)


def test_readings_and_t_agree() -> None:
    """JCGM 101:2008 6.4.9.4: readings are drawn from the t distribution of mean, s/√n and n − 1."""
    values = (9.9, 10.1, 10.0, 10.3, 9.7, 10.2)
    readings = Readings(values)
    spread = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    same = StudentT(float(np.mean(values)), spread, 5.0)
    assert (readings.estimate, readings.uncertainty, readings.dof) == pytest.approx(
        (same.estimate, same.uncertainty, same.dof)
    )
    model = Measurement(lambda x: x, [Input("x", readings)])
    assert monte_carlo(model, 1_000_000).results[0].uncertainty == pytest.approx(
        spread * math.sqrt(5.0 / 3.0), rel=0.01
    )
