"""Expectations meet the figures of a bench: names, units, contradictions, with file and line."""

from pathlib import Path

import pytest

from checkbench import bench_text, write_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_names
from shaftloop.studies.checks.expectations import Expectation, resolve


def table(metric: str, *keys: str) -> str:
    return "\n".join(["\n[[expect]]", f'metric = "{metric}"', *keys, ""])


def test_bounds_arrive_in_the_unit_of_the_figure(tmp_path: Path) -> None:
    keys = ('at_most = "20 ms"', 'tolerance = "1 ms"', 'why = "a reason"')
    path = write_bench(tmp_path / "b.toml", table("simulate.torque_rise_time", *keys))
    (found,) = resolve(read_scenario(path))
    assert (found.at_most, found.tolerance, found.unit, found.why) == (0.02, 0.001, "s", "a reason")
    assert found.meaning.startswith("from 10 % to 90 %") and found.label == "simulate.torque_rise_time"


@pytest.mark.parametrize(
    ("metric", "keys", "key", "message"),
    [
        (
            "margins.torque.bandwith",
            ['at_least = "9 Hz"'],
            "metric",
            '"margins.torque.bandwith" is no figure of this bench; nearest: margins.torque.bandwidth',
        ),
        (
            "§§§",
            ["at_least = 1"],
            "metric",
            '"§§§" is no figure of this bench; figures begin with faults, gains, map, margins, modes, '
            "simulate",
        ),
        (
            "margins.torque.phase_margin",
            ["at_least = 35"],
            "at_least",
            "margins.torque.phase_margin: the unit is missing; expected deg",
        ),
        (
            "margins.torque.phase_margin",
            ['at_least = "35 Hz"'],
            "at_least",
            "margins.torque.phase_margin: the unit Hz does not fit; expected deg",
        ),
        (
            "margins.torque.ms",
            ["at_least = 2", "at_most = 1"],
            "at_least",
            "2 is above at_most, 1; nothing can be between them",
        ),
        (
            "margins.torque.ms",
            ["tolerance = -1"],
            "tolerance",
            "-1 is below zero; a tolerance is how far the figure may move",
        ),
        (
            "margins.torque.ms",
            ['tolerance = "5 %"'],
            "tolerance",
            "5 % of the baseline is relative_tolerance; as a change of the figure itself write 0.05",
        ),
    ],
)
def test_what_does_not_fit_is_refused_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, metric: str, keys: list[str], key: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    text = table(metric, *keys)
    path = write_bench(tmp_path / "b.toml", text)
    with pytest.raises(ScenarioError) as caught:
        resolve(read_scenario(path))
    (found,) = caught.value.messages
    lines = bench_text(text).splitlines()
    line = max(number for number, entry in enumerate(lines, 1) if entry.startswith(f"{key} ="))
    assert found == f"b.toml:{line}: expect.0.{key}: {message}"


def test_all_that_is_wrong_is_said_at_once(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml", table("x", "at_most = 1") + table("y", "at_most = 1"))
    with pytest.raises(ScenarioError) as caught:
        resolve(read_scenario(path))
    assert len(caught.value.messages) == 2


def test_an_allowance_is_absolute_or_a_share() -> None:
    assert Expectation("a", "s", "", tolerance=0.5).allowance(10.0) == 0.5
    assert Expectation("a", "s", "", relative=0.05).allowance(-10.0) == 0.5
    assert Expectation("a", "s", "").allowance(10.0) is None


@pytest.mark.parametrize("name", shipped_names())
def test_every_shipped_scenario_expects_something_that_exists(name: str) -> None:
    assert len(resolve(read_scenario(name))) >= 3
