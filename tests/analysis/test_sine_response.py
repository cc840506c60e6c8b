"""What a closed loop does at a frequency, against a run in time."""

import cmath
import math

import numpy as np
import pytest

from rigs import coupling, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.sineresponse import at_frequency
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.scenario.description import Description

MEAN, SIZE = 30.0, 2.0


def bench(rate: str, frequency: float, time: float) -> Description:
    """All linear: the torque loop at a rate beside a speed loop at 5 kHz, its set-point a sine."""
    line = [
        servo("drive", 0.05, drag={"viscous": "0.05 N m s/rad"}),
        coupling("c", 3e4, damping="5 N m s/rad"),
        sensor("ts", 5e4, damping="2 N m s/rad", latency="3 samples", inertia_left="0.001 kg m^2"),
        servo("load", 0.1),
    ]
    pi = {"kp": 0.1, "ki": "60 1/s", "feedforward": 0.3, "rate": rate, "setpoint_filter": "80 Hz"}
    loops = [speed_loop("drive", 8.0, 60.0, rate="5 kHz"), torque_loop("load", "ts", **pi)]
    sine = {
        "do": "sine",
        "loop": "torque",
        "mean": f"{MEAN} N m",
        "amplitude": f"{SIZE} N m",
        "frequency": f"{frequency} Hz",
    }
    moves = [step("speed", "50 rad/s"), {**sine, "time": f"{time} s"}]
    return describe({"line": line, "loop": loops, "sequence": moves, "record": {"rate": rate}})


@pytest.mark.parametrize("rate", ["5 kHz", "10 kHz"])
def test_it_is_what_a_run_settles_to(rate: str) -> None:
    """With one tick per hyperperiod, and with two."""
    frequency, time = 20.0, 1.5
    description = bench(rate, frequency, time)
    run = simulate(description)
    last = run.time >= time - 0.5
    wave = np.exp(-2j * math.pi * frequency * run.time[last])
    seen = 2j * np.mean((run.traces["true_torque"][last] - MEAN) * wave) / SIZE
    analysis = analyse_loops(description, ["torque"])["torque"]
    assert analysis.margins.ticks == (1 if rate == "5 kHz" else 2)
    found = at_frequency(analysis.bench, analysis.state, analysis.margins, frequency)
    assert abs(found.follows - seen) < 1e-4 * abs(seen)
    assert found.amplitude == pytest.approx(abs(seen), rel=1e-4)
    assert found.phase == pytest.approx(math.degrees(cmath.phase(seen)), abs=0.01)
    # The set-points are as they were: asked again, it says the same.
    assert at_frequency(analysis.bench, analysis.state, analysis.margins, frequency) == found


def test_what_is_left_of_a_disturbance_is_the_sensitivity() -> None:
    analysis = analyse_loops(bench("5 kHz", 20.0, 1.0), ["torque"])["torque"]
    margins = analysis.margins
    found = at_frequency(analysis.bench, analysis.state, margins, margins.ms_frequency)
    assert found.left == pytest.approx(margins.ms, rel=1e-6)
