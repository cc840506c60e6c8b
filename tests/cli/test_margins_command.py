"""The command `margins`."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from rigs import SPEED_LOOP, one_machine_text
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import operating_point
from shaftloop.cli.main import cli
from shaftloop.scenario.reading import read_scenario

pytestmark = pytest.mark.compiled


def margins(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["margins", *arguments])


def document(*arguments: str) -> dict[str, Any]:
    result = margins(*arguments, "--json")
    assert result.exit_code == 0, result.output

    def refuse(text: str) -> None:
        raise AssertionError(f"{text} is no JSON")

    found = json.loads(result.stdout, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def test_json_of_one_loop_has_the_form_of_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    whole = document("reference-bench", "--loop", "torque")
    assert list(tmp_path.iterdir()) == []
    assert list(whole["loops"]) == ["torque"]
    assert whole["provenance"]["scenario_hash"] == whole["scenario"]["hash"]
    found = whole["loops"]["torque"]
    assert found["stable"] is True
    assert found["largest_eigenvalue"]["value"] == pytest.approx(0.99561, abs=1e-5)
    assert found["gain_margin"] == {"value": pytest.approx(1.6195, abs=1e-3), "unit": "1"}
    assert found["gain_margin_down"]["value"] is None and "1/1000" in found["gain_margin_down"]["reason"]
    assert found["phase_margin"]["unit"] == "deg" and found["phase_margin"]["against"] == "lag"
    delay = found["delay_margin"]
    assert delay["at_reading"]["value"] == pytest.approx(4.096e-3, rel=1e-3)
    assert (delay["at"], delay["value"]) == ("command", delay["at_command"]["value"])
    assert found["ms"]["at"]["unit"] == "Hz"
    assert found["hyperperiod"] == {"value": 5e-4, "unit": "s"}
    assert {c["kind"] for c in found["crossings"]} == {"gain", "phase"}
    assert found["operating_point"]["torque"] == {"value": 80.0, "unit": "N m"}
    assert {"mt", "crossover", "bandwidth", "rejection", "noise_gain", "budget"} <= found.keys()


def test_json_of_all_loops_names_them() -> None:
    found = document("wheel-hub", "--speed", "400 rpm", "--torque", "-30 N m")
    assert set(found["loops"]) == {"speed", "torque"}  # the limiter has no margins
    for loop in found["loops"].values():
        assert loop["operating_point"]["torque"]["value"] == -30.0
        assert loop["operating_point"]["speed"]["value"] == pytest.approx(41.8879, rel=1e-5)


def test_the_stated_gain_margin_is_true_of_a_bench_with_that_gain() -> None:
    """The other way round: both gains of the loop multiplied, the bench is at its boundary."""
    factor = document("reference-bench", "--loop", "torque")["loops"]["torque"]["gain_margin"]["value"]
    for scale, stable in ((0.999, True), (1.001, False)):
        gains = (f"loop.torque.kp={0.4 * factor * scale!r}", f"loop.torque.ki={340.0 * factor * scale!r} 1/s")
        bench = HyperMap(read_scenario("reference-bench", gains).description)
        state = bench.steady(operating_point(bench.bench))
        assert (spectral_radius(bench.dynamics(state)) < 1.0) is stable


def test_what_a_loop_does_at_a_frequency(tmp_path: Path) -> None:
    options = ("wheel-hub", "--loop", "torque", "--at", "20 Hz", "--at", "50 Hz")
    whole = document(*options)
    first, second = whole["loops"]["torque"]["at"]
    assert [entry["frequency"] for entry in (first, second)] == [
        {"value": f, "unit": "Hz"} for f in (20.0, 50.0)
    ]
    assert first["amplitude"]["value"] > second["amplitude"]["value"] and first["phase"]["unit"] == "deg"
    result = margins(*options, "--out", str(tmp_path), "--pictures", "none")
    left = first["left_of_disturbance"]["value"]
    said = f"At 20 Hz it follows its set-point with {first['amplitude']['value']:.4g} of the amplitude, "
    assert said in whole["answer"][0]
    assert f"leaves {left:.3g} % of a disturbance of 1 %" in whole["answer"][0]
    assert "Sines: true quantity per set-point" in result.output and f"{left:.3g} %" in result.output
    assert "at" not in document("wheel-hub", "--loop", "torque")["loops"]["torque"]
    unstable = document("wheel-hub", "--set", "loop.torque.kp=3", "--at", "20 Hz", "--loop", "torque")
    assert unstable["loops"]["torque"]["stable"] is False and "at" not in unstable["loops"]["torque"]


def test_an_unstable_bench_is_a_result() -> None:
    result = margins("reference-bench", "--set", "loop.torque.kp=1.2", "--json")
    assert result.exit_code == 0
    loops = json.loads(result.stdout)["loops"]
    assert [loop["stable"] for loop in loops.values()] == [False, False]
    assert all(loop["margins_of"] == "an unstable loop" for loop in loops.values())
    assert loops["torque"]["largest_eigenvalue"]["value"] > 1.0
    assert loops["torque"]["step_response"]["settling_time"]["value"] is None
    assert "the bench is unstable" in result.output


def test_files_and_table(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    result = margins("reference-bench", "--out", str(folder))
    assert result.exit_code == 0, result.output
    pictures = ("bode-speed", "bode-torque", "joint", "nyquist-speed", "nyquist-torque", "poles", "step")
    expected = {f"{name}.png" for name in pictures} | {"margins.json"}
    assert {path.name for path in folder.iterdir()} == expected
    json.loads((folder / "margins.json").read_text(encoding="utf-8"))
    assert result.stdout.startswith("Loop speed is stable and stands 4.1 times its gain and ")
    for text in ("1500 rpm", "80.00 N m", "gain margin, up", "x 1.620", "54.0°", "sensor latency"):
        assert text in result.output


def test_map_and_vary(tmp_path: Path) -> None:
    extra = ("--loop", "torque", "--map", "--vary", "loop.torque.kp=0.2..0.8:3", "--out", str(tmp_path))
    found = document("reference-bench", *extra)
    assert len(found["map"]) == 25
    torque = found["loops"]["torque"]
    assert torque["worst_case"]["ms"]["value"] >= torque["ms"]["value"] - 1e-6
    assert torque["worst_case"]["ms"]["speed"]["unit"] == "rad/s"
    varied = found["vary"]
    assert [value["value"] for value in varied["values"]] == [0.2, 0.5, 0.8]
    lost = next(t for t in varied["loops"]["torque"]["thresholds"] if t["demand"] == "stable")
    assert lost["kept"]["value"] == pytest.approx(0.7286, abs=1e-3)
    assert "vary.png" in {path.name for path in tmp_path.iterdir()}


def test_the_tables_of_map_and_vary() -> None:
    options = ("--loop", "torque", "--map", "--vary", "line.load.current_limit=60 A..200 A:2")
    result = margins("wheel-hub", *options, "--set", "loop.torque.clamp=70 N m", "--torque", "40 N m")
    assert result.exit_code == 0, result.output
    assert "Worst over the operating range" in result.output
    assert "left out: the bench cannot hold" in result.output and "clamp of loop torque" in result.output
    assert "none changes in this range" in result.output


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--loop", "tork"), '--loop "tork": no such loop; known: speed, torque; nearest: torque'),
        (("--loop", "overspeed"), "--loop overspeed: a limiter acts beyond its limit speed only"),
        (("--speed", "fast"), "--speed"),
        (("--torque", "80"), "--torque: \"80\": the unit is missing"),
        (("--torque", "80 rpm"), "e.g. \"80 N m\""),
        (("--at", "20"), '--at: "20": the unit is missing'),
        (("--at", "0 Hz"), "--at: 0 Hz; allowed: above 0 and below 1000 Hz, half the rate of loop speed"),
        (("--at", "1 kHz", "--loop", "torque"), "below 1000 Hz, half the rate of loop torque"),
        (("--vary", "line.ts.latency"), "PATH=LO..HI"),
        (("--vary", "line.tss.latency=0ms..1ms:2"), "nearest: ts"),
    ],
)  # fmt: skip
def test_bad_input_ends_with_2(options: tuple[str, ...], said: str) -> None:
    result = margins("wheel-hub", "--json", *options)
    assert result.exit_code == 2
    assert said in result.output and result.stdout == ""


def test_a_point_that_a_limit_prevents_ends_with_3() -> None:
    result = margins("reference-bench", "--torque", "240 N m", "--json")
    assert result.exit_code == 3
    assert "clamp of loop torque: needs" in result.output and "allowed 200 N m" in result.output


def test_benches_that_lack_a_loop(tmp_path: Path) -> None:
    none, speed = tmp_path / "none.toml", tmp_path / "speed.toml"
    none.write_text(one_machine_text("0.1 s"), encoding="utf-8")
    speed.write_text(one_machine_text("0.1 s") + SPEED_LOOP, encoding="utf-8")
    result = margins(str(none))
    assert result.exit_code == 0 and "The bench, which has no loop, is stable at this point" in result.output
    found = document(str(none))
    assert found["loops"] == {} and found["poles"]
    result = margins(str(none), "--map")
    assert result.exit_code == 2 and "loop: the scenario has none, so there are no margins" in result.output
    result = margins(str(speed), "--torque", "5 N m")
    assert result.exit_code == 2 and "--torque: no loop of the scenario controls a torque" in result.output
    found = document(str(speed), "--speed", "100 rpm")["loops"]["speed"]
    assert found["stable"] and found["step_response"]["size"]["value"] == pytest.approx(np.pi / 10.0)


def test_speed_needs_a_speed_loop(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "scenarios" / "reference-bench.toml").read_text(encoding="utf-8")
    head, rest = text.split("[[loop]]", 1)
    torque = rest.split("[[loop]]", 1)[1].split("[[sequence]]", 1)[0]
    path = tmp_path / "torque.toml"
    path.write_text(f"{head}[[loop]]{torque}", encoding="utf-8")
    result = margins(str(path), "--speed", "100 rpm")
    assert result.exit_code == 2 and "--speed: no loop of the scenario controls a speed" in result.output


def test_injection_is_laid_over_the_exact_response(tmp_path: Path) -> None:
    arguments = ["margins", "reference-bench", "--loop", "torque", "--inject", "multisine"]
    result = CliRunner().invoke(cli, [*arguments, "--json", "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    tones = json.loads(result.stdout)["loops"]["torque"]["measured"]
    assert len(tones) > 15
    near = min(tones, key=lambda tone: abs(tone["frequency"]["value"] - 36.6))
    assert near["gain"]["value"] == pytest.approx(1.0, abs=0.25)
    assert (tmp_path / "out" / "bode-torque.png").exists()


def test_noise_goes_with_an_injection() -> None:
    result = CliRunner().invoke(cli, ["margins", "reference-bench", "--noise"])
    assert result.exit_code == 2
    assert "--noise: of use with --inject alone" in result.output


def test_margins_at_the_corners_of_tolerances(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The corner with the higher gain is that of the bench with this gain."""
    monkeypatch.chdir(tmp_path)
    demand = ["margins", "reference-bench", "--loop", "torque"]

    def told(*more: str) -> str:
        return " ".join(CliRunner().invoke(cli, [*demand, *more]).stdout.split())

    low, high = json.loads(told("--json", "--tolerance", "loop.torque.kp=0.3..0.5"))["corners"]
    assert (low["corner"], high["corner"]) == ("loop.torque.kp=0.3", "loop.torque.kp=0.5")
    alone = json.loads(told("--json", "--set", "loop.torque.kp=0.5"))
    assert high["loops"]["torque"]["ms"] == alone["loops"]["torque"]["ms"]
    quiet = ("--pictures", "none", "--tolerance")
    assert "torque at 2 corners of the tolerances: Ms at most " in told(*quiet, "loop.torque.kp=0.3..0.5")
    lost = told(*quiet, "loop.torque.kp=0.3..9")
    assert lost.startswith("Loop torque is unstable at 1 of 2 corners of the tolerances: loop.torque.kp=9.")


def test_a_loop_beside_a_slow_bus_has_margins_and_says_why_it_has_no_latency_budget(tmp_path: Path) -> None:
    """Its ideal form ticks 1280 times in the bus's period: that is left out, not the answer."""
    result = margins("cardan-pump", "--pictures", "none", "--out", str(tmp_path))
    assert result.exit_code == 0 and "Loop speed has no latency budget: an analysis of" in result.stdout
    assert "--patience" in result.stdout and result.stderr == ""
