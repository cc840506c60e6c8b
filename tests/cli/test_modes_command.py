"""`shaftloop modes`: documents, files, exit codes and messages."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from shaftloop.cli.main import cli
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_names

PLAIN = """\
title = "Two bodies, no damping, no sensor"
duration = "1 s"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "100 N m"
max_speed = "3000 rpm"

[[line]]
part = "coupling"
name = "c1"
stiffness = "{stiffness}"

[[line]]
part = "flywheel"
name = "disc"
inertia = "0.02 kg m^2"
"""


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["modes", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = call(*arguments, "--json")
    assert result.exit_code == 0
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)


def files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize("name", shipped_names())
def test_json_prints_one_document_and_writes_nothing(tmp_path: Path, name: str) -> None:
    found = document(name)
    assert found["scenario"]["name"] == name
    assert found["provenance"]["scenario_hash"] == found["scenario"]["hash"]
    assert files(tmp_path) == []
    assert len(found["modes"]) >= 2 and found["aperiodic_modes"] == 0
    machines = {machine.name for machine in read_scenario(name).description.machines()}
    for mode in found["modes"]:
        assert mode["frequency"]["unit"] == "Hz" and 0.0 < mode["damping_ratio"] < 1.0
        assert max(map(abs, mode["shape"].values())) == pytest.approx(1.0, abs=1e-6)
        assert sum(mode["strains"].values()) == pytest.approx(1.0)
        assert mode["strains"][mode["most_strained"]] == max(mode["strains"].values())
        assert set(mode["amplification"]) == set(found["antiresonances"]) == machines
    for meeting in found["meetings"]:
        frequency = meeting["order"] * meeting["speed"]["value"] / (2.0 * math.pi)
        assert frequency == pytest.approx(found["modes"][meeting["mode"] - 1]["frequency"]["value"])
        assert meeting["speed"]["value"] <= found["max_speed"]["value"]
        if found["operating_speed"]["value"] == 0.0:
            assert meeting["margin_percent"] is None and meeting["reason"] == "the operating speed is zero"
            continue
        ratio = meeting["speed"]["value"] / found["operating_speed"]["value"]
        assert meeting["margin_percent"] == pytest.approx(100.0 * (ratio - 1.0))
    if found["operating_speed"]["value"] == 0.0:
        return
    nearest = [abs(m["margin_percent"]) for m in found["meetings"] if m["nearest"]]
    assert nearest == [min(abs(m["margin_percent"]) for m in found["meetings"])]


def test_results_go_to_a_folder_of_their_own(tmp_path: Path) -> None:
    result = call("wheel-hub")
    assert result.exit_code == 0 and result.stdout.startswith("The line resonates at 80.08, 535.7, 1451 Hz; ")
    assert "80.078 Hz" in result.output and "<- nearest" in result.output
    names = ["campbell.png", "modes.json", "modes.png"]
    assert files(tmp_path) == [f"shaftloop-out/wheel-hub/{name}" for name in names]


def test_json_writes_what_is_asked_for(tmp_path: Path) -> None:
    result = call("reference-bench", "--json", "--out", "o")
    assert (tmp_path / "o" / "modes.json").read_text(encoding="utf-8") == result.stdout
    assert len(files(tmp_path)) == 3


@pytest.mark.parametrize(
    ("formats", "kinds"),
    [("svg", ["svg"]), ("png,svg", ["png", "svg"]), ("svg,png", ["png", "svg"]), ("none", [])],
)
def test_pictures_have_the_formats_asked_for(tmp_path: Path, formats: str, kinds: list[str]) -> None:
    assert call("reference-bench", "--out", "o", "--pictures", formats).exit_code == 0
    names = [f"o/{name}.{kind}" for name in ("campbell", "modes") for kind in kinds]
    assert files(tmp_path) == sorted([*names, "o/modes.json"])


@pytest.mark.parametrize("formats", ["pdf", "png,", "", "png,none"])
def test_a_format_that_does_not_exist_is_refused(tmp_path: Path, formats: str) -> None:
    result = call("reference-bench", "--pictures", formats)
    assert result.exit_code == 2 and "choose png, svg, both as png,svg, or none" in result.stderr
    assert files(tmp_path) == []


def test_settings_and_speed_reach_the_analysis() -> None:
    found = document("reference-bench", "--set", "orders=[36, 3]", "--speed", "1200 rpm")
    assert found["operating_speed"]["value"] == pytest.approx(40.0 * math.pi)
    stated = [entry["order"] for entry in found["excitations"] if entry["source"] == "as stated"]
    assert stated == [3.0, 36.0]
    stiff = document("reference-bench", "--set", "line.c1.stiffness=100 kN m/rad")
    first = [bench["modes"][0]["frequency"]["value"] for bench in (found, stiff)]
    assert first[0] < first[1]


def test_what_does_not_exist_has_a_reason(tmp_path: Path) -> None:
    (tmp_path / "plain.toml").write_text(PLAIN.format(stiffness="10 kN m/rad"), encoding="utf-8")
    found = document("plain.toml")
    assert found["sensor"] is None
    gain = found["modes"][0]["amplification"]["drive"]
    assert gain == {"value": None, "unit": "1", "reason": "the line has no torque sensor"}
    assert found["meetings"] == []
    (tmp_path / "soft.toml").write_text(PLAIN.format(stiffness="100 N m/rad"), encoding="utf-8")
    meeting = document("soft.toml")["meetings"][0]
    assert meeting["margin_percent"] is None and meeting["reason"] == "the operating speed is zero"
    assert "no torque sensor" not in call("soft.toml", "--out", "o").output


def test_an_undamped_resonance_has_no_end() -> None:
    still = [f"line.{name}.damping=0 N m s/rad" for name in ("c1", "ts", "c2")]
    still += [f"line.{name}.drag.viscous=0 N m s/rad" for name in ("drive", "load")]
    settings = [word for setting in still for word in ("--set", setting)]
    mode = document("reference-bench", *settings)["modes"][0]
    assert mode["damping_ratio"] == 0.0
    gain = mode["amplification"]["drive"]
    assert gain == {"value": None, "unit": "1", "reason": "no damping: the response has no end"}
    assert "no end" in call("reference-bench", *settings, "--out", "o").output


def test_a_long_list_of_meetings_is_cut_short() -> None:
    orders = ", ".join(str(n) for n in range(3, 60))
    result = call("reference-bench", "--set", f"orders=[{orders}]", "--out", "o")
    assert "more at higher speeds, in modes.json" in result.output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nothing.toml"], "no such file and no shipped scenario"),
        (["reference-bench", "--speed", "1500"], '--speed: "1500"'),
        (["reference-bench", "--set", "orders=[0]"], "0 is out of range"),
        (["reference-bench", "--out", "blocked"], "blocked: cannot be written: File exists"),
        ([], "Missing argument 'SCENARIO'"),
    ],
)
def test_bad_input_ends_with_2_and_a_message(tmp_path: Path, arguments: list[str], message: str) -> None:
    (tmp_path / "blocked").write_text("")
    result = call(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.output and "Traceback" not in result.output
    assert files(tmp_path) == ["blocked"]
