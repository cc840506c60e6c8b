"""`shaftloop fidelity`: documents, files, exit codes and messages."""

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from fidelity_bench import BARE, RICH
from shaftloop.cli.main import cli
from shaftloop.errors import SimulationError

PICTURES = ["error", "folding", "pulse", "time"]
COUPLING = 'part = "coupling"\nname = "c1"\nstiffness = "9 kN m/rad"\n'
RPM = math.pi / 30.0


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["fidelity", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = call(*arguments, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in a folder with nothing but two benches."""
    monkeypatch.chdir(tmp_path)
    Path("rich.toml").write_text(RICH, encoding="utf-8")
    Path("bare.toml").write_text(BARE, encoding="utf-8")


def files(folder: Path) -> list[str]:
    every = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return [name for name in every if not name.endswith(".toml")]


@pytest.mark.compiled
@pytest.mark.parametrize("name", ["wheel-hub", "micro-spindle", "truck-axle"])
def test_json_prints_one_document_and_writes_nothing(tmp_path: Path, name: str) -> None:
    found = document(name)
    assert (found["unit"], found["sensor"]) == ("drive", "ts") and files(tmp_path) == []
    check_document(found)
    cutoff = {"wheel-hub": 900.0, "micro-spindle": 2000.0, "truck-axle": 500.0}[name]
    assert found["figures"]["signal_band_3_db"]["value"] == pytest.approx(cutoff, rel=1e-4)


def test_what_joints_fold_into_the_torque_loop_stands_first() -> None:
    """Of three joints that nearly cancel, what is left of them together."""
    result = call("cardan-pump", "--pictures", "none")
    start = "order 2 of j1 and j2 and j3, 48.33 Hz, reaches the torque loop as 17.4 N m at 1.667 Hz"
    assert f"Sampling folds: {start}." in result.stdout and "No known" not in result.stdout
    assert document("cardan-pump")["warnings"] == [start]
    quiet = call("cardan-pump", "--pictures", "none", "--alias-limit", "18 N m")
    assert "No known ripple of drive is folded into the torque loop." in quiet.stdout


def check_document(found: dict[str, Any]) -> None:
    """Check what holds for every bench with a low-pass."""
    figures = found["figures"]
    for entry in figures.values():
        assert entry["meaning"] and ("reason" in entry) == (entry["value"] is None)
    for part in ("mechanical", "signal", "total"):
        highs = [figures[f"{part}_band_{level}"]["value"] for level in ("1_percent", "5_percent", "3_db")]
        assert highs == sorted(highs)
    widths = [figures[f"pulse_width_{share}_percent"]["value"] for share in (1, 5, 10)]
    assert widths == sorted(widths, reverse=True)
    responses = found["responses"]
    count = len(responses["frequency"]["values"])
    for curve in ("mechanical", "low_pass", "signal", "hold", "total", "closed"):
        for what in ("amplitude_error", "phase"):
            assert len(responses[curve][what]["values"]) == count


def test_results_go_to_a_folder_of_their_own(tmp_path: Path) -> None:
    result = call("rich.toml", "--encoder-clock", "10 MHz", "--encoder-error", "0.05 deg")
    assert result.exit_code == 0 and result.stdout.startswith("The reading of ts follows the torque of ")
    assert "to 450 Hz" in result.output and "give one with --ripple" in result.output
    assert "finer than counting below" in result.output and "ripple once per turn" in result.output
    names = sorted([f"{name}.png" for name in PICTURES] + ["fidelity.json"])
    assert files(tmp_path) == [f"shaftloop-out/rich/{name}" for name in names]
    check_document(json.loads(Path("shaftloop-out/rich/fidelity.json").read_text(encoding="utf-8")))


def test_json_writes_what_is_asked_for(tmp_path: Path) -> None:
    result = call("bare.toml", "--json", "--out", "o")
    assert (tmp_path / "o" / "fidelity.json").read_text(encoding="utf-8") == result.stdout
    assert len(files(tmp_path)) == 5


def test_a_slow_sensor_folds_ripple_into_the_band_and_says_so() -> None:
    """Order 60 of a 1 kHz sensor at 1003 rpm: 1003 Hz appear at 3 Hz, below the band of the torque loop."""
    options = ["--ripple", "20 N m", "--alias-limit", "5 mN m", "--speed", "1003 rpm"]
    found = document("rich.toml", *options)
    order = next(entry for entry in found["aliasing"]["orders"] if entry["order"] == 60.0)
    direct = order["reading"][0]
    assert direct["direct"] and direct["frequency"]["value"] == pytest.approx(3.0)
    assert direct["amplitude"]["value"] == pytest.approx(20.0 * direct["gain"]["value"])
    assert order["received"][0]["frequency"]["value"] == pytest.approx(3.0)
    assert 3.0 < found["aliasing"]["control_band"]["value"] < 100.0
    assert any(
        "order 60" in text and "inside the band of the torque loop" in text for text in found["warnings"]
    )
    remedy = found["aliasing"]["remedy"]
    assert remedy["needed"] and remedy["cutoff"]["value"] < 450.0
    assert 1000.0 < remedy["sampling_outside_band"]["value"] < remedy["sampling_without_folding"]["value"]
    lower = f"line.ts.filter.cutoff={0.9 * remedy['cutoff']['value']} Hz"
    assert not document("rich.toml", *options, "--set", lower)["aliasing"]["remedy"]["needed"]
    impossible = document("rich.toml", "--ripple", "20 N m", "--alias-limit", "0.1 uN m")
    assert impossible["aliasing"]["remedy"]["cutoff"]["reason"].startswith("no cutoff alone does it")


def test_what_becomes_of_a_torque_of_a_frequency() -> None:
    found = document("rich.toml", "--at", "20 Hz", "--at", "300 Hz")
    for entry in found["at"]:
        parts = [entry[name] for name in ("mechanical", "signal", "total")]
        amplitudes = [part["amplitude"]["value"] for part in parts]
        phases = [part["phase"]["value"] for part in parts]
        assert amplitudes[2] == pytest.approx(amplitudes[0] * amplitudes[1])
        assert phases[2] == pytest.approx(phases[0] + phases[1])
    total = found["at"][0]["total"]
    size, late = total["amplitude"]["value"], -total["phase"]["value"]
    assert f"At 20 Hz a torque of 1 % reads as {size:.4g} %, {late:.3g}° late" in found["answer"][0]
    assert "Sines: amplitude and phase" in call("rich.toml", "--at", "20 Hz", "--pictures", "none").output
    assert "at" not in document("rich.toml")


def test_alias_limit_may_be_a_share_of_the_rated_torque() -> None:
    found = document("rich.toml", "--alias-limit", "0.2 %")
    assert found["aliasing"]["level"]["value"] == pytest.approx(0.1)
    assert found["aliasing"]["orders"][0]["amplitude"]["reason"].endswith("give one with `ripple`")


def test_a_misaligned_coupling_has_orders_and_a_bending_load() -> None:
    offsets = ["angular_offset=1 deg", "parallel_offset=0.2 mm", "pitch_diameter=80 mm"]
    stiffness = ["bending_stiffness=500 N m/rad"]
    settings = [word for text in [*offsets, *stiffness] for word in ("--set", f"line.c1.{text}")]
    (entry,) = document("rich.toml", *settings, "--crosstalk", "0.5 %", "--lever", "60 mm")["misalignment"]
    assert [order["order"] for order in entry["orders"]] == [1, 2] and entry["beside_sensor"]
    turn = 800.0 / 60.0
    for order in entry["orders"]:
        assert order["frequency"]["value"] == pytest.approx(order["order"] * turn)
        assert order["reading"]["value"] > 0.0
    assert entry["radial_force"]["reason"] == "its radial_stiffness is not stated"
    assert entry["reading_from_bending"]["value"] == pytest.approx(0.005 * entry["bending_moment"]["value"])


def test_a_line_without_loop_filter_and_encoder_has_reasons() -> None:
    found = document("bare.toml")
    figures = found["figures"]
    assert figures["share"]["value"] == pytest.approx(0.5)
    assert figures["rise_time_rule"]["reason"] == "the sensor has no low-pass"
    assert figures["correction_window"]["reason"] == "no encoder turns with the sensor"
    assert figures["signal_band_1_percent"]["reason"].startswith("inside up to the highest frequency")
    assert found["aliasing"]["control_band"]["reason"] == "no torque loop reads the sensor"
    assert found["encoders"] == [] and found["aliasing"]["orders"] == []


def test_an_unstable_bench_is_still_described() -> None:
    found = document("rich.toml", "--set", "loop.torque.kp=9")
    assert any("unstable with its loops closed" in text for text in found["warnings"])
    assert found["answer"][0].startswith("The bench is unstable with its loops closed: mend that first.")
    assert "closed" not in found["responses"]
    assert found["figures"]["signal_band_3_db"]["value"] == pytest.approx(450.0, rel=1e-6)


def test_at_rest_without_torque_it_says_what_cannot_show() -> None:
    said = "at rest with 0 N m what grows with torque or speed (gain, nonlinearity, drag) shows nothing"
    assert said in document("steering-spring")["answer"][1]
    assert "off by drag at the operating speed" in document("wheel-hub")["answer"][1]


def test_a_run_that_fails_costs_the_picture_over_time_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: object) -> None:
        raise SimulationError("the bench diverged at t = 0.1 s")

    monkeypatch.setattr("shaftloop.answers.fidelity.simulate", fail)
    result = call("rich.toml", "--out", "o", "--ripple", "1 mN m")
    assert result.exit_code == 0 and "no folded line above" in result.output
    assert "warning: no picture over time: the bench diverged at t = 0.1 s" in result.output
    assert "o/time.png" not in files(tmp_path) and "o/error.png" in files(tmp_path)


def test_options_reach_the_figures() -> None:
    options = ["--encoder-clock", "10 MHz", "--encoder-error", "1 mrad", "--window", "10 ms"]
    found = document("rich.toml", *options, "--inertia-error", "5 %")
    (encoder,) = found["encoders"]
    assert encoder["crossover_speed"]["value"] == pytest.approx(2.0 * math.pi / 8192 * math.sqrt(10e6 * 1e3))
    assert encoder["turn_ripple"]["value"] == pytest.approx(1e-3 * 800.0 * RPM, rel=1e-3)
    assert encoder["counting_step"]["value"] == pytest.approx(2.0 * math.pi / 8192 * 1e3)
    assert found["figures"]["correction_window"]["value"] == pytest.approx(0.01)
    bias = found["figures"]["inertia_bias"]["value"]
    assert bias == pytest.approx(-0.042 * 8000.0 * RPM)
    noise = found["figures"]["correction_noise_rms"]["value"]
    assert found["figures"]["correction_residual"]["value"] == pytest.approx(math.hypot(noise, 0.05 * bias))


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["nothing.toml"], 2, "no such file and no shipped scenario"),
        (
            ["reference-bench"],
            2,
            'does not say which machine is under test; add unit = "drive" or unit = "lo',
        ),
        (["rich.toml", "--speed", "1500"], 2, '--speed: "1500"'),
        (["rich.toml", "--torque", "90 rpm"], 2, '--torque: "90 rpm"'),
        (["rich.toml", "--speed", "90000 rpm"], 3, "largest speed of drive: needs 90000 rpm"),
        (["rich.toml", "--torque", "5 kN m"], 3, "the bench cannot hold"),
        (["rich.toml", "--at", "2 N m"], 2, '--at: "2 N m"'),
        (["rich.toml", "--at", "1 MHz"], 2, "--at: 1e+06 Hz; allowed: above 0 and below "),
        (["rich.toml", "--order", "37/0"], 2, '--order: "37/0" is no ratio of whole numbers'),
        (["rich.toml", "--order", "x"], 2, '--order: "x" is no number; e.g. 24 or 37/11'),
        (["rich.toml", "--order", "0"], 2, "--order: 0 is out of range; allowed: above 0 and at most 1000"),
        (["rich.toml", "--ripple", "-1 N m"], 2, "--ripple: -1 N m is no amplitude"),
        (["rich.toml", "--alias-limit", "0 N m"], 2, "--alias-limit: 0 N m is no level"),
        (["rich.toml", "--alias-limit", "3 ms"], 2, '--alias-limit: "3 ms"'),
        (["rich.toml", "--window", "10 us"], 2, "is shorter than a period of enc"),
        (["rich.toml", "--inertia-error", "200 %"], 2, "--inertia-error: 2 is outside 0 to 1"),
        (["rich.toml", "--crosstalk", "300 %"], 2, "--crosstalk: 3 is outside 0 to 1"),
        (["rich.toml", "--order", "60", "--speed", "0 rpm"], 2, "a ripple by order has no frequency at rest"),
    ],
)
def test_bad_input_has_a_message(arguments: list[str], code: int, message: str) -> None:
    result = call(*arguments, "--json")
    assert (result.exit_code, result.stdout) == (code, "")
    assert message in result.output and "Traceback" not in result.output


def test_without_a_torque_sensor_there_is_no_reading(tmp_path: Path) -> None:
    start = BARE.index('part = "torque_sensor"')
    text = BARE[:start] + COUPLING + BARE[BARE.index('\n[[line]]\npart = "flywheel"') :]
    (tmp_path / "two.toml").write_text(text, encoding="utf-8")
    result = call("two.toml")
    assert result.exit_code == 2 and "no torque sensor, so there is no reading" in result.output
    for verb in ("uncertainty", "sensors"):
        other = CliRunner().invoke(cli, [verb, "two.toml"])
        assert other.exit_code == 2 and re.search(r"two.toml:\d+: line: the line has no", other.output)
