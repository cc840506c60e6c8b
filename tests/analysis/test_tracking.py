"""Errors and lag of sines and traces, against the answer at a frequency and a known shift; power fed back."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rigs import SPEED_LOOP, describe, one_machine_text, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.metrics import metrics, needed_channels
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.sineresponse import at_frequency
from shaftloop.analysis.tracking import tracking
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.control.parameters import ActiveDamping
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.plant import loop_named, with_loop
from shaftloop_models.parameters import Gain

SINE = {"do": "sine", "loop": "torque", "mean": "30 N m", "amplitude": "4 N m", "frequency": "20 Hz"}


def rig(*moves: dict[str, object]) -> Simulation:
    line = [servo("drive", 0.05), sensor("ts", 5e4, damping="5 N m s/rad"), servo("load", 0.1)]
    pi = {"kp": 0.1, "ki": "100 1/s"}
    loops = [speed_loop("drive", 8.0, 60.0), torque_loop("load", "ts", **pi)]
    begin = [step("speed", "-50 rad/s"), step("torque", "30 N m"), {"do": "hold", "time": "0.4 s"}]
    return simulate(describe({"line": line, "loop": loops, "sequence": [*begin, *moves]}))


def test_a_sine_is_followed_as_the_answer_at_its_frequency_says() -> None:
    run = rig({**SINE, "time": "0.4 s"})
    found = metrics(run)
    analysis = analyse_loops(run.bench.description, ["torque"])["torque"]
    at = at_frequency(analysis.bench, analysis.state, analysis.margins, 20.0)
    error = 4.0 * abs(1.0 - at.follows)
    assert found["torque_tracking_rms"].value == pytest.approx(error / math.sqrt(2.0), rel=0.01)
    # What is left of the way in adds to the largest.
    assert error < abs(found["torque_tracking_max"].value or 0.0) < 1.1 * error
    assert found["torque_tracking_lag"].value == pytest.approx(-at.phase / 360.0 / 20.0, rel=0.02)
    # The first period holds the way in and is left out.
    assert found["torque_tracking_rms"].at == pytest.approx(0.45, abs=1e-3)
    assert found["speed_tracking_lag"].reason == "the speed set-point follows no sine and no trace"


def test_of_two_sines_the_worse_counts_and_a_trip_ends_it() -> None:
    slow, fast = {**SINE, "time": "0.4 s"}, {**SINE, "frequency": "60 Hz", "time": "0.2 s"}
    one, both = (
        metrics(rig(*moves, {"do": "trip"}, {"do": "hold", "time": "0.1 s"}))
        for moves in ([slow], [fast, slow])
    )
    name = "torque_tracking_rms"
    assert both[name].value == pytest.approx(one[name].value, rel=0.01)
    assert (both[name].at or 0.0) == pytest.approx((one[name].at or 0.0) + 0.2, abs=1e-3)
    short = metrics(rig({**SINE, "time": "20 ms"}))
    assert short[name].value is None


@pytest.mark.parametrize("late", [0.0, 3.0, 7.25])
def test_the_lag_of_a_trace_is_found_to_a_fraction_of_a_record(tmp_path: Path, late: float) -> None:
    time = np.linspace(0.0, 0.5, 60)
    speed = 40.0 * np.sin(9.0 * time) + 15.0 * np.sin(31.0 * time)
    rows = [f"{t:.9f},{v:.9f}" for t, v in zip(time, speed, strict=True)]
    (tmp_path / "way.csv").write_text("\n".join(["time [s],speed [rad/s]", *rows]), encoding="utf-8")
    move = '\n[[sequence]]\ndo = "trace"\nloop = "speed"\nfile = "way.csv"\ncolumn = "speed [rad/s]"\n'
    path = tmp_path / "bench.toml"
    path.write_text(one_machine_text("0.6 s") + SPEED_LOOP + move, encoding="utf-8")
    run = simulate(read_scenario(path).description)
    setpoint = run.traces["speed_setpoint"]
    loop = run.bench.loops["speed"]
    shifted = np.interp(run.time - late * 1e-3, run.time, setpoint)
    found = tracking(run, loop, shifted)
    assert found is not None and found.lag[0] == pytest.approx(late * 1e-3, abs=2e-5)
    assert (
        found.largest[0] == pytest.approx(np.max(np.abs(setpoint - shifted)[:501]), rel=0.05) or late == 0.0
    )


def test_power_that_is_fed_back() -> None:
    run = rig({"do": "hold", "time": "0.3 s"})
    found = metrics(run)
    # Without losses the load machine gives what it takes from the shaft; the drive takes it again.
    assert found["fed_back_power"].value is not None and found["fed_back_power"].value >= 30.0 * 50.0
    given = -sum(min(energy, 0.0) for energy in run.energies.links.values())
    assert (found["fed_back_energy"].value or 0.0) >= given * (1.0 - 1e-9)
    drawn = np.diff(run.traces["grid_energy"])
    assert found["grid_returned_energy"].value == pytest.approx(-float(drawn[drawn < 0.0].sum()))
    assert found["grid_returned_power"].value == pytest.approx(max(-float(drawn.min()), 0.0) * 1e4)
    assert {"grid_energy", "drive_energy", "load_energy"} <= needed_channels(run.bench)
    silent = replace(run, time=run.time[:1], traces={name: values[:1] for name, values in run.traces.items()})
    assert metrics(silent)["fed_back_power"].reason == "nothing was recorded"


def test_a_rectifier_gives_nothing_to_the_grid_whatever_the_gains() -> None:
    """Where its diodes cease to conduct, a meter may run back by some 1e-10 J of a thousand: no energy."""
    description = read_scenario("rectifier-hub").description
    torque = loop_named(description, "torque")
    quick = replace(
        torque,
        filters=(),
        kp=Gain(0.9526, torque.kp.unit),
        ki=Gain(575.9, torque.ki.unit),
        active_damping=ActiveDamping(21.83, "drive", "load"),
    )
    run = simulate(with_loop(description, quick))
    assert np.diff(run.traces["grid_energy"]).min() < 0.0
    found = metrics(run)
    assert found["grid_returned_energy"].value == 0.0 and found["grid_returned_power"].value == 0.0
