"""Heating of machines in runs with losses: closed forms, and checks E9.3 to E9.5."""

import math

import numpy as np
import pytest
from scipy.linalg import expm

from heatbench import PLAIN, RESISTANCE, TORQUE_CONSTANT, bench, hold, loss
from rigs import Table, step
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import Simulation, simulate

pytestmark = pytest.mark.compiled


def one_body(capacity: float, resistance: float, start: float = 20.0) -> Table:
    """Return a winding beside a housing that is at 20 degC from 10 ms on, whatever the start."""
    return {
        "winding_capacity": f"{capacity} J/K",
        "winding_resistance": f"{resistance} K/W",
        "housing_capacity": "1e4 J/K",
        "housing_resistance": "1e-6 K/W",
        "start": f"{start:.12g} degC",
    }


def rise(run: Simulation, body: int = 0) -> float:
    """Return how far a body is above the ambient at the end [K]."""
    assert run.heat is not None
    return float(run.heat.temperature[-1, body]) - 20.0


def held(torque: float, seconds: float, heat: Table) -> Simulation:
    """Return a run under one torque."""
    return simulate(bench(heat, [step("torque", f"{torque} N m"), hold(seconds)]))


def test_two_bodies_warm_up_as_the_matrix_exponential_says() -> None:
    """C·T' = P − flows, at constant loss; derived from first principles."""
    run = held(100.0, 12.0, {})
    assert run.heat is not None
    c1, r1, c2, r2 = (float(text.split()[0]) for text in PLAIN.values())
    rate = np.array([[-1.0 / (r1 * c1), 1.0 / (r1 * c1)], [1.0 / (r1 * c2), -(1.0 / r1 + 1.0 / r2) / c2]])
    steady = np.linalg.solve(rate, [-loss(100.0) / c1, 0.0])
    exact = np.array([20.0 + steady - expm(rate * t) @ steady for t in run.heat.time])
    # The current is there within some ms: 0.05 K at the first tick, and less from then on.
    assert np.max(np.abs(run.heat.temperature - exact)) < 0.05
    assert exact[-1, 0] > 200.0 and exact[-1, 1] > 45.0


def test_loss_that_grows_with_the_temperature_of_copper() -> None:
    """C·T' = P·(1 + α·T) − T/R of the rise T: P/g·(1 − exp(−g·t/C)), g = 1/R − α·P; first principles."""
    capacity, resistance, alpha, power = 100.0, 0.05, 0.0039, loss(100.0)
    heat = one_body(capacity, resistance) | {"resistance_coefficient": f"{alpha} 1/K"}
    run = held(100.0, 8.0, heat)
    assert run.heat is not None
    net = 1.0 / resistance - alpha * power
    exact = power / net * (1.0 - np.exp(-net / capacity * run.heat.time))
    assert np.max(np.abs(run.heat.temperature[:, 0] - 20.0 - exact)) < 0.1
    plain = power * resistance * (1.0 - math.exp(-8.0 / (capacity * resistance)))
    assert exact[-1] - plain > 6.0


def test_iron_loss_goes_with_the_square_of_the_flux() -> None:
    """Drag times (ψ² + (Lq·iq)²)/ψ² at id = 0; derived from first principles."""
    iron = {"hysteresis": "2 N m", "eddy": "0.02 N m s/rad", "smoothing": "0.5 rad/s"}
    control = {"rate": "2 kHz", "bandwidth": "100 Hz", "strategy": "zero_d"}
    moves = [step("torque", "150 N m"), hold(1.0)]
    losses = []
    for under_load in (False, True):
        keys = {"iron_loss": iron | {"under_load": under_load}, "current_control": control}
        run = simulate(bench({}, moves, "record.channels=['energy.m.iron.drag']", **keys))
        energy = run.traces["energy.m.iron.drag"]
        losses.append(float(energy[-1] - energy[-21]) / float(run.time[-1] - run.time[-21]))
        assert run.energies.residual < 1e-6
    drag = 2.0 + 0.02 * 50.0
    ratio = 1.0 + (0.4e-3 * 150.0 / TORQUE_CONSTANT / (TORQUE_CONSTANT / 7.5)) ** 2
    assert losses[0] == pytest.approx(drag * 50.0, rel=1e-5)
    assert losses[1] / losses[0] == pytest.approx(ratio, rel=1e-5) and ratio > 1.3


def test_e9_3_short_time_and_intermittent_rating() -> None:
    """G. K. Dubey, Fundamentals of Electrical Drives, example 4.4, p. 55; read in a transcription.

    Minutes are tenths of a second here. At rest the machine cools more slowly: the rest is a run with that
    thermal resistance, begun where the loaded one ended.
    """
    capacity, heating, cooling = 100.0, 6.0, 9.0
    rated, pause = 60.0, 1.0
    limit = loss(rated) * heating / capacity
    torque = 51.045 / 20.0 * rated
    assert rise(held(torque, pause, one_body(capacity, heating / capacity))) == pytest.approx(limit, rel=4e-3)
    torque, lowest = 25.138 / 20.0 * rated, limit * math.exp(-pause / cooling)
    loaded = held(torque, pause, one_body(capacity, heating / capacity, 20.0 + lowest))
    assert rise(loaded) == pytest.approx(limit, rel=4e-3)
    rest = held(0.0, pause, one_body(capacity, cooling / capacity, 20.0 + rise(loaded)))
    assert rise(rest) == pytest.approx(lowest, rel=4e-3)


def test_e9_4_peak_and_steady_rise_of_a_cycle() -> None:
    """G. K. Dubey, Fundamentals of Electrical Drives, example 4.1, p. 47; read in a transcription.

    Seconds are tenths here: loaded for 1 s, unloaded for 2 s, a constant of 6 s. The duty gets from cold to
    where each cycle is like the one before; its lowest is 40 K above the ambient, its highest is asked for.
    """
    capacity, constant = 100.0, 6.0
    loaded, unloaded = (
        TORQUE_CONSTANT * math.sqrt(k * capacity / constant / 1.5 / RESISTANCE) for k in (104.424, 15.0)
    )
    moves = [step("torque", f"{loaded} N m"), hold(1.0), step("torque", f"{unloaded} N m"), hold(2.0)]
    body = one_body(capacity, constant / capacity) | {"housing_capacity": "1e9 J/K"}
    duty = simulate(bench(body, moves, "duty=60 s")).duty
    assert duty is not None and duty.steady is not None
    rises = duty.steady[:, 0] - 20.0
    assert rises.min() == pytest.approx(40.0, rel=2e-3)
    assert rises.max() == pytest.approx(49.89, rel=2e-3)
    assert duty.trace.temperature[-1, 0] - 20.0 == pytest.approx(40.0, rel=4e-3)


def test_e9_5_rms_of_a_cycle_with_a_ramp() -> None:
    """G. K. Dubey, Fundamentals of Electrical Drives, example 4.3, p. 53; read in a transcription.

    Minutes are seconds and kilowatts are thirds of a newton metre here; the speed is constant.
    """
    ramp = {"do": "ramp", "loop": "torque", "to": f"{400 / 3} N m", "over": "5 s"}
    moves = [ramp, step("torque", f"{500 / 3} N m"), hold(5.0), step("torque", f"{-400 / 3} N m"), hold(4.0)]
    run = simulate(bench({}, [*moves, step("torque", "0 N m"), hold(2.0)]))
    rms = metrics(run)["rms_current.m"].value
    assert rms is not None
    assert 3.0 * rms * TORQUE_CONSTANT == pytest.approx(367.14, rel=2e-3)
