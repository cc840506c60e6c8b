"""Results to draw and to write: short runs of the reference bench and of a bench with one machine."""

from pathlib import Path

import pytest

from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import simulate
from shaftloop.report.results import Results
from shaftloop.scenario.reading import read_scenario

ONE_MACHINE = """\
title = "One machine and a flywheel"
duration = "20 ms"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "200 N m"
max_speed = "3000 rpm"

[[line]]
part = "coupling"
name = "c1"
stiffness = "25 kN m/rad"
damping = "2 N m s/rad"

[[line]]
part = "flywheel"
name = "disc"
diameter = "200 mm"
width = "20 mm"

[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive"
rate = "4 kHz"
kp = "7 N m s/rad"
ki = "60 N m/rad"
clamp = "100 N m"

[[sequence]]
do = "step"
loop = "speed"
to = "100 rpm"
"""


def results_of(source: str | Path, *settings: str) -> Results:
    scenario = read_scenario(source, settings)
    simulation = simulate(scenario.description)
    return Results(scenario, simulation, metrics(simulation), scenario.warnings)


@pytest.fixture(scope="session")
def results() -> Results:
    """Two steps of torque, one of them while the speed rests."""
    return results_of("reference-bench", "duration=0.58 s", 'title="Costs $5 to $x_{"')


@pytest.fixture(scope="session")
def one_machine(tmp_path_factory: pytest.TempPathFactory) -> Results:
    path = tmp_path_factory.mktemp("one") / "one.toml"
    path.write_text(ONE_MACHINE, encoding="utf-8")
    return results_of(path)
