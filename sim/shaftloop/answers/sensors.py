"""Which torque sensor serves."""

from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.answers.base import Answer
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.sensor_choice import JudgedSensor, SensorDemand, SensorOption, choose

__all__ = ["SensorsAnswer", "find_sensors"]


@dataclass(frozen=True)
class SensorsAnswer(Answer):
    """Judged candidates."""

    demand: SensorDemand
    judged: tuple[JudgedSensor, ...]


def find_sensors(
    scenario: Scenario, candidates: Sequence[SensorOption], demand: SensorDemand
) -> SensorsAnswer:
    """Judge torque sensors for a bench.

    Parameters
    ----------
    scenario : Scenario
        As read.
    candidates : sequence of Candidate
        Each takes the place of the sensor in the line.
    demand : SensorDemand
        What a sensor must do.
    """
    return SensorsAnswer(scenario, demand, choose(scenario.description, candidates, demand))
