"""A line whose speed nothing holds, judged without its motion as a whole."""

import numpy as np
import pytest

from rigs import describe, sensor, servo, step, torque_loop
from shaftloop.analysis.delay import delay_margin
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.studies.tuning.plant import bench_plants

pytestmark = pytest.mark.compiled


def bench(kp: float, torque: float = 0.0, **drag: str) -> Description:
    """Return two bodies and a torque loop."""
    lag = {"time_constant": "1 ms", "rate": "8 kHz", "drag": drag}
    line = [
        servo("drive", 0.05, **lag),
        sensor("ts", 2e4, damping="5 N m s/rad", sampling="8 kHz"),
        servo("load", 0.03, **lag),
    ]
    loop = torque_loop("load", "ts", rate="4 kHz", kp=kp, ki="60 1/s", feedforward=0.0)
    moves = [step("torque", f"{torque} N m")]
    return describe({"line": line, "loop": [loop], "sequence": moves, "duration": "1 s"})


def margins(description: Description, torque: float | None = None) -> Margins:
    return analyse_loops(description, ["torque"], None, torque)["torque"].margins


@pytest.mark.parametrize("kp", [0.05, 1.0])
def test_a_free_line_is_judged_as_one_that_hardly_anything_holds(kp: float) -> None:
    """Drag that slows the line within 20 minutes moves no margin, but makes an eigenvalue of 1 - 2e-7."""
    free, held = (margins(bench(kp, **drag)) for drag in ({}, {"viscous": "3e-5 N m s/rad"}))
    assert free.system.free and not held.system.free
    assert free.stable == held.stable == (kp < 0.7)
    boundary = "gain_margin" if free.stable else "gain_margin_down"
    for figure in (boundary, "ms", "phase_margin", "crossover"):
        assert getattr(free, figure) == pytest.approx(getattr(held, figure), rel=5e-5)
    rest = np.linalg.eigvals(held.system.closed())
    (slow,) = rest[np.abs(rest - 1.0) < 1e-6]
    others = np.sort(np.abs(rest[rest != slow]))
    assert np.sort(np.abs(np.linalg.eigvals(free.system.closed())))[-8:] == pytest.approx(
        others[-8:], abs=1e-5
    )


def test_under_torque_a_free_line_has_no_steady_state() -> None:
    said = r"no steady state at 0 rpm and 10 N m: nothing holds the speed, so the torque accelerates the line"
    with pytest.raises(SimulationError, match=said):
        margins(bench(0.05, 10.0))
    assert margins(bench(0.05, 10.0), 0.0).stable


def test_tuning_takes_what_has_margins_and_delay_margins_exist() -> None:
    description = bench(0.05)
    (plant,) = bench_plants(description, "torque")
    assert plant.system.free
    found = delay_margin(description, margins(description))
    assert found.reading.value is not None and found.command.value is not None
