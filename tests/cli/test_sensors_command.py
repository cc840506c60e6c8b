"""The command `sensors`."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli
from uncertainty_bench import write_bench

PART = """\
part = "torque_sensor"
rated = "{rated} N m"
stiffness = "40 kN m/rad"
damping = "2 N m s/rad"
inertia_left = "0.002 kg m^2"
filter = {{ kind = "butterworth", order = 4, cutoff = "{cutoff} Hz" }}
sampling = "{sampling} Hz"
zero = "{zero} mN m"
"""


def sensors(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["sensors", *arguments])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(write_bench(tmp_path_factory.mktemp("bench")))


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("parts")
    stated = {
        "good": (50, 1000, 10_000, 10),
        "better": (50, 1000, 10_000, 5),
        "small": (10, 1000, 10_000, 1),
        "weak": (25, 1000, 10_000, 1),
        "vague": (50, 1000, 10_000, 500),
        "slow": (50, 50, 10_000, 10),
        "sparse": (50, 1000, 150, 10),
        "folding": (50, 3000, 400, 10),
    }
    files = []
    for name, (rated, cutoff, sampling, zero) in stated.items():
        files.append(folder / f"{name}.toml")
        text = PART.format(rated=rated, cutoff=cutoff, sampling=sampling, zero=zero)
        files[-1].write_text(text, encoding="utf-8")
    return [str(file) for file in files]


CALM = {"torque_ripple": "0 N m", "torque_drift": "0 N m/s"}
DEMAND = ["--require", "0.5 %", "--peak", "40 N m", "--bandwidth", "100 Hz"]


def document(*arguments: str) -> dict[str, Any]:
    result = sensors(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return dict(json.loads(result.stdout))


def test_each_fails_for_its_reason(bench: str, parts: list[str]) -> None:
    judged = document(bench, *parts, *DEMAND)["candidates"]
    assert [entry["part"] for entry in judged if entry["serves"]] == ["better", "good"]
    reasons = {entry["part"]: "; ".join(entry["reasons"]) for entry in judged}
    assert "rated torque 10 N m is below the 20 N m to be measured" in reasons["small"]
    assert "peak 40 N m is above its rated torque" in reasons["weak"]
    assert "uncertain by 2.8 % at 800 rpm, 20 N m, allowed 0.5 %" in reasons["vague"]
    assert "a higher cutoff is needed" in reasons["slow"]
    assert "sampling at 150 Hz shows nothing above 75 Hz" in reasons["sparse"]
    assert "faster sampling or a lower cutoff is needed" in reasons["folding"]


def test_the_terminal_and_the_file(bench: str, parts: list[str], tmp_path: Path) -> None:
    result = sensors(bench, *parts, *DEMAND, "--out", str(tmp_path))
    assert result.exit_code == 0, result.output
    assert "No data for any of them: " in result.output
    assert "≥" not in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["sensors.json"]


def test_exit_1_where_none_serves(bench: str, parts: list[str], tmp_path: Path) -> None:
    result = sensors(bench, parts[2], *DEMAND, "--out", str(tmp_path))
    assert result.exit_code == 1
    assert "None of them serves." in result.output
    assert sensors(bench, parts[2], *DEMAND, "--json").exit_code == 1


def test_without_a_requirement_no_uncertainty_is_judged(bench: str, parts: list[str], tmp_path: Path) -> None:
    """A sensor of fifty times the torque is strong enough, which does not make it serve."""
    big = tmp_path / "big.toml"
    big.write_text(PART.format(rated=1000, cutoff=1000, sampling=10_000, zero=3000), encoding="utf-8")
    arguments = [bench, str(big), *parts[:3], "--peak", "40 N m"]
    judged = document(*arguments)["candidates"]
    assert [(entry["part"], entry["serves"]) for entry in judged] == [
        ("better", None),
        ("good", None),
        ("big", None),
        ("small", False),
    ]
    shown = sensors(*arguments, "--out", str(tmp_path / "out")).output
    assert shown.startswith(
        "3 of 4 torque sensors bear the torque: better, good, big; whether one is certain"
    )
    assert "Whether a sensor is certain enough is not judged; say what is needed: --require" in shown
    assert "yes" not in shown and shown.count("not judged") == 5


def test_unequal_data_do_not_rank_together(bench: str, parts: list[str], tmp_path: Path) -> None:
    """Of the certain one less is stated: it stands behind, marked, though its U is the smaller."""
    full = tmp_path / "full.toml"
    text = PART.format(rated=50, cutoff=1000, sampling=10_000, zero=10)
    accuracy = 'accuracy = { calibration = "0.1 %", long_term = "0.02 %" }\n'
    full.write_text(text + accuracy, encoding="utf-8")
    arguments = [bench, parts[1], str(full), *DEMAND]
    first, second = document(*arguments)["candidates"]
    assert (first["part"], second["part"]) == ("full", "better")
    names = "relative_expanded_uncertainty"
    assert second[names]["value"] < first[names]["value"]
    assert first["left_out_unlike_others"] == []
    assert second["left_out_unlike_others"] == [
        "torque: calibration (accuracy.calibration)",
        "torque: change between calibrations (accuracy.long_term)",
    ]
    shown = sensors(*arguments, "--out", str(tmp_path / "out")).output
    assert "as far as stated" in shown and shown.count("≥ ") == 1
    assert "better: no data of calibration (accuracy.calibration), change between calibrations" in shown


def test_a_sensor_without_any_stated_error_does_not_serve(bench: str, tmp_path: Path) -> None:
    bare = tmp_path / "bare.toml"
    text = PART.format(rated=50, cutoff=1000, sampling=10_000, zero=0)
    bare.write_text(text, encoding="utf-8")
    calm = [f"uncertainty.{key}={value}" for key, value in CALM.items()]
    settings = [word for setting in calm for word in ("--set", setting)]
    result = sensors(bench, str(bare), *settings, *DEMAND, "--json")
    (entry,) = json.loads(result.stdout)["candidates"]
    assert result.exit_code == 1
    assert entry["relative_expanded_uncertainty"]["value"] is None
    assert entry["reasons"] == ["no error of it is stated, so nothing says how certain it is"]


def test_without_a_peak_the_sequence_is_run(bench: str, parts: list[str]) -> None:
    (entry,) = document(bench, parts[0])["candidates"]
    assert 10.0 < entry["peak"]["value"] < 30.0
    assert entry["amplitude_share"]["value"] is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--require", "3 N m"], "--require"),
        (["--peak", "0 N m"], "must be above 0"),
        (["--point", "800 rpm"], "write speed and torque"),
    ],
)
def test_bad_options(bench: str, arguments: list[str], message: str) -> None:
    result = sensors(bench, *arguments)
    assert result.exit_code == 2
    assert message in result.output


def test_files_that_are_no_sensor(bench: str, tmp_path: Path) -> None:
    other = tmp_path / "disc.toml"
    other.write_text('part = "flywheel"\ninertia = "1 kg m^2"\n', encoding="utf-8")
    assert "none of the files is a torque sensor" in sensors(bench, str(other)).output
    bad = tmp_path / "bad.toml"
    bad.write_text(PART.format(rated=-5, cutoff=100, sampling=1000, zero=1), encoding="utf-8")
    result = sensors(bench, str(bad))
    assert result.exit_code == 2 and "bad.toml:2: rated" in result.output
