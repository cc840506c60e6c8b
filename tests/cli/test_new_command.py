"""`shaftloop new`: a newcomer's path from an empty folder to a report of margins."""

import importlib
import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli
from shaftloop.scenario.first import FirstBench, first_scenario
from shaftloop.scenario.reading import read_scenario

command = importlib.import_module("shaftloop.cli.new")


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    "options",
    [
        (),
        ("--torque", "0.3 N m", "--speed", "20000 rpm"),
        ("--torque", "2.5 kN m", "--speed", "300 rpm", "--bus", "1 ms", "--sensor", "5 kN m"),
        ("--torque", "90 N m", "--speed", "3000 rpm", "--coupling", "2 kN m/rad", "--inertia", "0.1 kg m^2"),
    ],
    ids=["nothing stated", "spindle", "truck over a bus", "soft and heavy"],
)
def test_from_an_empty_folder_to_a_report_of_margins(options: tuple[str, ...], tmp_path: Path) -> None:
    written = call("new", "first", *options)
    assert written.exit_code == 0 and written.stdout.startswith("first.toml is a bench for ")
    assert read_scenario(tmp_path / "first.toml").warnings == ()
    shown = call("show", "first.toml")
    assert shown.exit_code == 0 and "first.toml:" in shown.stdout
    run = json.loads(call("simulate", "first.toml", "--json").stdout)
    assert [load for load in run["ratings"] if load["beyond_rating"]] == [] and run["events"] == []
    assert run["metrics"]["torque_settling_time"]["value"] is not None
    checked = call("check", "first.toml")
    assert checked.exit_code == 0 and "3 of 3 expectations hold" in checked.stdout, checked.output
    report = call("margins", "first.toml")
    assert report.exit_code == 0 and (tmp_path / "shaftloop-out/first/margins.json").is_file()


def test_what_is_stated_stands_in_the_file_and_only_estimates_are_marked(tmp_path: Path) -> None:
    stated = (
        "--inertia",
        "0.08 kg m^2",
        "--coupling",
        "12 kN m/rad",
        "--bus",
        "500 us",
        "--sensor",
        "150 N m",
    )
    assert call("new", "bench", *stated).exit_code == 0
    bench, text = read_scenario(tmp_path / "bench.toml").description, (tmp_path / "bench.toml").read_text()
    assert bench.machines()[0].inertia == 0.08
    assert [edge.rated for edge in bench.readers("torque")] == [150.0]  # type: ignore[attr-defined]
    assert float(bench.hop[0].period) == 0.0005 and bench.loop[1].reads == "bus"
    lines = text.splitlines()
    assert 'stiffness = "12 kN m/rad"' in lines and 'inertia = "0.08 kg m^2"' in lines
    assert all(line.index("#") == 40 for line in lines if line.endswith("# estimate") and len(line) < 52)


def test_gains_leave_room_for_a_slower_bus_and_a_softer_line() -> None:
    plain, slow = FirstBench(90.0, 80.0), FirstBench(90.0, 80.0, bus=0.01)
    assert slow.torque_ki < plain.torque_ki and "[[hop]]" not in first_scenario("a", plain)
    assert FirstBench(90.0, 80.0, coupling=2e3).torque_ki < plain.torque_ki


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("a b",), "letters, digits"),
        (("../up",), "letters, digits"),
        (("x", "--torque", "90"), "N m"),
        (("x", "--torque", "1 MN m"), "out of range; allowed: 0.01 N m to 100 kN m"),
        (("x", "--speed", "0 rpm"), "allowed: 10 rpm to 200000 rpm"),
        (("x", "--sensor", "50 N m"), "less than the rated torque, 90 N m; choose a larger one"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    arguments: tuple[str, ...], said: str, tmp_path: Path
) -> None:
    result = call("new", *arguments)
    assert result.exit_code == 2 and said in " ".join(result.stderr.split())
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("title = 1\n", encoding="utf-8")
    result = call("new", "mine.toml")
    assert result.exit_code == 2 and "is there already" in result.stderr
    assert (tmp_path / "mine.toml").read_text(encoding="utf-8") == "title = 1\n"


