"""Baselines: what they hold, how the file reads, what makes them stale, what breaks them."""

import dataclasses
from fractions import Fraction
from pathlib import Path

import pytest

from checkbench import figure, write_bench
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import Scenario, read_scenario
from shaftloop.scenario.units import Stated
from shaftloop.studies.checks.baseline import (
    Recorded,
    baseline_text,
    bench_parts,
    changed,
    read_baseline,
    take,
)

FOUND = {
    "margins.torque.phase_margin": figure(63.1071845, "deg"),
    "margins.torque.ms": figure(1.438649805, "1"),
    "margins.torque.gain_margin_down": figure(None, "1", "none", "below"),
    "margins.torque.delay_margin": figure(None, "s", "none", "above"),
    "simulate.torque_rise_time": figure(None, "s", "no step"),
    "simulate.energy_residual": figure(6.0204295e-08, "1"),
    "simulate.grid_energy": figure(2144.2383, "J"),
    "simulate.torque_overshoot": figure(None, "%", "it diverged", failed=True),
}


def bench(*settings: str) -> Scenario:
    return read_scenario("wheel-hub", settings)


def parts(*settings: str) -> dict[str, str]:
    return bench_parts(bench(*settings).description)


def test_the_file_is_sorted_rounded_and_read_back_as_it_was(tmp_path: Path) -> None:
    taken = take(bench(), FOUND, "1.2.3", "hub.baseline.toml")
    text = baseline_text(taken, "wheel-hub")
    values = text[text.index("[values]") + 9 : text.index("[gains]")].strip().splitlines()
    assert values == [
        '"margins.torque.delay_margin" = "above every bound"',
        '"margins.torque.gain_margin_down" = "below every bound"',
        '"margins.torque.ms" = 1.4386',
        '"margins.torque.phase_margin" = "63.107 deg"',
        '"simulate.energy_residual" = 6.0204e-08',
        '"simulate.grid_energy" = "2144.2 J"',
        '"simulate.torque_rise_time" = "no value"',
    ]
    path = tmp_path / "hub.baseline.toml"
    path.write_text(text, encoding="utf-8")
    read = read_baseline(path)
    assert dataclasses.replace(read, label=taken.label, values={}) == dataclasses.replace(taken, values={})
    assert read.values.keys() == taken.values.keys()
    for name, entry in read.values.items():
        other, unit = taken.values[name], FOUND[name].unit
        assert entry.beyond == other.beyond
        assert (entry.number and entry.number.to(unit)) == (other.number and other.number.to(unit))
    assert baseline_text(read, "wheel-hub") == text
    assert text.startswith("# What `shaftloop check` compares with.")
    assert f'scenario_hash = "{bench().hash}"' in text and 'tool_version = "1.2.3"' in text


def test_a_change_of_gains_leaves_the_bench_as_it_is() -> None:
    gains = [
        "loop.torque.kp=0.3",
        "loop.torque.filters.0.frequency=80 Hz",
        "loop.speed.setpoint_rate=9 rpm/s",
    ]
    assert parts(*gains) == parts()
    assert bench(*gains).hash != bench().hash


@pytest.mark.parametrize(
    ("setting", "entry"),
    [
        ("line.ts.latency=0.5 ms", "line.ts"),
        ("loop.torque.output_latency=100 us", "loop.torque"),
        ("hop.bus.transport=10 us", "hop.bus"),
        ("sequence.0.to=700 rpm", "sequence"),
        ("limit.overtorque.above=170 N m", "limit.overtorque"),
        ("supply.voltage=420 V", "supply"),
        ("seed=8", "seed"),
        ("duration=2 s", "duration"),
        ("record.rate=4 kHz", "record"),
        ("line.drive.current_control.bandwidth=300 Hz", "line.drive"),
    ],
)
def test_every_other_change_is_named(setting: str, entry: str) -> None:
    assert changed(parts(), parts(setting)) == (entry,)


def test_title_and_expectations_are_no_part_of_the_bench() -> None:
    assert parts("title=Another", "expect.0.at_most=50 ms") == parts()


def test_what_equals_its_default_counts_as_not_stated(tmp_path: Path) -> None:
    plain = write_bench(tmp_path / "a.toml")
    stated = tmp_path / "b.toml"
    text = plain.read_text(encoding="utf-8").replace(
        'reads = "drive"', 'reads = "drive"\nfree_running = false'
    )
    assert "free_running" in text
    stated.write_text("seed = 0\n" + text, encoding="utf-8")
    before, after = (bench_parts(read_scenario(path).description) for path in (plain, stated))
    assert before == after


def test_the_order_of_the_line_counts(tmp_path: Path) -> None:
    description = bench().description
    line = description.line
    other = dataclasses.replace(description, line=(line[0], line[2], line[1], *line[3:]))
    assert changed(bench_parts(description), bench_parts(other)) == ("line",)


VALID = """\
scenario = "b"
scenario_hash = "x"
tool_version = "1"

[values]
a = 1

[gains]
g = "1"

[bench]
line = "f"
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("a = 1", "a = true", "b.toml:6: values.a: True where a text is due"),
        ("a = 1", "a = inf", "b.toml:6: values.a: inf where a text is due"),
        ("a = 1", 'a = "35 dge"', 'b.toml:6: values.a: "35 dge": unknown unit "dge"; nearest: deg'),
        ("a = 1", 'a = "much"', 'b.toml:6: values.a: "much": not a number with a unit'),
        ('g = "1"', "g = 1", "b.toml:9: gains.g: 1 where a text is due"),
        ('line = "f"', "line = []", "b.toml:12: bench.line: [] where a text is due"),
        ("[values]\na = 1", "", "b.toml:1: values: missing, or no table"),
        ("[values]\na = 1", "values = 3", "b.toml:5: values: missing, or no table"),
        ("[gains]", "[gain]", "b.toml:8: gain: unknown key; nearest: gains"),
        ("[values]", "<<<<<<< HEAD\n[values]", "b.toml:5: not valid TOML"),
    ],
)
def test_a_broken_file_is_named_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: str, new: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "b.toml"
    assert old in VALID
    path.write_text(VALID.replace(old, new), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_baseline(path)
    (found,) = caught.value.messages
    assert found.startswith(message)
    assert "not valid TOML" in found or found.endswith("; write it anew with `update_baseline`")


def test_a_number_without_unit_is_read_exactly(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    path.write_text(VALID.replace("a = 1", "a = 1.4386"), encoding="utf-8")
    assert read_baseline(path).values == {"a": Recorded(Stated(Fraction("1.4386"), "1"))}
