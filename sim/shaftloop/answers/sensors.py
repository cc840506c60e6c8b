"""Which torque sensor serves."""

from collections.abc import Sequence
from dataclasses import dataclass

from shaftloop.answers.base import Answer
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.sensor_choice import Candidate, Demand, Judged, choose

__all__ = ["SensorsAnswer", "find_sensors"]


@dataclass(frozen=True)
class SensorsAnswer(Answer):
    """Judged candidates."""

    demand: Demand
    judged: tuple[Judged, ...]


def find_sensors(scenario: Scenario, candidates: Sequence[Candidate], demand: Demand) -> SensorsAnswer:
    """Judge torque sensors for a bench.

    Parameters
    ----------
    scenario : Scenario
        As read.
    candidates : sequence of Candidate
        Each takes the place of the sensor in the line.
    demand : Demand
        What a sensor must do.
    """
    return SensorsAnswer(scenario, demand, choose(scenario.description, candidates, demand))
