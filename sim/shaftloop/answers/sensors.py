"""Which torque sensor serves."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaftloop.analysis.efficiency_points import read_point
from shaftloop.answers.base import Answer
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.sensor_choice import JudgedSensor, SensorDemand, choose, find_candidates

__all__ = ["SensorsAnswer", "find_sensors"]


@dataclass(frozen=True)
class SensorsAnswer(Answer):
    """Judged candidates."""

    demand: SensorDemand
    judged: tuple[JudgedSensor, ...]


def find_sensors(
    scenario: Scenario, files: Sequence[Path] = (), points: Sequence[str] = (), **demand: Any
) -> SensorsAnswer:
    """Judge torque sensors for a bench, of part files, else the shipped ones, in place of its own.

    At operating points, ``800 rpm, 90 N m``, else those of the scenario; further demands are fields of
    `SensorDemand`.

    Raises
    ------
    ScenarioError
        Where a file cannot be read or holds no sound sensor, where a point is none.
    """
    description = scenario.description
    plan = description.uncertainty
    stated = tuple(read_point(text) for text in points) or (plan.points if plan else ())
    name = next((part.name for part in description.readers("torque")), "sensor")
    wanted = SensorDemand(stated, **demand)
    return SensorsAnswer(scenario, wanted, choose(description, find_candidates(files, name), wanted))
