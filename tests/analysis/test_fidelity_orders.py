"""Orders of cylinders and of joints in the reading: predicted lines against those of the time simulation."""

import math

import numpy as np
import pytest

from rigs import Table, coupling, describe, hold, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.fidelity.aliasing import aliasing
from shaftloop.analysis.fidelity.misalignment import misalignment
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.parts.part import make_part
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled

SPEED, RATE = 100.0, 450
"""[rad/s], and how often the sensor reads [Hz]."""
ENGINE: Table = {
    "part": "machine",
    "model": "combustion_engine",
    "name": "drive",
    "inertia": "0.8 kg m^2",
    "cylinders": 3,
    "bore": "70 mm",
    "stroke": "70 mm",
    "rod_length": "120 mm",
    "compression_ratio": 9,
    "oscillating_mass": "0.4 kg",
    "shares": [1.1, 0.9, 1.0],
    "max_torque": "120 N m",
    "max_speed": "4000 rpm",
    "time_constant": "20 ms",
    "drag": {"viscous": "0.02 N m s/rad"},
}


def bench(line: list[Table], pulls: str, turns: str) -> Description:
    """Return a bench whose torque loop acts on one machine and speed loop on the other."""
    loops = [
        speed_loop(turns, 20.0, 100.0, rate="900 Hz"),
        torque_loop(pulls, "ts", rate=f"{RATE} Hz", kp=0.0, ki="4 1/s", feedforward=0.0),
    ]
    moves = [
        {"do": "ramp", "loop": "speed", "to": f"{SPEED} rad/s", "over": "0.3 s"},
        step("torque", "30 N m"),
        hold("4.2 s"),
    ]
    record = {"rate": f"{RATE} Hz"}
    return describe({"unit": "drive", "line": line, "loop": loops, "sequence": moves, "record": record})


def sensing() -> Table:
    keys = {"damping": "2 N m s/rad", "rated": "100 N m", "inertia_left": "0.001 kg m^2"}
    low_pass = {"kind": "bessel", "order": 2, "cutoff": "120 Hz"}
    return sensor("ts", 4e4, sampling=f"{RATE} Hz", filter=low_pass, **keys)


def lines(run: Simulation, channel: str, frequencies: list[float]) -> list[float]:
    """Return the amplitudes of lines in the last second and a half, found together."""
    late = run.time >= run.time[-1] - 1.5
    time, values = run.time[late], run.traces[channel][late]
    columns = [np.ones_like(time)]
    for line in frequencies:
        columns += [np.cos(2.0 * np.pi * line * time), np.sin(2.0 * np.pi * line * time)]
    found = np.linalg.lstsq(np.column_stack(columns), values, rcond=None)[0]
    return [math.hypot(*found[1 + 2 * i : 3 + 2 * i]) for i in range(len(frequencies))]


def test_cylinders_read_as_predicted_folded_or_not() -> None:
    line = [ENGINE, coupling("c", 2000.0, loss_factor_psi=0.8), sensing(), servo("load", 0.15)]
    description = bench(line, "drive", "load")
    folds = aliasing(fidelity(description)).orders
    # Smaller ones take what larger ones make of the uneven speed, which is of second order.
    known = [fold for fold in folds if (fold.ripple.amplitude or 0.0) * fold.true > 0.2]
    assert {fold.ripple.order for fold in known} >= {0.5, 1.5, 3.0}
    assert all(fold.ripple.source == "cylinders of drive" for fold in folds)
    places = [fold.lines[0].frequency for fold in folds]
    assert max(fold.frequency for fold in folds) > 0.5 * RATE - 60.0
    run = simulate(description)
    true = lines(run, "true_torque", places)
    read = lines(run, "reading", places)
    for fold, here, shown in zip(folds, true, read, strict=True):
        if fold in known:
            size = fold.ripple.amplitude or 0.0
            assert here == pytest.approx(size * fold.true, rel=0.015), fold.ripple.order
            assert shown == pytest.approx(size * fold.lines[0].size, rel=0.015), fold.ripple.order


def test_over_the_speed_masses_count_with_its_square() -> None:
    engine = next(part for part in bench([ENGINE, sensing(), servo("load", 0.1)], "drive", "load").machines())
    part = make_part(engine)
    slow, fast = (part.pulsation(0.0, np.array([speed]))[3.0][1][0] for speed in (1.0, 300.0))
    alone = fast - slow
    radius, ratio = 0.035, 0.035 / 0.12
    # Order 3 of the masses of one cylinder, three in phase: (3/4·λ + 9/32·λ³)·m·r²·ω², from memory.
    each = (0.75 * ratio + 9.0 / 32.0 * ratio**3) * 0.4 * radius**2 * 300.0**2
    assert abs(alone) == pytest.approx(3.0 * each, rel=0.003)


def test_joints_that_nearly_cancel_read_as_predicted() -> None:
    """Order 4 of two joints in a row is of second order: what each makes alone does not add up."""
    joint = {"part": "universal_joint", "stiffness": "9 kN m/rad", "loss_factor_psi": 0.4}
    line = [
        servo("drive", 0.1),
        {**joint, "name": "a", "angle": "22 deg", "inertia_right": "0.004 kg m^2"},
        {**joint, "name": "b", "angle": "25 deg", "phase": "84 deg", "inertia_right": "0.002 kg m^2"},
        sensing(),
        servo("load", 0.15),
    ]
    description = bench(line, "load", "drive")
    found = misalignment(fidelity(description))
    assert [entry.title for entry in found] == ["Universal joint a", "Universal joint b", "Together: a and b"]
    run = simulate(description)
    whole = found[-1]
    places = [order.frequency for order in whole.orders]
    assert [order.order for order in whole.orders] == [2, 4]
    true, read = (lines(run, channel, places) for channel in ("true_torque", "reading"))
    for order, here, shown, within in zip(whole.orders, true, read, (0.02, 0.05), strict=True):
        assert here == pytest.approx(order.true, rel=within)
        assert shown == pytest.approx(order.reading, rel=within)
        assert order.received is not None and order.received.size == pytest.approx(shown, rel=0.05)
    alone = [sum(entry.orders[k].true for entry in found[:2]) for k in (0, 1)]
    assert whole.orders[0].true < 0.5 * alone[0]
