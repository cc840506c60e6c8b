"""The command `identify`."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.signal import lfilter

from shaftloop.cli.main import cli
from shaftloop.scenario.reading import read_scenario, stated_value
from shaftloop.scenario.shipped import shipped_folder


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
    assert header.startswith("frequency [Hz],gain [rpm per N m],phase [deg]") and len(rows) == 1500


def test_orders_that_are_taken_out_of_a_response_are_named() -> None:
    arguments = ("--response", "run.csv", "--log", "delimiter=;", "--from", "M", "--to", "n")
    result = identify(*arguments, "--order", "2", "--order", "37/11", "--speed", "n", "--pictures", "none")
    assert "Taken out by the angle of n: order 2, 37/11." in result.stdout.splitlines()
    assert "Taken out" not in identify(*arguments, "--pictures", "none").stdout


def test_the_document_states_figures_with_intervals() -> None:
    arguments = ("--response", "run.csv", "--log", "delimiter=;", "--from", "M", "--to", "n", "--json")
    document = json.loads(identify(*arguments).stdout)
    figures = document["figures"]
    assert figures["1.frequency"]["unit"] == "Hz"
    low, high = (figures[f"1.damping_{side}"]["value"] for side in ("low", "high"))
    assert low < figures["1.damping"]["value"] < high
    assert document["logs"][0]["columns"][1]["unit"] == "rpm" and document["unit"] == "rpm per N m"
    assert not Path("shaftloop-out").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["run.csv", "--from", "M", "--to", "n"], 2, "--from and --to: of use with --response alone"),
        (["--response", "run.csv", "--to", "n"], 2, "--response needs the columns --from and --to"),
        (["--response", "run.csv", "--from", "M", "--to", "n"], 2, "the columns are not told apart"),
        (["--response", "no.csv", "--from", "M", "--to", "n"], 2, "no.csv: cannot be read: No such file"),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--set", "a=1", "--hold-out", "10 %"],
            2,
            "--set and --hold-out: of use with a scenario alone, which --response has not",
        ),
        (["--response", "run.csv", "--from", "M", "--to", "n", "--period", "0 s"], 2, "--period"),
        (["--response", "run.csv", "--from", "M", "--to", "n", "--period", "5"], 2, "the unit is missing"),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--order", "-1"],
            2,
            "--order: -1 is out of range; allowed: above 0 and at most 1000 periods per turn",
        ),
        (["reference-bench", "run.csv", "--free", "a.b", "--order", "0"], 2, "--order: 0 is out of range"),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--order", "inf"],
            2,
            "--order: inf is out of range",
        ),
        (
            ["--response", "run.csv", "--from", "M", "--to", "n", "--speed", "n"],
            2,
            "--speed is of use to orders alone: name one, --order, or leave it out",
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
    named = json.loads(identify(*arguments, "--order", "24", "--speed", "load_speed", "--json").stdout)
    (order,) = named["orders_taken_out"]
    assert (order["order"], order["of"], order["found"]) == (24.0, "load_speed", False)
    assert order["amplitudes"]["reading"]["unit"] == "N m"
    assert any("order 24 of load_speed is taken out of " in said for said in named["warnings"])


def test_a_loop_on_an_encoder_is_warned_of_unless_its_command_plays() -> None:
    settings = ("--set", "duration=40 ms")
    made = CliRunner().invoke(cli, ["simulate", "wheel-hub", *settings, "--json", "--traces", "hub.npz"])
    assert made.exit_code == 0, made.output
    fit = ("wheel-hub", "hub.npz", *settings, "--free", "line.load.inertia", "--json")
    warning = "loop speed: closed on an encoder"
    assert any(warning in said for said in json.loads(identify(*fit).stdout)["warnings"])
    played = identify(*fit, "--log", "column.speed_command.plays=true")
    assert not any(warning in said for said in json.loads(played.stdout)["warnings"])


HUB = ("--free", "line.c1.stiffness", "--free", "line.load.inertia", "--free", "line.ts.filter.cutoff")
"""The cutoff stands in a table of the part file alone."""


def hub(*more: str) -> Path:
    """Return a scenario of ours whose log is hub.npz; its load machine is stated too light."""
    text = (shipped_folder() / "wheel-hub.toml").read_text("utf-8")
    text = text.replace('title = "', 'duration = "1.3 s"\ntitle = "', 1).replace('duration = "2.5 s"\n', "")
    Path("hub.toml").write_text(text, encoding="utf-8")
    made = CliRunner().invoke(
        cli, ["simulate", "hub.toml", "--set", "record.rate=2 kHz", "--json", "--traces", "own.npz", *more]
    )
    assert made.exit_code == 0, made.output
    rng = np.random.default_rng(0)
    with np.load("own.npz") as file:
        noisy = {
            name: file[name] + 0.05 * rng.normal(size=len(file[name])) for name in ("reading", "load_speed")
        }
        np.savez("hub.npz", time=file["time"], units=file["units"], **noisy)
    light = 'name = "load"\ninertia = "0.0265 kg m^2"  # data sheet'
    text = text.replace('name = "load"\n', light + "\n", 1)
    Path("hub.toml").write_text(text, encoding="utf-8")
    return Path("hub.toml")


def test_what_was_found_goes_into_the_file_beside_its_comments() -> None:
    path = hub()
    before = path.read_text("utf-8").splitlines()
    for _ in range(2):  # a second time replaces the remarks of the first
        result = identify("hub.toml", "hub.npz", *HUB, "--write", "--json")
        assert result.exit_code == 0, result.output
    after = path.read_text("utf-8").splitlines()
    new = [line for line in after if line not in before]
    assert [line for line in before if line not in after] == ['inertia = "0.0265 kg m^2"  # data sheet']
    assert len(new) == 3 and all(line.count(" found in hub.npz, ") == 1 for line in new)
    assert any("# data sheet; inertia found in hub.npz, 0.02" in line for line in new)
    written = read_scenario(path).description
    parameters = {entry["path"]: entry for entry in json.loads(result.stdout)["parameters"]}
    for name in ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff"):
        found = parameters[name]
        stated = float(str(stated_value(path, name)).split()[0])
        spread = found["standard_deviation"]["value"]
        assert abs(stated - found["value"]["value"]) < 0.1 * spread
    assert written.title == read_scenario("wheel-hub").description.title


def test_a_log_that_contradicts_the_bench_ends_with_1_and_writes_nothing() -> None:
    path = hub(
        "--set",
        "line.ts.latency=6 ms",
        "--set",
        "line.ts.filter.order=4",
        "--set",
        "line.ts.filter.cutoff=60 Hz",
    )
    before = path.read_text("utf-8")
    result = identify("hub.toml", "hub.npz", "--free", "line.load.inertia", "--write", "--out", "o")
    assert result.exit_code == 1, result.output
    assert result.stdout.startswith("The log contradicts the bench")
    assert "nothing is written to the scenario: the log contradicts the bench" in result.output
    assert path.read_text("utf-8") == before
    tuned = CliRunner().invoke(cli, ["tune", "hub.toml", "--loop", "torque", "--tolerance", "o/fit.json"])
    assert tuned.exit_code == 2 and "its log contradicts the bench" in tuned.output


def test_what_has_changed_since_an_earlier_date_comes_first() -> None:
    hub()
    assert identify("hub.toml", "hub.npz", *HUB[:4], "--out", "o").exit_code == 0
    same = identify("hub.toml", "hub.npz", *HUB[:4], "--since", "o/fit.json", "--json")
    assert same.exit_code == 0
    document = json.loads(same.stdout)
    assert document["answer"][0].startswith("The bench is still the one of o/fit.json: a change by ")
    earlier = json.loads(Path("o/fit.json").read_text())
    earlier["parameters"][1]["value"]["value"] *= 1.5
    Path("o/fit.json").write_text(json.dumps(earlier))
    changed = identify("hub.toml", "hub.npz", *HUB[:4], "--since", "o/fit.json")
    assert changed.exit_code == 1
    first = changed.stdout.splitlines()[0]
    assert first.startswith("Since o/fit.json the bench has changed: line.load.inertia by -33 % ± ")
    assert first.endswith("; nothing else beyond its uncertainty.")


def test_intervals_of_a_fit_are_tolerances_of_the_tuning() -> None:
    hub()
    assert identify("hub.toml", "hub.npz", *HUB[:4], "--out", "o").exit_code == 0
    tune = ["tune", "hub.toml", "--loop", "torque", "--json", "--tolerance"]
    result = CliRunner().invoke(cli, [*tune, "o/fit.json"])
    assert result.exit_code in (0, 1), result.output
    tolerance, _ = json.loads(result.stdout)["tolerances"]
    low = json.loads(Path("o/fit.json").read_text())["parameters"][0]["low"]["value"]
    assert tolerance.startswith(f"line.c1.stiffness={low:.12g} N m/rad..")
    Path("none.json").write_text("[1]")
    refused = CliRunner().invoke(cli, [*tune, "none.json"])
    assert refused.exit_code == 2 and "give the fit.json that it wrote" in refused.output
    missing = CliRunner().invoke(cli, [*tune, "no.json"])
    assert missing.exit_code == 2 and "cannot be read: No such file" in missing.output


def test_a_shipped_scenario_is_not_written() -> None:
    result = identify("wheel-hub", "run.csv", "--free", "line.c1.stiffness", "--write")
    assert result.exit_code == 2 and "comes with the package and stays as it is; use a copy" in result.output


PLAN = ("--plan", "--free", "line.load.inertia", "--kind", "steps", "--length", "0.4 s")


def test_a_plan_is_a_scenario_that_runs() -> None:
    Path("own.toml").write_text((shipped_folder() / "reference-bench.toml").read_text("utf-8"), "utf-8")
    result = identify("own.toml", *PLAN, "--logged", "reading=0.5 N m", "--write")
    assert result.exit_code == 0, result.output
    first, second, *rest = result.stdout.splitlines()
    assert first.startswith("Record 400 ms of random steps: it tells line.load.inertia ± ")
    assert "nothing trips, stays at a clamp or passes a rating; nearest comes" in second
    assert any("On a real bench begin an injection small" in line for line in rest)
    assert "own-plan.toml" in result.stdout
    planned = read_scenario("own-plan.toml")
    assert planned.text.startswith("# Caution: On a real bench") and not planned.description.expect
    assert any(step.do == "step" for step in planned.description.sequence)
    document = json.loads(Path("shaftloop-out/own/plan.json").read_text())
    assert document["sure_enough"] and document["logged"][0]["noise"] == {"value": 0.5, "unit": "N m"}
    assert Path("shaftloop-out/own/plan.png").is_file()
    made = CliRunner().invoke(cli, ["simulate", "own-plan.toml", "--json", "--traces", "run.npz"])
    assert made.exit_code == 0, made.output
    rng = np.random.default_rng(0)
    with np.load("run.npz") as file:
        noisy = {
            name: file[name] + 0.1 * rng.normal(size=len(file[name])) for name in ("reading", "load_speed")
        }
        np.savez("run.npz", time=file["time"], units=file["units"], **noisy)
    fitted = identify("own-plan.toml", "run.npz", "--free", "line.load.inertia", "--json")
    assert fitted.exit_code == 0, fitted.output


def test_a_plan_that_is_not_sure_enough_ends_with_1() -> None:
    result = identify("reference-bench", *PLAN, "--logged", "reading=50 N m", "--within", "0.1 %", "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["answer"][0].startswith("No experiment makes line.load.inertia sure to")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["reference-bench", "run.csv", *PLAN], "--plan comes before any log"),
        (["reference-bench", *PLAN, "--order", "2"], "--plan comes before any log"),
        (["reference-bench", "run.csv", "--length", "2 s"], "--length: of use with --plan alone; add it"),
        (["reference-bench", "run.csv", "--within", "2 %"], "--within: of use with --plan alone; add it"),
        (["reference-bench", *PLAN, "--set", "seed=2", "--write"], "with --set the file is not the bench"),
        (["reference-bench", "--plan"], "nothing is free"),
        (["reference-bench", *PLAN, "--free", "line.c1.stifness"], "no such value; nearest: line.c1.stiff"),
        (["reference-bench", *PLAN, "--logged", "readin"], '--logged "readin": no such channel; nearest'),
    ],
)
def test_a_plan_that_is_asked_for_wrongly(arguments: list[str], message: str) -> None:
    result = identify(*arguments)
    assert result.exit_code == 2 and message in " ".join(result.output.split())
