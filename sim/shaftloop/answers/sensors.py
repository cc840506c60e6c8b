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
    """Judge torque sensors for a bench.

    Parameters
    ----------
    scenario : Scenario
        As read.
    files : sequence of Path
        Part files; each takes the place of the sensor in the line. The shipped ones where there are none.
    points : sequence of str
        Operating points, e.g. ``800 rpm, 90 N m``; else those of the scenario.
    **demand : float
        Fields of `SensorDemand`.

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
