"""The command `uncertainty`."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from randombench import random_bench
from shaftloop.cli.main import cli
from uncertainty_bench import METERED, PLAN, write_bench

MEASURED = """\
title = "Power of a shaft"

[quantity.torque]
value = "90 N m"
distribution = "rectangular"
half_width = "0.2 N m"

[quantity.speed]
value = "800 rpm"
expanded_uncertainty = "1 rpm"
coverage_factor = 2

[[measurement]]
name = "power"
expression = "torque * speed"
unit = "kW"
"""


def uncertainty(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["uncertainty", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = uncertainty(*arguments, "--json")
    assert result.exit_code == 0, result.output
    assert "NaN" not in result.stdout
    return dict(json.loads(result.stdout))


def refused(path: Path, text: str, *arguments: str) -> str:
    path.write_text(text, encoding="utf-8")
    result = uncertainty(str(path), *arguments)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return result.output


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(write_bench(tmp_path_factory.mktemp("bench")))


def test_inputs_that_are_called_alike_are_told_apart_by_their_quantity(tmp_path: Path) -> None:
    options = ("--trials", "5000", "--pictures", "svg", "--out", str(tmp_path))
    assert uncertainty("truck-axle", *options).exit_code == 0
    words = re.findall(r">([^<>]+)</text>", (tmp_path / "contributions-1.svg").read_text(encoding="utf-8"))
    assert {"torque: drift inside the window", "speed: drift inside the window"} <= set(words)
    assert words.count("drift inside the window") == 2  # Of torque and speed alone, where it is the only one.


def test_a_bench_writes_document_and_pictures(bench: str, tmp_path: Path) -> None:
    result = uncertainty(bench, "--map", "--trials", "5000", "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    assert "drive motoring at 800.0 rpm" in result.output
    assert "Contributions to efficiency" in result.output
    assert "Correlation of torque and speed errors" in result.output
    files = {path.name: path.stat().st_size for path in (tmp_path / "out").iterdir()}
    pictures = {f"{name}.png" for name in ("contributions", "window", "map")}
    assert set(files) == pictures | {"uncertainty.json"}
    assert all(files[name] > 5_000 for name in pictures)
    written = json.loads((tmp_path / "out" / "uncertainty.json").read_text(encoding="utf-8"))
    assert written["map"]["input_output_expanded"]["unit"] == "1"


def test_the_document_of_a_bench(bench: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    found = document(bench, "--trials", "4000", "--point", "800 rpm, 20 N m", "--point", "400 rpm, -10 N m")
    assert list(tmp_path.iterdir()) == []
    first, second = found["points"]
    assert (first["motoring"], second["motoring"]) == (True, False)
    assert set(first["results"]) >= {
        "torque",
        "speed",
        "mechanical_power",
        "electrical_power",
        "efficiency",
        "efficiency_from_losses",
        "other_power",
        "other_loss",
        "supply_power",
        "returned_share",
    }
    eta = first["results"]["efficiency"]
    assert sum(row["share_of_variance"] for row in eta["contributions"]) == pytest.approx(1.0, abs=1e-6)
    assert first["efficiency_methods"]["better"] == "input_output"
    assert first["results"]["other_loss"]["relative_expanded_uncertainty"]["reason"] == "the value is zero"
    assert "map" not in found


def test_several_points_have_a_picture_each(bench: str, tmp_path: Path) -> None:
    points = ["--point", "800 rpm, 20 N m", "--point", "400 rpm, 10 N m"]
    assert uncertainty(bench, *points, "--trials", "2000", "--out", str(tmp_path)).exit_code == 0
    assert {"contributions-1.png", "contributions-2.png"} <= {path.name for path in tmp_path.iterdir()}


def test_efficiency_above_one_is_said_and_not_clipped(bench: str) -> None:
    poor = [bench, "--trials", "20000", "--set", "power_meter.p-drive.class_range=5 %"]
    found = document(*poor)["points"][0]
    assert found["efficiency_above_one"]["clipped"] is False
    assert 0.1 < found["efficiency_above_one"]["share_of_trials"] < 0.5
    assert found["results"]["efficiency"]["monte_carlo"]["high"]["value"] > 1.1
    said = " ".join(uncertainty(*poor).output.split())
    assert "of the trials give an efficiency above 1" in said and "it is not clipped" in said


def test_a_value_within_its_uncertainty_of_zero_has_none_relative_to_it(tmp_path: Path) -> None:
    result = uncertainty("steering-spring", "--pictures", "none", "--out", str(tmp_path))
    assert "not meaningful near 0 mN m" in result.output and "e+" not in result.output


def test_without_meters_it_says_what_is_missing(tmp_path: Path) -> None:
    path = write_bench(tmp_path, METERED.partition("[[power_meter]]")[0])
    found = document(str(path), "--trials", "1000")["points"][0]
    assert found["efficiency_methods"]["better"] is None
    assert found["efficiency_methods"]["input_output_expanded"]["value"] is None
    assert any("no [[power_meter]] reads it" in text for text in found["left_out"])


def test_a_measurement_file(tmp_path: Path) -> None:
    path = tmp_path / "power.toml"
    path.write_text(MEASURED, encoding="utf-8")
    found = document(str(path))["results"]["power"]
    # 90 N m at 800 rpm; 0.2/(√3·90) and 0.5/800 add as squares.
    assert found["value"] == pytest.approx(7.539822, rel=1e-6)
    relative = ((0.2 / 90.0) ** 2 / 3.0 + (0.5 / 800.0) ** 2) ** 0.5
    assert found["standard_uncertainty"]["value"] == pytest.approx(7.539822 * relative, rel=1e-6)
    assert found["expression"] == "torque * speed"
    result = uncertainty(str(path), "--trials", "5000", "--out", str(tmp_path / "out"))
    assert result.exit_code == 0 and "Power of a shaft" in result.output
    files = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert files == ["contributions.png", "uncertainty.json"]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('half_width = "0.2 N m"\n', "", "half_width"),
        ("coverage_factor = 2", "coverage_factor = 2\ndof = 0.5", "dof"),
        ("torque * speed", "torque * __import__('os')", "expression"),
        ("torque * speed", "torque + speed", "expression"),
        ("torque * speed", "torque * sped", "sped"),
    ],
)
def test_a_bad_measurement_file(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in MEASURED
    assert message in refused(tmp_path / "m.toml", MEASURED.replace(old, new))


def test_correlations_that_contradict_each_other(tmp_path: Path) -> None:
    third = '\n[quantity.arm]\nvalue = "1 m"\nstandard_uncertainty = "1 mm"\n'
    pairs = {("torque", "speed"): 0.9, ("speed", "arm"): 0.9, ("torque", "arm"): -0.9}
    text = MEASURED.replace('distribution = "rectangular"\nhalf_width', "standard_uncertainty") + third
    for (a, b), value in pairs.items():
        text += f'\n[[correlation]]\nbetween = ["{a}", "{b}"]\ncoefficient = {value}\n'
    assert "positive semidefinite" in refused(tmp_path / "m.toml", text)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--point", "800 rpm, 60 N m"], "beyond the rated torque of ts, 50 N m"),
        (["--point", "800 rpm"], "write speed and torque"),
        (["--trials", "many"], "no whole number from 2 to"),
        (["--trials", "1"], 'not "adaptive"'),
        (["--set", "uncertainty.coverage=1.5"], "coverage"),
    ],
)
def test_bad_options(bench: str, arguments: list[str], message: str) -> None:
    result = uncertainty(bench, *arguments)
    assert result.exit_code == 2
    assert message in result.output


def test_a_point_that_the_bench_cannot_hold(bench: str) -> None:
    result = uncertainty(bench, "--point", "4000 rpm, 20 N m")
    assert result.exit_code in (2, 3)
    assert "3000 rpm" in result.output


def test_options_of_a_bench_do_not_go_with_a_measurement_file(tmp_path: Path) -> None:
    assert "go with a scenario" in refused(tmp_path / "m.toml", MEASURED, "--map")


def test_adaptive_trials(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(MEASURED, encoding="utf-8")
    found = document(str(path), "--trials", "adaptive")["monte_carlo"]
    assert found["stable"] is True and found["trials"] >= 20_000


def test_no_such_file() -> None:
    assert uncertainty("no-such-bench").exit_code == 2


def test_the_table_is_read(tmp_path: Path) -> None:
    path = write_bench(tmp_path, METERED + PLAN.replace('window = "0.5 s"', 'window = "2 s"'))
    assert document(str(path), "--trials", "1000")["window"] == {"value": 2.0, "unit": "s"}


KINK = """quantity.x = { value = "0 N m", standard_uncertainty = "1 N m" }

