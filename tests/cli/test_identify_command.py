"""The command `identify`."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.signal import lfilter

from shaftloop.cli.main import cli


def identify(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["identify", *arguments])


@pytest.fixture(autouse=True)
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(0)
    u = rng.normal(size=3000)
    pole = np.exp(0.3 * (-0.05 + 1j))
    a = np.poly([pole, pole.conj()]).real
    y = lfilter([0.0, a.sum()], a, u) + 0.05 * rng.normal(size=3000)
    rows = zip((np.arange(3000) / 500.0).tolist(), u.tolist(), y.tolist(), strict=True)
    lines = "".join(f"{t:.4f};{v:.6f};{w:.6f}\n" for t, v, w in rows)
    Path("run.csv").write_text("time [s];M [Nm];n [U/min]\n" + lines)


def test_the_answer_comes_first_and_files_hold_the_response() -> None:
    result = identify("--response", "run.csv", "--log", "delimiter=;", "--from", "M", "--to", "n")
    assert result.exit_code == 0
    first, second, third, *rest = result.stdout.splitlines()
    assert first.startswith("The response from M to n shows 1 resonance: 23.")
    assert second == "The dead time is 1 sample (1 to 1), 2.000 ms."
    assert third.endswith("a linear response is not contradicted.")
    assert any("run.csv: 3000 rows, 0 s to 5.998 s, 500 Hz, read as --log states" in line for line in rest)
    assert any(line == "  n [rpm]" for line in rest)
    folder = Path("shaftloop-out/run")
    assert {path.name for path in folder.iterdir()} == {"response.json", "response.csv", "response.png"}
    header, *rows = (folder / "response.csv").read_text().splitlines()
    assert header.startswith("frequency [Hz],gain [rpm per Nm],phase [deg]") and len(rows) == 1500


def test_the_document_states_figures_with_intervals() -> None:
    arguments = ("--response", "run.csv", "--log", "delimiter=;", "--from", "M", "--to", "n", "--json")
    document = json.loads(identify(*arguments).stdout)
    figures = document["figures"]
    assert figures["1.frequency"]["unit"] == "Hz"
    low, high = (figures[f"1.damping_{side}"]["value"] for side in ("low", "high"))
    assert low < figures["1.damping"]["value"] < high
    assert document["logs"][0]["columns"][1]["unit"] == "rpm" and document["unit"] == "rpm per Nm"
    assert not Path("shaftloop-out").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["run.csv", "--from", "M", "--to", "n"], 2, "belong to a response: add --response"),
        (["--response", "run.csv", "--to", "n"], 2, "--response needs the columns --from and --to"),
        (["--response", "run.csv", "--from", "M", "--to", "n"], 2, "the columns are not told apart"),
        (["--response", "no.csv", "--from", "M", "--to", "n"], 2, "no.csv: cannot be read: No such file"),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--set", "a=1"],
            2,
            "belong to a scenario, which --response has not",
        ),
        (["--response", "run.csv", "--from", "M", "--to", "n", "--period", "0 s"], 2, "--period"),
        (["--response", "run.csv", "--from", "M", "--to", "n", "--period", "5"], 2, "the unit is missing"),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--order", "-1"],
            2,
            "--order must be above 0",
        ),
    ],
)
def test_wrong_input(arguments: list[str], code: int, message: str) -> None:
    result = identify(*arguments)
    assert result.exit_code == code and message in result.output


def test_a_fit_says_first_whether_the_log_contradicts_the_bench() -> None:
    settings = ("--set", "duration=60 ms", "--set", "record.rate=4 kHz")
    made = CliRunner().invoke(
        cli, ["simulate", "reference-bench", *settings, "--json", "--traces", "own.npz"]
    )
    assert made.exit_code == 0
    rng = np.random.default_rng(0)
    with np.load("own.npz") as file:
        noisy = {
            name: file[name] + 0.05 * rng.normal(size=len(file[name])) for name in ("reading", "load_speed")
        }
        np.savez("own.npz", time=file["time"], units=file["units"], **noisy)
    start = "line.load.inertia=0.032 kg m^2"
    arguments = ("reference-bench", "own.npz", *settings, "--free", start, "--hold-out", "20 %")
    result = identify(*arguments)
    assert result.exit_code == 0, result.output
    first, *rest = result.stdout.splitlines()
    assert first.startswith("The log does not contradict the bench, with line.load.inertia 0.0")
    assert "good" not in result.stdout
    assert any("runs of the bench; noise and rounding are off in them" in line for line in rest)
    assert {path.name for path in Path("shaftloop-out/reference-bench").iterdir()} == {"fit.json", "fit.png"}
    document = json.loads(Path("shaftloop-out/reference-bench/fit.json").read_text())
    (parameter,) = document["parameters"]
    assert parameter["value"]["unit"] == "kg m^2" and abs(parameter["value"]["value"] - 0.03) < 3e-4
    assert document["contradicted"] is False and document["channels"]["reading"]["fit"]["value"] > 0.9


def test_a_loop_on_an_encoder_is_warned_of_unless_its_command_plays() -> None:
    settings = ("--set", "duration=40 ms")
    made = CliRunner().invoke(cli, ["simulate", "wheel-hub", *settings, "--json", "--traces", "hub.npz"])
    assert made.exit_code == 0, made.output
    fit = ("wheel-hub", "hub.npz", *settings, "--free", "line.load.inertia", "--json")
    warning = "loop speed: closed on an encoder"
    assert any(warning in said for said in json.loads(identify(*fit).stdout)["warnings"])
    played = identify(*fit, "--log", "column.speed_command.plays=true")
    assert not any(warning in said for said in json.loads(played.stdout)["warnings"])
