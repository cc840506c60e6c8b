"""`shaftloop show`: the bench as it is understood, every value with its unit and what states it."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import shaftloop
from shaftloop.answers.show import find_bench
from shaftloop.cli.main import cli
from shaftloop.scenario.reading import read_scenario, stated_values
from shaftloop.scenario.schema import json_schema
from shaftloop.scenario.shipped import shipped_folder, shipped_names


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["show", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = call(*arguments, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)


def line_of(file: Path, text: str) -> str:
    return f"{file}:{file.read_text(encoding='utf-8').splitlines().index(text) + 1}"


def test_each_value_says_its_unit_and_what_states_it() -> None:
    values = document("wheel-hub", "--set", "loop.torque.kp=0.2")["values"]
    part = shipped_folder() / "parts/pm-hub-14kw.toml"
    speed = values["line.drive.max_speed"]
    assert (speed["value"], speed["unit"]) == (pytest.approx(1600 * 3.141592653589793 / 30), "rad/s")
    assert speed["text"] == "1600 rpm"
    assert speed["origin"] == {"kind": "file", "place": line_of(part, 'max_speed = "1600 rpm"')}
    file = shipped_folder() / "wheel-hub.toml"
    assert values["duration"]["origin"]["place"] == line_of(file, 'duration = "2.5 s"')
    assert values["loop.torque.kp"]["origin"] == {"kind": "setting", "place": "loop.torque.kp=0.2"}
    assert values["sequence.0.to"]["unit"] == "rad/s" and values["sequence.2.to"]["unit"] == "N m"
    latency = values["loop.torque.output_latency"]
    assert (latency["value"], latency["unit"], latency["text"]) == (1.0, "sample", "1 sample")
    assert latency["origin"] == {"kind": "default"}
    clock = values["line.enc.clock"]
    assert clock["value"] is None and clock["text"] is None and "not stated" in clock["reason"]


@pytest.mark.parametrize("name", shipped_names())
def test_what_is_shown_gives_the_same_bench_where_it_is_stated(name: str) -> None:
    scenario = read_scenario(name)
    values = [value for value in stated_values(scenario) if value.text is not None]
    assert {value.origin for value in values} == {"file", "default"}
    # A limiter may not even state what it has no use for.
    may = [v for v in values if v.origin == "file" or not v.path.startswith("loop.overspeed.")]
    again = read_scenario(name, [f"{value.path}={value.text}" for value in may])
    assert again.description == scenario.description


def test_parts_that_lie_beside_another_file_are_found_again(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts/disc.toml").write_text('part = "flywheel"\ninertia = "2 kg m^2"\n', encoding="utf-8")
    bench = tmp_path / "elsewhere/bench.toml"
    bench.parent.mkdir()
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    bench.write_text(f'{text}\n[[line]]\nfrom = "parts/disc.toml"\nname = "disc"\n', encoding="utf-8")
    values = {value.path: value for value in stated_values(read_scenario(bench, beside=[tmp_path]))}
    assert values["line.disc.inertia"].place.endswith("disc.toml:2")


def test_the_line_is_that_of_the_modes_with_all_its_inertia() -> None:
    found, modes = document("truck-axle"), shaftloop.read("truck-axle").modes()
    inertias = [body["inertia"]["value"] for body in found["bodies"]]
    assert [body["name"] for body in found["bodies"]] == list(modes.line.bodies)
    assert inertias == pytest.approx(list(modes.line.inertias))
    assert [mode["frequency"]["value"] for mode in found["modes"]] == [m.frequency for m in modes.modes]
    assert len(found["springs"]) == len(found["bodies"]) - 1
    assert found["bodies"][0]["acted_on_by"] == ["speed"] and found["bodies"][-1]["acted_on_by"] == ["torque"]
    assert [spring["part"] for spring in found["springs"] if spring["read_by"] == ["torque"]] == ["ts"]
    # What loses energy in a band of frequencies is stiffer above it than below.
    soft = {spring["part"]: spring for spring in found["springs"]}["long"]
    assert soft["fast_stiffness"]["value"] > soft["stiffness"]["value"] > 0.0


def test_tasks_have_rate_phase_and_latency_the_unstated_sample_among_them() -> None:
    tasks = {task["name"]: task for task in document("wheel-hub")["tasks"]}
    assert tasks["torque"]["latency"] == {"value": 0.0005, "unit": "s"}
    assert tasks["ts"]["latency"]["value"] == 0.00025 and tasks["bus"]["rate"]["value"] == 2000.0
    assert tasks["record"]["rate"]["value"] == 8000.0 and tasks["record"]["latency"]["value"] is None
    assert "(1 sample, a default)" in " ".join(call("wheel-hub").stdout.split())


@pytest.mark.parametrize("columns", ["", "80"])
@pytest.mark.parametrize("name", shipped_names())
def test_it_fits_80_columns_and_leaves_nothing_out(
    name: str, columns: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if columns:
        monkeypatch.setenv("COLUMNS", columns)
    shown = call(name, "--set", "title=Short").stdout
    after = shown[shown.index("The line, left to right") :]
    assert max(map(len, after.splitlines())) <= 80
    flat = " ".join(shown.split())
    for value in find_bench(read_scenario(name)).values:
        if value.text is not None and value.path != "title":
            assert f"{value.path.split('.')[-1]} {' '.join(value.text.split())}" in flat


def test_nothing_is_written_unless_asked_for(tmp_path: Path) -> None:
    result = call("reference-bench")
    assert result.exit_code == 0 and list(tmp_path.iterdir()) == []
    result = call("reference-bench", "--out", "here")
    assert json.loads((tmp_path / "here/show.json").read_text(encoding="utf-8"))["values"]
    assert "written to here: show.json" in result.stdout


def test_a_table_of_which_nothing_is_stated_is_told_too(tmp_path: Path) -> None:
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    bare = re.sub(r"\[record\]\n(\w.*\n)+", "", text)
    assert bare != text
    (tmp_path / "bare.toml").write_text(bare, encoding="utf-8")
    result = call("bare.toml")
    assert result.exit_code == 0 and "record\n  left out: rate, channels\n" in result.stdout


def test_a_scenario_that_cannot_be_read_is_not_shown() -> None:
    result = call("reference-bench", "--set", "loop.torque.kp=-1")
    assert result.exit_code == 2 and result.stdout == "" and "out of range" in result.stderr


def test_the_schema_tells_defaults_but_not_where_a_part_file_may_state_them() -> None:
    kinds = json_schema()["$defs"]
    loop = kinds["Loop"]["properties"]
    assert loop["output_latency"]["default"] == "1 sample" and loop["feedforward"]["default"] == 0.0
    assert loop["free_running"]["default"] is False
    assert "default" not in loop["kp"] and "default" not in loop["setpoint_rate"]
    assert kinds["TorqueSensor"]["properties"]["latency"]["default"] == "0 s"
    assert "default" not in kinds["TorqueSensorOverride"]["properties"]["latency"]