[[measurement]]
name = "size"
expression = "abs(x) + 0.5*x"
unit = "N m"
"""


def test_monte_carlo_alone(tmp_path: Path) -> None:
    path = tmp_path / "kink.toml"
    path.write_text(KINK, encoding="utf-8")
    refusal = uncertainty(str(path))
    assert refusal.exit_code == 3 and "--monte-carlo-alone" in refusal.output
    result = uncertainty(
        str(path), "--monte-carlo-alone", "--trials", "20000", "--out", str(tmp_path / "out")
    )
    assert result.exit_code == 0, result.output
    assert "No first-order budget: value, U and k are those of the trials." in result.output
    assert " +2.1 -0.8 N m " in result.output
    written = json.loads((tmp_path / "out" / "uncertainty.json").read_text(encoding="utf-8"))
    size = written["results"]["size"]
    assert size["expanded_uncertainty"] == {
        "value": None,
        "unit": "N m",
        "reason": "Monte Carlo alone was asked for",
    }
    assert size["stated"]["by"] == "monte_carlo" and size["first_order"] is None
    assert (tmp_path / "out" / "contributions.png").stat().st_size > 5_000


def test_monte_carlo_alone_is_for_measurement_files(bench: str) -> None:
    result = uncertainty(bench, "--monte-carlo-alone")
    assert result.exit_code == 2
    assert "goes with a measurement file" in result.output


def test_the_stated_interval_is_of_monte_carlo_where_the_budget_does_not_hold(tmp_path: Path) -> None:
    text = MEASURED.replace('expanded_uncertainty = "1 rpm"', 'expanded_uncertainty = "0.01 rpm"')
    path = tmp_path / "m.toml"
    path.write_text(text, encoding="utf-8")
    power = document(str(path), "--trials", "400000")["results"]["power"]
    assert (power["coverage_factor"], power["stated"]["by"]) == (pytest.approx(1.96, abs=1e-3), "monte_carlo")
    assert power["stated"]["coverage_factor"]["value"] == pytest.approx(1.645, abs=5e-3)
    shown = uncertainty(str(path), "--trials", "400000", "--out", str(tmp_path)).output
    assert (
        " 1.65 " in shown and " no " in shown and "where not, value, U and k are those of the trials" in shown
    )


def test_what_nothing_measures_has_no_uncertainty(tmp_path: Path) -> None:
    """A line without encoder: not ±0.0000 but no figure, in table, document and pictures."""
    path = write_bench(
        tmp_path, re.sub(r'\[\[line\]\]\npart = "encoder".*?\n\n', "", METERED + PLAN, flags=re.S)
    )
    found = document(str(path), "--trials", "2000")
    speed = found["points"][0]["results"]["speed"]
    reason = "not measured: no encoder turns with the sensor"
    assert speed["value"] == pytest.approx(83.7758, abs=1e-3)
    for figure in ("standard_uncertainty", "expanded_uncertainty", "relative_expanded_uncertainty"):
        assert (speed[figure]["value"], speed[figure]["reason"]) == (None, reason)
    assert speed["stated"]["high"]["reason"] == speed["monte_carlo"]["high"]["reason"] == reason
    assert speed["first_order"] is None
    assert "speed" not in found["best_window"]
    shown = uncertainty(str(path), "--trials", "2000", "--out", str(tmp_path / "out")).output
    assert "800.0 rpm, not measured" in shown and reason in shown and "± 0.000" not in shown


def test_a_bench_without_any_stated_error_is_told_in_words(tmp_path: Path) -> None:
    """A sensor without errors, no encoder, no meter: nothing contributes, nothing has an uncertainty."""
    path = tmp_path / "ideal.toml"
    path.write_text(random_bench(10, 0.01))
    result = uncertainty(str(path), "--trials", "1000", "--out", str(tmp_path / "out"))
    assert (result.exit_code, result.stderr) == (0, "")
    assert "nothing says how sure the torque is: no error of its sensor is stated." in result.stdout
    assert "torque: not known: no error of it is stated" in result.stdout
    assert "Averaging window 1.00 s." in result.stdout
    assert (tmp_path / "out" / "window.png").is_file()
