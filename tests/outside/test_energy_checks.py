"""Checks E10.4 and E4.4 as runs: powers at the link in a steady state."""

import math
from typing import Any

import numpy as np
import pytest

from rigs import Table, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.simulation import Simulation, simulate


def power(result: Simulation, name: str) -> float:
    """Return the mean power over the last 20 ms [W]."""
    count = round(0.02 / (result.time[1] - result.time[0]))
    energy = result.traces[f"{name}_energy"]
    return float(energy[-1] - energy[-1 - count]) / 0.02


def chain(drive: float, load: float, sign: float = 1.0) -> Simulation:
    """50 kW at 100 rad/s from the drive machine to the load machine."""
    line = [
        servo("drive", 0.5, efficiency=drive, time_constant="0.5 ms"),
        sensor("ts", 2e5, damping="20 N m s/rad"),
        servo("load", 0.5, efficiency=load, time_constant="0.5 ms"),
    ]
    speed = speed_loop("drive", 50.0, 500.0)
    torque = torque_loop("load", "ts")
    moves: list[Table] = [step("speed", "100 rad/s"), step("torque", f"{sign * 500.0} N m")]
    document = {"duration": "3 s", "line": line, "loop": [speed, torque], "sequence": moves}
    return simulate(describe(document))


@pytest.mark.compiled
def test_mains_draw_only_the_losses() -> None:
    result = chain(0.92, 0.90)
    assert result.traces["drive_speed"][-1] == pytest.approx(100.0, rel=1e-9)
    assert result.traces["true_torque"][-1] == pytest.approx(500.0, rel=1e-9)
    assert power(result, "drive") == pytest.approx(54347.8, rel=1e-6)
    assert power(result, "load") == pytest.approx(-45000.0, rel=1e-6)
    assert power(result, "grid") == pytest.approx(9347.8, rel=1e-5)
    assert result.energies.residual < 1e-7 and result.energies.worst.residual < 1e-6


@pytest.mark.compiled
def test_ideal_chain_leaves_the_loss_of_the_other() -> None:
    assert power(chain(1.0, 0.90), "grid") == pytest.approx(5000.0, rel=1e-5)
    assert power(chain(0.92, 1.0), "grid") == pytest.approx(50e3 / 0.92 - 50e3, rel=1e-5)


@pytest.mark.compiled
def test_power_flows_the_other_way_as_well() -> None:
    result = chain(0.92, 0.90, sign=-1.0)
    assert power(result, "load") == pytest.approx(50e3 / 0.90, rel=1e-6)
    assert power(result, "drive") == pytest.approx(-50e3 * 0.92, rel=1e-6)


@pytest.mark.compiled
def test_steady_state_of_a_surface_magnet_machine() -> None:
    """9 N m at 1500 rpm, id = 0: 1488.72 W in, 75 W copper, 1413.72 W out."""
    machine: dict[str, Any] = {
        "part": "machine",
        "model": "pm_synchronous",
        "name": "drive",
        "inertia": "0.05 kg m^2",
        "pole_pairs": 3,
        "resistance": "0.5 ohm",
        "inductance_d": "5 mH",
        "inductance_q": "5 mH",
        "flux_linkage": "0.2 Wb",
        "current_limit": "40 A",
        "max_speed": "2000 rpm",
        "current_control": {"rate": "10 kHz", "bandwidth": "300 Hz", "strategy": "zero_d"},
    }
    line = [machine, sensor("ts", 2e4, damping="3 N m s/rad"), servo("load", 0.1)]
    loops = [torque_loop("drive", "ts"), speed_loop("load", 5.0, 50.0)]
    moves = [step("torque", "9 N m"), step("speed", "1500 rpm")]
    names = [
        "drive.current_d",
        "drive.current_q",
        "drive.voltage_d",
        "drive.voltage_q",
        "energy.drive.copper",
    ]
    record = {"rate": "10 kHz", "channels": names}
    document = {"duration": "3 s", "line": line, "loop": loops, "sequence": moves, "record": record}
    result = simulate(describe(document))
    last = {name: trace[-1] for name, trace in result.traces.items()}
    assert last["drive_speed"] == pytest.approx(50.0 * math.pi, rel=1e-9)
    currents = last["drive.current_d"], last["drive.current_q"]
    assert currents == (pytest.approx(0.0, abs=1e-6), pytest.approx(10.0, rel=1e-7))
    voltages = last["drive.voltage_d"], last["drive.voltage_q"]
    assert voltages == pytest.approx((-23.5619, 99.2478), rel=1e-5)
    assert np.hypot(*voltages) == pytest.approx(102.006, rel=1e-5)
    copper = result.traces["energy.drive.copper"]
    assert (copper[-1] - copper[-201]) / 0.02 == pytest.approx(75.0, rel=1e-6)
    assert power(result, "drive") == pytest.approx(1488.7167, rel=1e-6)
    assert -power(result, "load") == pytest.approx(1413.7167, rel=1e-6)
    efficiency = -power(result, "load") / power(result, "drive")
    assert efficiency == pytest.approx(0.94962, rel=1e-5)
