"""What a scenario may say of heat, and what it is told where it says nonsense."""

import re

import pytest

from heatbench import bench
from shaftloop.errors import ScenarioError


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("line.m.heat.winding_resistance=-0.1 K/W", "is out of range; allowed: above 0 (from the winding"),
        ("line.m.heat.housing_capacity=0 J/K", "is out of range; allowed: above 0 (heat capacity"),
        ("line.m.heat.start=80 K", "expected degC"),
        ("line.m.heat.winding_limit=60 degC", "60 degC is not above the temperature of start, 60 degC"),
        ("line.m.heat.housing_limit=15 degC", "is not above the temperature of start"),
        (
            "line.m.heat.resistance_coefficient=-0.02 1/K",
            "-0.02 1/K makes the resistance zero or negative at 250 degC",
        ),
        ("line.m.heat.flux_coefficient=-0.0078 1/K", "makes the flux linkage zero or negative at 150 degC"),
        ("line.m.inverter.continuous_current=100 A", "continuous_current needs overload_time beside it"),
        ("line.m.inverter.overload_time=2 s", "overload_time needs continuous_current beside it"),
        (
            'line.m.inverter={ continuous_current = "250 A", overload_time = "2 s" }',
            "continuous_current 250 A is not below current_limit 250 A",
        ),
        ('line.d.heat={ winding_capacity = "40 J/K" }', "a torque_servo states one efficiency"),
    ],
)
def test_nonsense_is_refused_with_value_range_and_fix(setting: str, words: str) -> None:
    with pytest.raises(ScenarioError, match=re.escape(words)):
        bench({"start": "60 degC", "housing_limit": "150 degC"}, [], "duration=1 s", setting)


def test_an_ambient_above_the_limit_is_told_as_that() -> None:
    heat = {"start": "10 degC", "ambient": "90 degC", "winding_limit": "80 degC"}
    with pytest.raises(ScenarioError, match="not above the temperature of ambient, 90 degC"):
        bench(heat, [], "duration=1 s")
