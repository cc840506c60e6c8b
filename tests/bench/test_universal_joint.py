"""Universal joints: their kinematics at up to 35 degrees, two that run evenly, energy, lanes, refusals."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import Table, describe, disc, hold, ramp, servo, speed_loop
from shaftloop.analysis.interference import excitations
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description


def joint(name: str, angle: float, phase: float = 0.0, **keys: Any) -> Table:
    plain = {"part": "universal_joint", "name": name, "angle": f"{angle} deg", "phase": f"{phase} deg"}
    return {**plain, "stiffness": "20 kN m/rad", "loss_factor_psi": 0.2, **keys}


def bench(*between: Table, speed: str = "30 rad/s") -> Description:
    """Return a heavy machine that keeps its speed; what it turns is light."""
    line = [servo("drive", 20.0, time_constant="1 ms"), *between, disc("end", 1e-3)]
    moves = [ramp(speed, "0.2 s"), hold("1 s")]
    names = ["angle", "end.speed"]
    record = {"rate": "10 kHz", "channels": names}
    return describe(
        {"line": line, "loop": [speed_loop("drive", 4000.0, 4e4)], "sequence": moves, "record": record}
    )


def late(run: Simulation, name: str) -> NDArray[np.float64]:
    return run.traces[name][run.time > run.duration - 0.5]


@pytest.mark.parametrize("angle", [5.0, 15.0, 35.0])
def test_speed_behind_a_joint_is_that_of_its_kinematics(angle: float) -> None:
    """w2/w1 = cos b/(1 - sin²b·sin²theta1), from tan theta2 = cos b·tan theta1; any textbook."""
    run = simulate(bench(joint("j", angle)))
    bend, turned = math.radians(angle), late(run, "angle")
    ratio = math.cos(bend) / (1.0 - (math.sin(bend) * np.sin(turned)) ** 2)
    left_out = 2.0 * math.tan(0.5 * bend) ** 6
    found = late(run, "end.speed") / late(run, "drive_speed")
    assert found == pytest.approx(ratio, abs=1.2 * left_out + 2e-3 * math.sin(bend) ** 2)
    assert metrics(run)["energy_residual"].value < 1e-5


@pytest.mark.parametrize(("phase", "evens"), [(90.0, True), (0.0, False)])
def test_two_joints_a_quarter_apart_run_evenly(phase: float, evens: bool) -> None:
    run = simulate(bench(joint("j1", 25.0, inertia_right="0.001 kg m^2"), joint("j2", 25.0, phase)))
    swing = float(np.ptp(late(run, "end.speed"))) / 30.0
    bend = math.radians(25.0)
    if evens:
        assert swing < 0.005
    else:
        # Twice the same error: speeds between cos² and 1/cos².
        assert swing == pytest.approx(1.0 / math.cos(bend) ** 2 - math.cos(bend) ** 2, rel=0.03)


def test_lanes_and_single_runs_are_equal() -> None:
    benches = [bench(joint("j", 20.0), speed=f"{speed} rad/s") for speed in (20.0, 30.0, 40.0)]
    for description, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(description)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def test_orders_two_and_four_stand_in_the_campbell_diagram() -> None:
    named = {entry.order: entry.source for entry in excitations(bench(joint("j", 20.0)))}
    assert "joint j" in named[2.0]
    assert "joint j" in named[4.0]


@pytest.mark.parametrize(("angle", "words"), [(36.0, "angle"), (-1.0, "angle")])
def test_refusals(angle: float, words: str) -> None:
    with pytest.raises(ScenarioError, match=words):
        bench(joint("j", angle))
