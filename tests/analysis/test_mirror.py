"""A bench that turns backwards and brakes is the mirror of one that turns forwards and drives."""

import math
from typing import Any

import numpy as np
import pytest

from rigs import coupling, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.scenario.description import Description

PM = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "drive",
    "inertia": "0.02 kg m^2",
    "pole_pairs": 4,
    "resistance": "50 mohm",
    "inductance_d": "0.4 mH",
    "inductance_q": "0.6 mH",
    "flux_linkage": "0.12 Wb",
    "current_limit": "90 A",
    "max_speed": "3000 rpm",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
}


def bench(way: float) -> Description:
    """Return a bench whose every limit acts: voltage, current, clamps, envelope, limiter, rate, range."""
    drag: dict[str, Any] = {"coulomb": "2 N m", "smoothing": "0.1 rad/s", "windage": "1e-3 N m s^2/rad^2"}
    reading = {"nonlinearity": 0.01, "hysteresis": 0.005, "range": "12 N m", "resolution": "0.01 N m"}
    limited = {"max_torque": "25 N m", "max_power": "500 W", "efficiency": 0.9, "drag": drag}
    torque = torque_loop("load", "ts", kp=0.2, ki="200 1/s", setpoint_rate="5 kN m/s", clamp="40 N m")
    limiter = {**speed_loop("load", 2.0, 20.0, clamp="40 N m"), "name": "guard"}
    return describe(
        {
            "duration": "40 ms",
            "line": [
                PM,
                {"part": "bearing", "name": "seat", "inertia": "0.001 kg m^2", "drag": drag},
                coupling("c", 2e4, damping="2 N m s/rad", inertia_right="0.001 kg m^2"),
                sensor("ts", 3e4, damping="1 N m s/rad", rated="30 N m", **reading),
                servo("load", 0.03, **limited),
            ],
            "loop": [
                speed_loop("drive", 8.0, 80.0, clamp="60 N m"),
                {**torque, "anti_windup": "back_calculation"},
                {**limiter, "limiter_of": "torque", "limit_speed": "300 rpm"},
            ],
            "sequence": [
                step("speed", f"{way * 800} rpm"),
                step("torque", f"{-20 * way} N m"),
                {"do": "hold", "time": "25 ms"},
                step("speed", f"{way * 200} rpm"),
                step("torque", f"{10 * way} N m"),
            ],
            "supply": {"voltage": "30 V"},
        }
    )


def assert_mirrored(there: Simulation, back: Simulation) -> None:
    for name, trace in there.traces.items():
        sign = 1.0 if name.endswith("_energy") else -1.0
        size = np.abs(trace).max()
        assert size > 0.0
        np.testing.assert_allclose(back.traces[name], sign * trace, rtol=0.0, atol=1e-9 * size, err_msg=name)
    for name, loss in there.energies.losses.items():
        assert back.energies.losses[name] == pytest.approx(loss, rel=1e-9), name
        assert loss > 0.0, name


def test_backwards_is_the_mirror_of_forwards() -> None:
    there, back = simulate(bench(1.0)), simulate(bench(-1.0))
    # Fast enough for the drag to be saturated and the speed to be limited.
    assert np.abs(there.traces["drive_speed"]).max() > 300.0 * math.pi / 30.0
    assert_mirrored(there, back)


def test_backwards_is_the_mirror_of_forwards_in_lanes() -> None:
    outcomes = list(simulate_many([bench(1.0), bench(-1.0)]))
    assert all(outcome.in_lanes for outcome in outcomes)
    there, back = (outcome.simulation for outcome in outcomes)
    assert there is not None and back is not None
    assert_mirrored(there, back)
