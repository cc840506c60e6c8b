"""The true torque over the angle: closed forms, another route, reasons, and the channel of an angle."""

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from rigs import describe, hold, sensor, servo, shipped, speed_loop, torque_loop
from shaftloop.analysis.metrics import metrics, needed_channels
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.turning import OverAngle, known_figures, over_angle
from shaftloop.answers.run import find_run
from shaftloop.bench.assemble import build_bench
from shaftloop.report.run.overangle import over_angle_picture
from shaftloop.scenario.description import Record
from shaftloop.scenario.reading import read_scenario


@cache
def turned(order: str, moves: int = 1) -> Simulation:
    """Return a run at 900 rpm with a ripple of 0.4 N m at the drive."""
    drive = servo("drive", 0.02, time_constant="1 ms", ripple=[{"order": order, "amplitude": "0.4 N m"}])
    line = [drive, sensor("ts", 3e4, damping="8 N m s/rad"), servo("load", 0.02, time_constant="1 ms")]
    loops = [speed_loop("drive", 1.0, 10.0), torque_loop("load", "ts", kp=0.02)]
    ramps = [{"do": "ramp", "loop": "speed", "to": "900 rpm", "over": "0.3 s"}, hold("0.7 s")]
    document = {"line": line, "loop": loops, "sequence": ramps[: 2 * moves], "record": {"rate": "10 kHz"}}
    return simulate(describe({"duration": "1 s", **document}))


def made(simulation: Simulation, turns: int, torque: Any) -> Simulation:
    """Return a run whose angle rises evenly at 15 turns a second, and whose torque is made of it."""
    angle = 2.0 * math.pi * 15.0 * simulation.time
    span = 2.0 * math.pi * turns
    rest = {name: 0.0 * angle for name in simulation.traces if name.endswith("_setpoint")}
    traces = rest | {
        "ts_angle": np.mod(angle, span),
        "true_torque": torque(angle),
        "reading": torque(angle) + 1.0,
    }
    return replace(simulation, traces={**simulation.traces, **traces})


@pytest.mark.parametrize(("order", "turns"), [("3", 1), ("3/2", 2)])
def test_a_wave_of_the_angle_is_found_as_it_is(order: str, turns: int) -> None:
    """0.7 N m of the order and 0.1 N m of no order: 1.4 N m, and 0.49 of 0.50 of the variance."""
    n = {"3": 3.0, "3/2": 1.5}[order]

    def torque(angle: Any) -> Any:
        return 5.0 + 0.7 * np.cos(n * angle + 0.4) + 0.1 * np.cos(math.sqrt(2.0) * angle)

    found = over_angle(made(turned(order), turns, torque))
    assert isinstance(found, OverAngle)
    assert (found.turns, found.sensor) == (turns, "ts")
    assert found.speed == pytest.approx(30.0 * math.pi, rel=0.1)
    wave = 5.0 + 0.7 * np.cos(n * found.angle + 0.4)
    assert np.abs(found.mean - wave).max() < 0.2 / found.periods, "what is of no order fades"
    assert found.swing == pytest.approx(1.4, abs=0.4 / found.periods)
    assert np.allclose(found.reading, found.mean + 1.0)
    assert found.share == pytest.approx(0.49 / 0.50, abs=0.01)
    assert np.all(found.lowest <= found.mean) and np.all(found.mean <= found.highest)


def test_backwards_the_angle_falls_and_the_wave_stays() -> None:
    run = made(turned("3"), 1, lambda angle: np.cos(3.0 * angle))
    back = {"ts_angle": np.mod(-2.0 * math.pi * 15.0 * run.time, 2.0 * math.pi)}
    found = over_angle(replace(run, traces={**run.traces, **back}))
    assert isinstance(found, OverAngle) and found.speed < 0.0
    assert np.allclose(found.mean, np.cos(3.0 * found.angle), atol=2e-3)


def test_a_single_period_says_nothing_of_what_repeats_and_noise_does_not() -> None:
    run = made(turned("3"), 1, lambda angle: np.cos(3.0 * angle))
    most = 15.0 * run.time < 1.9
    short = replace(run, time=run.time[most], traces={k: v[most] for k, v in run.traces.items()})
    found = over_angle(short)
    assert isinstance(found, OverAngle) and found.periods == 1 and found.share is None
    assert metrics(short, ["torque_over_angle_share"])["torque_over_angle_share"].reason == (
        "only one period: nothing shows what repeats"
    )
    noise = over_angle(made(turned("3"), 1, lambda angle: np.random.default_rng(5).normal(size=len(angle))))
    assert isinstance(noise, OverAngle) and noise.periods == 7 and noise.share is not None
    assert noise.share < 0.05, "where the variance of the mean alone is 1/7 of it"


@pytest.mark.compiled
def test_the_swing_of_a_run_is_that_of_its_order() -> None:
    """Twice the amplitude of order 3 in the true torque, by a sum over whole turns of the last hold."""
    run = turned("3")
    figures = metrics(run)
    angle, torque = run.traces["ts_angle"], run.traces["true_torque"]
    last = run.time > run.duration - 0.4 + 1e-9
    line = abs(2.0 * np.mean((torque[last] - torque[last].mean()) * np.exp(-3j * angle[last])))
    assert figures["torque_over_angle"].value == pytest.approx(2.0 * line, rel=0.02)
    assert figures["torque_over_angle_share"].value == pytest.approx(1.0, abs=0.02)
    assert "ts_angle" in needed_channels(run.bench)


def test_why_there_is_none() -> None:
    assert list(known_figures(build_bench(shipped("wheel-hub")))) == []
    run = turned("3")
    still = replace(run, traces={**run.traces, "ts_angle": 0.0 * run.time})
    assert over_angle(still) == "less than 1 turn one way while the set-points rest"
    assert metrics(still)["torque_over_angle"].reason == over_angle(still)
    few = replace(run, time=run.time[::50], traces={k: v[::50] for k, v in run.traces.items()})
    assert over_angle(few) == "13 records in 1 turn are too few; needed: 24; raise record.rate"
    assert (
        over_angle(simulate(shipped("reference-bench")))
        == "no part of the sensor's shaft depends on its angle"
    )


@pytest.mark.compiled
def test_any_part_has_an_angle_for_the_asking() -> None:
    """Of the load, on a bench where nothing depends on the angle: the integral of its speed."""
    plain = shipped("wheel-hub")
    run = simulate(replace(plain, record=Record(channels=("load_angle",)), duration=plain.duration))
    angle, speed = run.traces["load_angle"], run.traces["load_speed"]
    turned_by = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(run.time))])
    assert np.abs(np.unwrap(angle) - turned_by).max() < 1e-3 and turned_by[-1] > 100.0
    assert -0.1 < angle.min() and angle.max() < 2.0 * math.pi + 0.2
    figure = metrics(run)["torque_over_angle"]
    assert figure.unit == "N m"


def test_the_picture_says_what_it_shows() -> None:
    answer = find_run(read_scenario("cardan-pump"))
    picture = over_angle_picture(answer)
    found = over_angle(answer.simulation)
    assert picture is not None and isinstance(found, OverAngle)
    assert picture.title.startswith("Over a turn at 1451 rpm the true torque at ts swings by ")
    assert picture.title.endswith(f"{100.0 * found.share:.0f} % of its variance repeats with the angle")
    assert over_angle_picture(find_run(read_scenario("reference-bench", ["duration=5 ms"]))) is None
