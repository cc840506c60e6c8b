"""Steady states that are hard to find: integrators that hardly move, loops that want two things at once."""

from typing import Any

import pytest

from rigs import describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import operating_point
from shaftloop.engine import at
from shaftloop.engine.rows import LOOP_NUMBERS
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled


def bench(*loops: dict[str, Any], move: str, to: str) -> Description:
    """Return two bodies with drag, and loops."""
    keys = {"time_constant": "1 ms", "drag": {"viscous": "0.1 N m s/rad"}}
    ts = sensor("ts", 2e4, damping="5 N m s/rad")
    line = [servo("drive", 0.05, **keys), ts, servo("load", 0.03, **keys)]
    return describe({"line": line, "loop": [*loops], "sequence": [step(move, to)], "duration": "1 s"})


def test_a_loop_whose_integrator_hardly_moves_rests_at_its_setpoint() -> None:
    """At 1.2e-10 of its kp a tick; from rest the integrator would take hours."""
    whole = HyperMap(bench(speed_loop("drive", 8.0, 1e-5), move="speed", to="600 rpm"))
    task = whole.bench.loops["speed"].task * at.TASK_WIDTH + int(whole.run.tables.it[at.TASK_FLOAT])
    place = task + int(LOOP_NUMBERS.ki)
    assert whole.run.tables.ft[place] == 1e-5
    state = whole.steady(operating_point(whole.bench))
    speed = whole.bench.machines["drive"].node.speed.index
    assert state[speed] == pytest.approx(62.831853071795862, rel=1e-9)
    integral = state[whole.bench.loops["speed"].integral_slot]
    assert integral == pytest.approx(2.0 * 0.1 * 62.831853071795862, rel=1e-6)
    assert whole.run.tables.ft[place] == 1e-5, "its gains are as they were"


@pytest.mark.parametrize(
    ("loops", "move", "to", "names"),
    [
        (
            (
                torque_loop("drive", "ts", name="left", kp=0.02, ki="10 1/s"),
                torque_loop("load", "ts", name="right", kp=0.02, ki="10 1/s"),
            ),
            "left",
            "20 N m",
            "left and right integrate one and the same error\n.*'loop.right.ki=0 1/s'",
        ),
        (
            (speed_loop("drive", 3.0, 20.0), speed_loop("load", 3.0, 20.0, name="second")),
            "speed",
            "600 rpm",
            "speed and second integrate one and the same error\n.*'loop.second.ki=0 N m/rad'",
        ),
    ],
)
def test_two_loops_that_integrate_one_error_are_named(
    loops: tuple[dict[str, Any], ...], move: str, to: str, names: str
) -> None:
    whole = HyperMap(bench(*loops, move=move, to=to))
    with pytest.raises(SimulationError, match=f"no steady state at .*: loops {names}"):
        whole.steady(operating_point(whole.bench))
