"""Brakes as loads: their laws over speed, energy, what they refuse to do, lanes."""

from typing import Any

import numpy as np
import pytest

from rigs import Table, describe, hold, ramp, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description

EDDY = {"law": "eddy_current", "critical_speed": "100 rad/s"}


def brake(**keys: Any) -> Table:
    plain = {
        "part": "machine",
        "model": "brake",
        "name": "load",
        "inertia": "0.04 kg m^2",
        "max_torque": "150 N m",
        "max_speed": "4000 rpm",
        "time_constant": "10 ms",
        "rate": "2 kHz",
    }
    return {**plain, **(EDDY if "law" not in keys else {}), **keys}


def bench(speed: float, torque: float, **keys: Any) -> Description:
    """Return a drive that keeps a speed [rad/s] against an excitation [N m], which nothing corrects."""
    line = [
        servo("drive", 0.05, time_constant="1 ms"),
        sensor("ts", 5e4, damping="5 N m s/rad"),
        brake(**keys),
    ]
    loops = [speed_loop("drive", 10.0, 200.0), torque_loop("load", "ts", rate="2 kHz")]
    moves = [ramp(f"{speed} rad/s", "0.3 s"), step("torque", f"{torque} N m"), hold("1.5 s")]
    return describe({"line": line, "loop": loops, "sequence": moves})


@pytest.mark.parametrize("speed", [-250.0, 20.0, 50.0, 100.0, 200.0, 300.0])
def test_an_eddy_current_brake_has_its_largest_torque_at_the_critical_speed(speed: float) -> None:
    """T = Tmax·2/(w/wk + wk/w); Wouterse (1991), from memory. Backwards it brakes as well."""
    torque = -80.0 if speed < 0.0 else 80.0
    run = simulate(bench(speed, torque))
    expected = torque * 2.0 / (abs(speed) / 100.0 + 100.0 / abs(speed))
    assert run.traces["true_torque"][-1] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("law", "slope"), [("hysteresis", 0.2), ("friction", -0.3)])
def test_other_brakes_hardly_depend_on_speed(law: str, slope: float) -> None:
    for speed in (20.0, 300.0):
        run = simulate(bench(speed, 80.0, law=law, speed_slope=slope))
        expected = 80.0 * (1.0 + slope * speed / (4000.0 * np.pi / 30.0))
        assert run.traces["true_torque"][-1] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("keys", [EDDY, {"law": "friction"}])
def test_all_that_it_takes_is_heat_and_energy_closes(keys: Table) -> None:
    run = simulate(bench(150.0, 60.0, idle_loss="30 W", drag={"viscous": "1 mN m s/rad"}, **keys))
    assert metrics(run)["energy_residual"].value < 1e-5
    assert run.energies.links["load"] == pytest.approx(30.0 * run.duration, rel=1e-9)
    assert run.energies.losses["load.brake"] > 0.9 * run.energies.grid - 2e3
    assert metrics(run)["fed_back_energy"].value < 0.05 * run.energies.grid


def test_it_does_not_drive_and_keeps_to_its_power() -> None:
    driven = simulate(bench(100.0, -60.0))
    assert abs(driven.traces["load_torque"]).max() < 1e-9
    hot = simulate(bench(100.0, 100.0, max_power="5 kW"))
    assert hot.traces["true_torque"][-1] == pytest.approx(50.0, rel=0.01)
    assert metrics(hot)["limited.load.power"].value > 0.5


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [bench(150.0, torque) for torque in (20.0, 40.0, 60.0)]
    for description, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(description)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"law": "eddy_current"}, "critical_speed"),
        ({"law": "friction", "critical_speed": "100 rad/s"}, "has none"),
        ({**EDDY, "speed_slope": 0.1}, "has its critical speed instead"),
        ({"law": "magic"}, "law"),
        ({"heat": {}}, "not modelled"),
    ],
)
def test_refusals(keys: Table, words: str) -> None:
    with pytest.raises(ScenarioError, match=words):
        bench(100.0, 10.0, **keys)