def test_what_no_option_states_is_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(command, "sys", SimpleNamespace(stdin=terminal, stdout=terminal))
    # Speed by default, inertia by estimate, then sensor, coupling and no bus.
    answers = "40 N m\n\n\n60 N m\n9 kN m/rad\n\n"
    result = CliRunner().invoke(cli, ["new", "asked"], input=answers)
    assert result.exit_code == 0, result.output
    assert "Rated torque of the machine under test. [90 N m]" in result.output
    assert "Empty: estimated or none." in result.output
    text = (tmp_path / "asked.toml").read_text(encoding="utf-8")
    assert 'rated = "60 N m"' in text and "9 kN m/rad" in text.replace("9000 N m/rad", "9 kN m/rad")
    refused = CliRunner().invoke(cli, ["new", "wrong"], input="40 apples\n\n\n\n\n\n")
    assert refused.exit_code == 2 and "--torque" in refused.output and not (tmp_path / "wrong.toml").exists()


PLATE = "7.5 kW, 1455 rpm, 400 V, 50 Hz, 0.85, 88 %, 2.8"


def test_the_document_says_what_was_written_and_what_is_to_be_minded(tmp_path: Path) -> None:
    found = json.loads(call("new", "bench", "--torque", "20 N m", "--json").stdout)
    assert found["file"] == "bench.toml" and found["torque"] == {"value": 20.0, "unit": "N m"}
    assert found["answer"][0].startswith("bench.toml is a bench for 20 N m") and len(found["cautions"]) == 4
    plate = json.loads(call("new", "motor", "--json", "--name-plate", PLATE).stdout)
    assert plate["torque"]["value"] == pytest.approx(49.22, abs=0.01)
    for document in (found, plate):
        text = (tmp_path / document["file"]).read_text(encoding="utf-8").replace("\n# ", " ")
        assert all(f"Caution: {caution}" in text for caution in document["cautions"])


def test_a_name_plate_becomes_a_part_file() -> None:
    result = CliRunner().invoke(cli, ["new", "motor", "--name-plate", PLATE], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    text = Path("motor.toml").read_text(encoding="utf-8")
    assert text.count("assumed") >= 6 and 'rated_torque = "49.22 N m"' in text
    bench = """
title = "From a plate"
duration = "1 ms"
[[line]]
from = "motor.toml"
name = "m"
[[line]]
part = "coupling"
name = "c"
stiffness = "10 kN m/rad"
[[line]]
part = "flywheel"
name = "f"
inertia = "0.1 kg m^2"
"""
    Path("bench.toml").write_text(bench, encoding="utf-8")
    shown = CliRunner().invoke(cli, ["show", "bench.toml", "--json"], catch_exceptions=False)
    assert shown.exit_code == 0, shown.output


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--name-plate", PLATE.replace(".", ",")], "values where 7 are due: power, speed, voltage"),
        (["--name-plate", PLATE.replace("1455", "1500")], "speed 1500 rpm does not go with 50 Hz"),
        (["--name-plate", PLATE.replace("88 %", "97 %")], "speed and efficiency contradict each other"),
        (
            ["--name-plate", PLATE.replace("88 %", "1.2")],
            "efficiency 1.2 is out of range; allowed: 0.1 to 0.99",
        ),
        (["--name-plate", PLATE.replace("7.5 kW", "7.5 N m")], "7.5 N m: the unit N m does not fit"),
        (["--name-plate", PLATE, "--torque", "90 N m"], "--torque does not go with --name-plate"),
    ],
)
def test_a_name_plate_that_cannot_be_read_is_refused(arguments: list[str], says: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["new", "motor", *arguments])
    assert result.exit_code == 2 and not list(tmp_path.iterdir())
    assert says in " ".join(result.output.split())
