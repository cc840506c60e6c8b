"""The tables `[[expect]]`: what the reader takes, and what it refuses without knowing any figure."""

from fractions import Fraction
from pathlib import Path

import pytest

from checkbench import bench_text
from shaftloop.analysis.simulation import simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Expect
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.units import Stated, UnitError


def read(folder: Path, expected: str) -> tuple[Expect, ...]:
    path = folder / "bench.toml"
    path.write_text(bench_text(expected), encoding="utf-8")
    return read_scenario(path).description.expect


def test_a_bound_keeps_the_unit_it_is_stated_in(tmp_path: Path) -> None:
    text = '\n[[expect]]\nmetric = "a.b"\nat_most = 1.6\n\n[[expect]]\nmetric = "c"\nat_least = "35 deg"\n'
    first, second = read(tmp_path, text)
    assert (first.metric, first.at_most, first.at_least) == ("a.b", Stated(Fraction(8, 5), ""), None)
    assert second.at_least == Stated(Fraction(35), "deg")


def test_tolerances_are_read(tmp_path: Path) -> None:
    text = '\n[[expect]]\nmetric = "a"\nname = "x"\nwhy = "because"\nrelative_tolerance = "5 %"\n'
    (found,) = read(tmp_path, text)
    assert (found.name, found.why, found.relative_tolerance) == ("x", "because", 0.05)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("", "expect.0: nothing is expected; state at_most or at_least, e.g. at_most = 1.6"),
        ('at_most = "35"', 'expect.0.at_most: "35": the unit is missing'),
        ('at_most = "35 dge"', 'expect.0.at_most: "35 dge": unknown unit "dge"; nearest: deg'),
        ("at_most = true", "expect.0.at_most: true or false where a quantity is due"),
        ("at_most = inf", "expect.0.at_most: inf is no finite number of a usual size"),
        ("at_most = 1e-300", "expect.0.at_most: 1e-300 is beyond any size"),
        ('at_most = "1e25 deg"', 'expect.0.at_most: "1e25 deg" is beyond any size'),
        ("atmost = 1", "expect.0.atmost: unknown key; nearest: at_most"),
        ("relative_tolerance = -0.1", "-0.1 is out of range; allowed: at least 0 and at most 10"),
        (
            "tolerance = 0.1\nrelative_tolerance = 0.1",
            "expect.0.relative_tolerance: there is a tolerance already; state one of the two",
        ),
    ],
)
def test_what_is_no_expectation_is_refused(tmp_path: Path, keys: str, message: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, f'\n[[expect]]\nmetric = "a"\n{keys}\n')
    (found,) = caught.value.messages
    assert message in found and "bench.toml:" in found


def test_names_and_metrics_are_unique(tmp_path: Path) -> None:
    one = '\n[[expect]]\nmetric = "a"\nname = "x"\nat_most = 1\n'
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, one + one)
    name, metric = sorted(caught.value.messages)
    assert 'expect.x.metric: "a" is expected by expect.0 already; put both into one entry' in name
    assert 'expect.x.name: "x" is the name of expect.0 already' in metric


def test_a_run_takes_no_notice(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(bench_text('\n[[expect]]\nmetric = "no.such"\nat_most = 1\n'), encoding="utf-8")
    assert simulate(read_scenario(path, ["duration=1 ms"]).description).duration == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "expected"),
    [
        (Fraction(8, 5), "", "1", 1.6),
        (Fraction(80), "%", "1", 0.8),
        (Fraction(10), "%", "%", 10.0),
        (Fraction(100), "ms", "s", 0.1),
        (Fraction(3), "rev", "deg", 1080.0),
        (Fraction(23, 10), "kJ", "J", 2300.0),
        (Fraction(1), "kWh", "J", 3.6e6),
        (Fraction(5), "kW s", "J", 5000.0),
        (Fraction(300), "rpm", "rad/s", 31.41592653589793),
    ],
)
def test_a_stated_number_is_converted(value: Fraction, unit: str, wanted: str, expected: float) -> None:
    assert Stated(value, unit).to(wanted) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "wanted", "message"),
    [
        ("", "deg", "the unit is missing; expected deg"),
        ("", "%", "the unit is missing; expected %"),
        ("1", "%", "the unit 1 does not fit; expected %"),
        ("ms", "deg", "the unit ms does not fit; expected deg"),
        ("J", "N m", "the unit J does not fit; expected N m: for a torque write N m"),
        ("N m", "J", "the unit N m does not fit; expected J"),
    ],
)
def test_another_dimension_is_refused(unit: str, wanted: str, message: str) -> None:
    with pytest.raises(UnitError) as caught:
        Stated(Fraction(1), unit).to(wanted)
    assert str(caught.value) == message
