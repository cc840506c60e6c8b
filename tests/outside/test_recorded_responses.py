"""Responses of recorded plants against what is published of them.

Sources stand beside the data: T. Wigren, M. Schoukens, Coupled Electric Drives Data Set and Reference
Models, Uppsala University TR 2017-024 (model of u1: 21.19 rad/s, damping 0.1195); B. De Moor (ed.), DaISy,
set 96-009, flexible robot arm; L. Ljung, System Identification, hair dryer (dead time of 3 samples).
"""

from pathlib import Path

import numpy as np
import pytest

from shaftloop.analysis.logs.frequency import LogResponse, ResponseDemand, measure_response
from shaftloop.scenario.logs.reading import read_log

DATA = Path(__file__).parents[3] / "shared" / "data"


def response(name: str, demand: ResponseDemand, *options: str) -> LogResponse:
    if not (DATA / name).is_file():
        pytest.skip("the recorded data are not here")
    return measure_response([read_log(DATA / name, options)], demand)


def test_coupled_drives() -> None:
    options = ("time=t_s", "time_unit=s", "column.z1_ticks_per_s.size_only=true")
    found = response("ced_u1.csv", ResponseDemand("u1_V", "z1_ticks_per_s"), *options)
    assert found.resonances is not None
    (mode,) = found.resonances.modes
    assert 20.0 <= 2.0 * np.pi * mode.frequency <= 21.5
    assert 0.09 <= mode.damping <= 0.16


def test_robot_arm() -> None:
    found = response(
        "daisy_robot_arm.csv", ResponseDemand("u_reaction_torque_au", "y_arm_acceleration_au"), "rate=1 Hz"
    )
    assert found.resonances is not None
    assert [mode.frequency for mode in found.resonances.modes[:2]] == pytest.approx(
        [0.0582, 0.1267], abs=2e-4
    )


def test_hair_dryer() -> None:
    demand = ResponseDemand("u_heater_V", "y_outlet_temp_sensor_V")
    found = response("daisy_hair_dryer.csv", demand, "time=t_s", "time_unit=s")
    assert found.dead_time is not None
    assert found.dead_time.samples == 3 and found.dead_time.low <= 3 <= found.dead_time.high
