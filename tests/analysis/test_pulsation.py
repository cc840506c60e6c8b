"""Alternating torque and heat of a coupling against its ratings: closed form of a sine; a ramp is none."""

from dataclasses import replace

import numpy as np
import pytest

from rigs import coupling, describe, disc, hold, ramp, sensor, servo, speed_loop, torque_loop
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import loads, strained
from shaftloop.analysis.simulation import simulate
from shaftloop.errors import ScenarioError
from shaftloop.scenario.description import Description

HERTZ, DAMPING = 20.0, 3.0


def bench(alternating: float, heat: float) -> Description:
    """Return two bodies between which a torque swings at 20 Hz for two seconds."""
    stands = {"rated_alternating": f"{alternating} N m", "rated_heat": f"{heat} W"}
    line = [servo("drive", 0.02), coupling("c", 2000.0, damping=f"{DAMPING} N m s/rad", **stands)]
    line += [disc("hub", 0.001), sensor("ts", 1e5, damping="10 N m s/rad"), disc("end", 0.03)]
    swing = {"do": "sine", "loop": "torque", "mean": "0 N m", "amplitude": "25 N m"}
    return describe(
        {
            "line": line,
            "loop": [torque_loop("drive", "ts")],
            "sequence": [{**swing, "frequency": f"{HERTZ} Hz", "time": "2 s"}],
            "record": {"rate": "5 kHz", "channels": ["c.twist"]},
        }
    )


def test_a_sine_has_its_amplitude_and_its_heat() -> None:
    """P = d·(w·X)²/2, X the amplitude of the twist."""
    run = simulate(bench(1.0, 1.0))
    late = run.time >= 1.0
    turn = np.exp(-2j * np.pi * HERTZ * run.time[late])
    twist, torque = (2.0 * abs(np.mean(run.traces[name][late] * turn)) for name in ("c.twist", "c_torque"))
    found = {entry.quantity: entry for entry in loads(run) if entry.part == "c"}
    assert found["alternating_torque"].peak == pytest.approx(torque, rel=0.02)
    assert found["damping_power"].peak == pytest.approx(
        0.5 * DAMPING * (2.0 * np.pi * HERTZ * twist) ** 2, rel=0.02
    )
    said = " ".join(strained(run))
    assert "alternating torque of c" in said
    assert "damping power of c" in said
    # Runs of faults are not recorded: there it has no largest second, rather than one of 0.
    unrecorded = replace(run, time=run.time[:0], traces={})
    assert not {"alternating_torque", "damping_power"} & {entry.quantity for entry in loads(unrecorded)}
    values = metrics(run)
    assert values["load_of_rated.c.alternating_torque"].value == found["alternating_torque"].peak
    assert values["load.c.damping_power"].unit == "W"


def test_a_torque_that_only_grows_does_not_alternate() -> None:
    stands = {"rated_alternating": "10 N m", "damping": "3 N m s/rad"}
    line = [servo("drive", 0.02), coupling("c", 2000.0, inertia_right="0.001 kg m^2", **stands)]
    line += [sensor("ts", 1e5, damping="10 N m s/rad"), servo("load", 0.03, time_constant="1 ms")]
    loops = [speed_loop("load", 10.0, 100.0), torque_loop("drive", "ts")]
    moves = [ramp("100 rad/s", "0.5 s"), {"do": "ramp", "loop": "torque", "to": "50 N m", "over": "2 s"}]
    run = simulate(describe({"line": line, "loop": loops, "sequence": [*moves, hold("0.1 s")]}))
    found = next(entry for entry in loads(run) if entry.quantity == "alternating_torque")
    # Where it begins to grow, the window sees a bend: 3 N m of the 25 N m that it grows by.
    assert found.peak < 3.5


def test_heat_needs_damping() -> None:
    with pytest.raises(ScenarioError, match="nothing makes heat"):
        describe(
            {
                "line": [servo("drive", 0.02), coupling("c", 2e3, rated_heat="10 W"), disc("end", 0.1)],
                "duration": "1 s",
            }
        )
