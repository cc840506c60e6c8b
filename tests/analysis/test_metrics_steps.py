"""Steps and how they are answered, against closed forms."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from shaftloop.analysis.steps import (
    SetpointHold,
    SetpointStep,
    crossing,
    find_holds,
    find_steps,
    overshoot,
    rise_time,
    settling_time,
)

PERIOD = 1e-4
TIME = np.arange(5000) * PERIOD


def step_at(index: int, before: float, after: float) -> SetpointStep:
    return SetpointStep(SetpointHold(index, len(TIME), after), before)


def lag(index: int, before: float, after: float, tau: float) -> NDArray[np.float64]:
    elapsed = np.maximum(TIME - TIME[index], 0.0)
    return before + (after - before) * (1.0 - np.exp(-elapsed / tau))


def test_holds_cover_every_record() -> None:
    holds = find_holds(np.array([0.0, 0.0, 3.0, 3.0, 3.0, 1.0]))
    assert holds == [SetpointHold(0, 2, 0.0), SetpointHold(2, 5, 3.0), SetpointHold(5, 6, 1.0)]
    assert find_holds(np.empty(0)) == []


def test_a_jump_between_two_holds_is_a_step_and_a_ramp_is_none() -> None:
    setpoint = np.concatenate(
        (np.zeros(20), np.full(30, 5.0), np.linspace(5.0, 9.0, 11)[1:], np.full(20, 9.0))
    )
    steps = find_steps(find_holds(setpoint))
    assert [(step.hold.first, step.before, step.hold.value) for step in steps] == [(20, 0.0, 5.0)]


def test_a_setpoint_that_is_there_from_the_start_is_a_step_from_zero() -> None:
    (step,) = find_steps(find_holds(np.full(10, -4.0)))
    assert step.hold.first == 0 and step.height == -4.0
    assert find_steps(find_holds(np.zeros(10))) == []


def test_a_sine_makes_no_step() -> None:
    assert find_steps(find_holds(np.sin(40.0 * TIME))) == []


@pytest.mark.parametrize(("before", "after"), [(0.0, 80.0), (80.0, 0.0), (30.0, -45.0)])
def test_first_order_lag(before: float, after: float) -> None:
    tau = 7.3e-3
    step, values = step_at(1000, before, after), lag(1000, before, after, tau)
    assert rise_time(step, TIME, values) == pytest.approx(tau * math.log(9.0), rel=1e-4)
    assert settling_time(step, TIME, values, 0.02) == pytest.approx(tau * math.log(50.0), rel=1e-4)
    assert overshoot(step, values) == 0.0


@pytest.mark.parametrize("zeta", [0.1, 0.3, 0.6])
def test_second_order_overshoot_between_the_records(zeta: float) -> None:
    omega = 2.0 * math.pi * 173.0
    damped = omega * math.sqrt(1.0 - zeta**2)
    t = np.maximum(TIME - TIME[500], 0.0)
    decay = np.exp(-zeta * omega * t)
    share = 1.0 - decay * (np.cos(damped * t) + zeta / math.sqrt(1.0 - zeta**2) * np.sin(damped * t))
    found = overshoot(step_at(500, 0.0, -20.0), -20.0 * share)
    assert found == pytest.approx(math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2)), rel=2e-4)


def test_settling_is_the_last_exit_not_the_first_entry() -> None:
    values = np.full(len(TIME), 10.0)
    values[:1000] = 0.0
    values[3000:3010] = 11.0
    step = step_at(1000, 0.0, 10.0)
    expected = TIME[3009] + PERIOD * (11.0 - 10.2) / 1.0 - TIME[1000]
    assert settling_time(step, TIME, values, 0.02) == pytest.approx(expected, rel=1e-9)


def test_what_is_not_reached_has_no_time() -> None:
    step = step_at(1000, 0.0, 10.0)
    assert rise_time(step, TIME, lag(1000, 0.0, 8.5, 1e-3)) is None
    assert settling_time(step, TIME, lag(1000, 0.0, 9.0, 1e-3), 0.02) is None
    assert settling_time(step, TIME, np.full(len(TIME), 10.0), 0.02) == 0.0


def test_a_step_that_has_already_begun_counts_from_the_change() -> None:
    values = np.where(TIME < TIME[1000], 0.0, 5.0)
    values[1010:] = 10.0
    assert rise_time(step_at(1000, 0.0, 10.0), TIME, values) == pytest.approx(9.8 * PERIOD)


def test_crossing_lies_between_two_records() -> None:
    assert crossing(np.array([0.0, 2.0]), np.array([1.0, 3.0]), 0, 1.5) == 0.5


def test_last_quarter() -> None:
    assert SetpointHold(100, 140, 0.0).last_quarter() == slice(130, 140)
