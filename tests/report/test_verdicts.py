"""What was asked for besides stands in the first sentence; what a machine is rated for is counted."""

from pathlib import Path

import numpy as np
import tomlkit

import shaftloop
from shaftloop.analysis.overlay import read_measurement
from shaftloop.answers.margins import with_injection
from shaftloop.answers.run import find_run
from shaftloop.report.margins import room as margins
from shaftloop.report.quantities import show
from shaftloop.report.run import room as run
from shaftloop.report.run.verdict import finding
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_folder

SHORT = ("duration=0.8 s",)


def test_a_run_laid_over_a_log_begins_with_how_far_they_are_apart(tmp_path: Path) -> None:
    scenario = read_scenario("wheel-hub", SHORT)
    plain = find_run(scenario).simulation
    rows = np.column_stack([plain.time, 1.02 * plain.traces["ts_torque"], plain.traces["drive_torque"]])
    head = "time [s],ts_torque [N m],drive_torque [N m]"
    np.savetxt(tmp_path / "m.csv", rows, delimiter=",", header=head, comments="")
    answer = find_run(scenario, finer=True, measurement=read_measurement(tmp_path / "m.csv"))
    first, second, third, *_ = run.verdict(answer)
    rms = answer.overlay.channels["ts_torque"].rms  # type: ignore[union-attr]
    assert first.startswith("Simulated and measured ts_torque, of 2 channels furthest off, differ by ")
    assert f"{rms:.3g} N m rms" in first and rms > 0.1
    moved = answer.verification.largest[1]  # type: ignore[union-attr, index]
    assert second.startswith("Steps 2 times finer move the metrics by at most") and f"{moved:.1e}" in second
    assert third.startswith("The run of 0.8 s ends")


def test_a_wait_that_is_in_vain_says_what_it_waited_for(tmp_path: Path) -> None:
    bench = tomlkit.parse((shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8"))
    wait = {"do": "settle", "loop": "torque", "within": "20 mN m", "dwell": "5 ms"}
    bench["sequence"] = [
        {**wait, "within": "5 N m", "timeout": "1 s"},
        {"do": "step", "loop": "torque", "to": "20 N m"},
        {**wait, "timeout": "8 ms"},
    ]
    bench["duration"] = "50 ms"
    (tmp_path / "bench.toml").write_text(tomlkit.dumps(bench), encoding="utf-8")
    answer = find_run(read_scenario(tmp_path / "bench.toml"))
    (first, *_) = run.verdict(answer)
    assert (
        "1 wait for settling ran into the timeout, the first at 0.013 s: loop torque was to stay within "
        in first
    )
    simulation = answer.simulation
    window = (simulation.time > simulation.events[-1].time - 8e-3) & (simulation.time <= 0.013)
    traces = simulation.traces
    nearest = float(np.min(np.abs(traces["torque_setpoint"] - traces["reading"])[window]))
    assert "20 mN m of its set-point for 5 ms, and did not in 8 ms (it came to " in first
    assert f"{nearest:.4g} N m of it); slow the ramps" in first and nearest > 0.02


def test_a_wait_for_a_loop_that_is_stalled_says_so(tmp_path: Path) -> None:
    bench = tomlkit.parse((shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8"))
    bench["sequence"] = [
        {"do": "settle", "loop": "torque", "within": "1 kN m", "dwell": "5 ms", "timeout": "20 ms"}
    ]
    bench["fault"] = [{"name": "f", "on": "torque", "kind": "stalled", "at": "2 ms"}]
    bench["duration"] = "30 ms"
    (tmp_path / "bench.toml").write_text(tomlkit.dumps(bench), encoding="utf-8")
    (first, *_) = run.verdict(find_run(read_scenario(tmp_path / "bench.toml")))
    assert first.startswith("torque stalls at 0.002 s. ")
    assert "for 5 ms, and did not in 20 ms (it is stalled from 0.002 s on); every part" in first


def test_a_wait_on_an_encoder_says_how_near_it_came_where_its_reading_is_recorded(tmp_path: Path) -> None:
    bench = tomlkit.parse((shipped_folder() / "wheel-hub.toml").read_text(encoding="utf-8"))
    wait = {"do": "settle", "loop": "speed", "within": "1e-9 rpm", "dwell": "5 ms", "timeout": "20 ms"}
    bench["sequence"] = [{"do": "step", "loop": "speed", "to": "400 rpm"}, wait]
    bench["duration"] = "30 ms"
    found = []
    for channels in ([], ["enc.speed"]):
        bench["record"] |= {"channels": channels}
        (tmp_path / "bench.toml").write_text(tomlkit.dumps(bench), encoding="utf-8")
        found.append(find_run(read_scenario(tmp_path / "bench.toml")))
    without, recorded = (run.verdict(answer)[0] for answer in found)
    assert "(with enc.speed among the channels of [record] it is said how near it came)" in without
    traces = found[1].simulation.traces
    inside = found[1].simulation.time <= 0.02
    nearest = float(np.min(np.abs(traces["speed_setpoint"] - traces["enc.speed"])[inside][1:]))
    assert f"(it came to {show(nearest, 'rad/s')} of it); slow the ramps" in recorded


def test_a_fault_whose_condition_is_never_met_says_so_and_how_near_it_came(tmp_path: Path) -> None:
    bench = tomlkit.parse((shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8"))
    watches = {"watches": "ts", "above": "100 kN m"}
    bench["fault"] = [
        {"name": quantity, "on": part, "kind": "broken", "when": {**watches, "quantity": quantity}}
        for quantity, part in (("true_torque", "c1"), ("reading", "c2"))
    ]
    bench["duration"] = "50 ms"
    (tmp_path / "bench.toml").write_text(tomlkit.dumps(bench), encoding="utf-8")
    answer = find_run(read_scenario(tmp_path / "bench.toml"))
    low, high = (show(end, "N m") for end in answer.simulation.peaks["ts.true_torque"])
    assert finding(answer).startswith(
        "Fault true_torque does not happen: its condition on the true torque of ts is never met "
        f"({low} to {high}). "
        "Fault reading does not happen: its condition on the reading of ts is never met. The run of"
    )


def test_an_injection_begins_with_how_well_it_agrees() -> None:
    answer = with_injection(shaftloop.read("wheel-hub").margins("torque"), "multisine")
    said = margins.verdict(answer)
    assert said[0].startswith("The injection into loop torque shows the computed 1 + L within 0.")
    assert said[1].startswith("Loop torque is stable")


def test_a_rated_torque_is_held_against_the_rms_torque_of_the_run() -> None:
    gentle, hard = (
        run.verdict(find_run(read_scenario("geared-reversal", (f"line.drive.rated_torque={rated} N m",))))[0]
        for rated in (30.0, 5.0)
    )
    assert "every part stays inside its ratings" in gentle
    assert "but drive gives a torque of " in hard and "above its rated torque of 5 N m" in hard


def test_a_loop_that_a_resonance_makes_lively_is_not_blamed_on_lags() -> None:
    """Ideal lags leave Ms where it is: what it lacks is damping of the mode at 28.6 Hz."""
    gains = {"loop.torque.kp": 0.02, "loop.torque.ki": "8 1/s"}
    answer = shaftloop.read("axle-split", gains).margins("torque")
    assert "no faster signal path mends that: lower the gains or damp 28." in margins.verdict(answer)[0]
