"""RunAnswer to draw and to write: short runs of the reference bench and of a bench with one machine."""

from pathlib import Path

import pytest

from rigs import SPEED_LOOP, one_machine_text
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.run import RunAnswer
from shaftloop.scenario.reading import read_scenario

STEP = """
[[sequence]]
do = "step"
loop = "speed"
to = "100 rpm"
"""


def results_of(source: str | Path, *settings: str) -> RunAnswer:
    scenario = read_scenario(source, settings)
    simulation = simulate(scenario.description)
    return RunAnswer(scenario, simulation, metrics(simulation))


@pytest.fixture(scope="session")
def results() -> RunAnswer:
    """Two steps of torque, one of them while the speed rests."""
    return results_of("reference-bench", "duration=0.58 s", 'title="Costs $5 to $x_{"')


@pytest.fixture(scope="session")
def one_machine(tmp_path_factory: pytest.TempPathFactory) -> RunAnswer:
    path = tmp_path_factory.mktemp("one") / "one.toml"
    path.write_text(one_machine_text("20 ms") + SPEED_LOOP + STEP, encoding="utf-8")
    return results_of(path)
