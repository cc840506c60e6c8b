"""Margins against a parameter: ranges, thresholds, values that are refused."""

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import pytest

from rigs import shipped
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import operating_point
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.vary import MarginsDemand, Range, _Study, _thresholds, read_range, vary

pytestmark = pytest.mark.compiled


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("line.ts.latency=0ms..1ms", Range("line.ts.latency", Fraction(0), Fraction(1), "ms", 21)),
        ("line.ts.latency = 0 .. 1 ms : 5", Range("line.ts.latency", Fraction(0), Fraction(1), "ms", 5)),
        ("loop.torque.kp=0.1..0.85:4", Range("loop.torque.kp", Fraction("0.1"), Fraction("0.85"), "", 4)),
        ("a.b=200 us..1 ms", Range("a.b", Fraction("0.2"), Fraction(1), "ms", 21)),
        (
            "line.c1.stiffness=5 kN m/rad..40kN m/rad",
            Range("line.c1.stiffness", Fraction(5), Fraction(40), "kN m/rad", 21),
        ),
    ],
)
def test_ranges(text: str, expected: Range) -> None:
    assert read_range(text) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("line.ts.latency", "not of the form PATH=LO..HI"),
        ("line.ts.latency=1ms", "not of the form PATH=LO..HI"),
        ("line.ts.latency=1ms..0ms", "the lower end must be below the upper one"),
        ("line.ts.latency=0ms..1ms:1", "1 points; choose 2 to 501"),
        ("line.ts.latency=0ms..1ms:9999", "9999 points; choose 2 to 501"),
        ("line.ts.latency=0ms..1parsec", 'unknown unit "parsec"'),
        ("line.ts.latency=1 m..2 ms", "m and ms are units of different quantities"),
        ("line.ts.latency=0,5 ms..2 ms", "a comma in a number"),
        ("line.ts.latency=0 ms..2", "the unit is missing"),
    ],
)
def test_what_is_no_range_is_refused(text: str, said: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        read_range(text)
    assert "`vary`" in str(raised.value) and said in str(raised.value)


def test_values_and_settings_keep_the_unit_of_the_range() -> None:
    wanted = read_range("line.ts.latency=0..1 ms:5")
    assert [wanted.setting(value) for value in wanted.values()][1:3] == [
        "line.ts.latency=0.25 ms",
        "line.ts.latency=0.5 ms",
    ]
    assert wanted.resolution() == Fraction(1, 10_000)


def radius(*settings: str) -> float:
    bench = HyperMap(shipped("reference-bench", *settings))
    return spectral_radius(bench.dynamics(bench.steady(operating_point(bench.bench))))


def test_thresholds_lie_where_they_are_said_to_lie() -> None:
    scenario = read_scenario("reference-bench")
    seen: list[float] = []
    wanted = read_range("loop.torque.kp=0.2..1:5")
    found = vary(scenario, wanted, MarginsDemand(("torque",)), seen.append)
    assert found.values == (0.2, 0.4, 0.6, 0.8, 1.0) and found.left_out == ()
    assert seen == sorted(seen) and len(seen) == 5 and seen[-1] < 1.0
    assert [m.stable for m in found.margins["torque"]] == [True, True, True, False, False]
    thresholds = {t.demand: t for t in found.thresholds["torque"]}
    assert set(thresholds) == {"ms<2", "stable"}  # Ms is above 1.6 everywhere
    for threshold in thresholds.values():
        assert 0.0 < threshold.broken - threshold.kept < 1.001 * float(wanted.resolution())
    lost = thresholds["stable"]
    assert radius(f"loop.torque.kp={lost.kept}") < 1.0 <= radius(f"loop.torque.kp={lost.broken}")
    at = found.thresholds["torque"][0].kept
    again = vary(
        scenario,
        Range("loop.torque.kp", Fraction(str(at)), Fraction("0.4"), "", 2),
        MarginsDemand(("torque",)),
    )
    assert again.margins["torque"][0].ms == pytest.approx(2.0, abs=1e-3)


def test_a_value_that_must_not_fall_is_kept_above_its_threshold() -> None:
    class Study(_Study):
        def at(self, value: Fraction) -> dict[str, Any]:
            return {"l": SimpleNamespace(stable=value >= Fraction("4.3"), ms=1.0)}

    wanted = Range("a.b", Fraction(0), Fraction(10), "s", 3)
    study = Study(None, wanted, MarginsDemand(("l",)))  # type: ignore[arg-type]
    found = _thresholds(study, wanted.values(), "l")
    assert {(threshold.kept, threshold.broken) for threshold in found} == {(4.3, 4.299)}


def test_latency_acts_as_a_staircase() -> None:
    """Samples every 100 µs are read every 250 µs: nothing changes until one comes too late for its tick."""
    scenario = read_scenario("reference-bench")
    found = vary(scenario, read_range("line.ts.latency=110us..160us:3"), MarginsDemand(("torque",)))
    first, second, third = (m.ms for m in found.margins["torque"])
    assert first == pytest.approx(second, rel=1e-6) and abs(third / second - 1.0) > 1e-3


def test_values_that_the_bench_cannot_take_are_left_out_with_the_reason() -> None:
    scenario = read_scenario("reference-bench")
    found = vary(scenario, read_range("line.load.current_limit=60 A..200 A:3"), MarginsDemand(("torque",)))
    assert found.values == (130.0, 200.0)
    ((value, reason),) = found.left_out
    assert value == 60.0 and "current limit of load" in reason


def test_a_range_of_which_nothing_is_possible_raises_the_first_refusal() -> None:
    scenario = read_scenario("reference-bench")
    with pytest.raises(ScenarioError, match=r"no line .*nearest: ts|no line"):
        vary(scenario, read_range("line.tss.latency=0..1 ms:2"), MarginsDemand(("torque",)))


def test_further_settings_and_operating_points_hold_for_every_value() -> None:
    settings = ("loop.torque.ki=100 1/s",)
    scenario = read_scenario("reference-bench", settings)
    demand = MarginsDemand(("torque",), speed=50.0, torque=10.0)
    found = vary(scenario, read_range("loop.torque.kp=0.2..0.4:2"), demand)
    plain = read_scenario("reference-bench")
    other = vary(plain, read_range("loop.torque.kp=0.2..0.4:2"), replace(demand, speed=None))
    assert found.margins["torque"][0].point.speed == 50.0
    assert found.margins["torque"][0].ms != other.margins["torque"][0].ms
