"""Hand-over to python-control: the same loops as its objects."""

import numpy as np
import pytest

import control
from rigs import shipped
from shaftloop.analysis.handover import closed_state_space, opened_state_space
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.response import fundamental

pytestmark = pytest.mark.compiled


@pytest.fixture(scope="module")
def loops() -> dict[str, OpenLoop]:
    found = {}
    for scenario in ("wheel-hub", "reference-bench"):
        bench = HyperMap(shipped(scenario))
        state = bench.steady(operating_point(bench.bench))
        found[scenario] = bench.open([bench.bench.loops["torque"]], state)
    return found


def sorted_by_size(values: np.ndarray) -> np.ndarray:
    return np.sort(np.abs(values))[::-1]


def test_a_loop_of_one_tick_is_scalar_with_its_own_period(loops: dict[str, OpenLoop]) -> None:
    loop = loops["wheel-hub"]
    system = opened_state_space(loop)
    assert (system.ninputs, system.noutputs) == (1, 1)
    assert system.dt == pytest.approx(1.0 / 2000.0)
    frequency = np.array([0.5, 15.0, 78.0, 400.0])
    theirs = system(np.exp(2j * np.pi * frequency * system.dt))
    # A tick that comes later within the hyperperiod turns input and output alike.
    assert theirs == pytest.approx(fundamental(loop, frequency), rel=1e-9)


@pytest.mark.parametrize("scenario", ["wheel-hub", "reference-bench"])
def test_closing_the_handed_over_loop_closes_the_bench(scenario: str, loops: dict[str, OpenLoop]) -> None:
    loop = loops[scenario]
    closed = closed_state_space(loop)
    ours = sorted_by_size(np.linalg.eigvals(loop.closed()))[:8]
    assert sorted_by_size(closed.poles())[:8] == pytest.approx(ours, rel=1e-9)
    count = len(loop.instants)
    by_feedback = control.feedback(opened_state_space(loop), np.eye(count))
    assert sorted_by_size(by_feedback.poles())[:8] == pytest.approx(ours, rel=1e-9)
    z = np.exp(2j * np.pi * 30.0 * loop.hyperperiod)
    assert np.asarray(closed(z)) == pytest.approx(np.asarray(by_feedback(z)), rel=1e-7)


def test_a_loop_of_several_ticks_is_lifted(loops: dict[str, OpenLoop]) -> None:
    loop = loops["reference-bench"]
    system = opened_state_space(loop)
    assert (system.ninputs, system.noutputs, system.dt) == (2, 2, pytest.approx(5e-4))
    frequency = 40.0
    wave = np.exp(2j * np.pi * frequency * loop.instants)
    lifted = system(np.exp(2j * np.pi * frequency * loop.hyperperiod)) @ wave
    value = np.mean(lifted * wave.conj())
    assert value == pytest.approx(fundamental(loop, np.array([frequency]))[0], rel=1e-9)
