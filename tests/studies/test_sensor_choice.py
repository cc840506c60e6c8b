"""Whether a sensor serves, on torques of either sign and peaks between its rated and its limit torque."""

from dataclasses import replace

import pytest

from rigs import shipped
from shaftloop.scenario.uncertainty import Point
from shaftloop.studies.sensor_choice import SensorDemand, SensorOption, choose
from shaftloop_models.torque_sensor import TorqueSensor


@pytest.mark.parametrize(
    ("limit", "torque", "peak", "reason"),
    [
        (250.0, -180.0, 220.0, None),
        (250.0, 180.0, 260.0, "peak 260 N m is above its limit torque 250 N m"),
        (None, 180.0, 220.0, "peak 220 N m is above its rated torque (no limit torque is stated) 200 N m"),
        (250.0, 210.0, 220.0, "rated torque 200 N m is below the 210 N m to be measured"),
        (250.0, -210.0, 220.0, "rated torque 200 N m is below the 210 N m to be measured"),
    ],
)
def test_torques_that_a_sensor_bears(
    limit: float | None, torque: float, peak: float, reason: str | None
) -> None:
    description = shipped("reference-bench")
    stated = next(part for part in description.line if isinstance(part, TorqueSensor))
    sensor = replace(stated, rated=200.0, limit=limit, range=None, bits=None)
    demand = SensorDemand((Point(100.0, torque),), uncertainty=None, peak=peak, bandwidth=None)
    (judged,) = choose(description, [SensorOption("a", sensor)], demand)
    assert judged.reasons == (() if reason is None else (reason,))
    assert judged.serves is (None if reason is None else False)
