"""A bench that runs away beyond `max_speed`: its steps become finer with it, and it says so."""

import math
from dataclasses import replace

import numpy as np
import pytest

import shaftloop.engine.runaway as engine
from rigs import Table, coupling, describe, disc, servo, speed_loop, start, step
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.ratings import runaway
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.answers.run import find_run
from shaftloop.bench.assemble import build_bench
from shaftloop.report.run.verdict import finding
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario

MOST = 600.0
"""Largest speed of the machine that runs away. [rpm]"""
LEFT = 0.0419
"""When it passes that, at the end of a gap of 0.1 ms. [s]"""


def rig(*limits: Table, **keys: str) -> Description:
    """Return a bench whose wheel breaks off, so that 20 pole pairs run up to 7.5 times their largest speed.

    At 6 times they are shorted: currents swing with 1 rad of electrical angle in a gap.
    """
    load = {
        "part": "machine",
        "model": "pm_synchronous",
        "name": "load",
        "inertia": "0.05 kg m^2",
        "pole_pairs": 20,
        "resistance": "55 mohm",
        "inductance_d": "0.30 mH",
        "inductance_q": "0.36 mH",
        "flux_linkage": "30 mWb",
        "current_limit": "170 A",
        "max_speed": f"{MOST} rpm",
        "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
    }
    drive = servo("drive", 0.05, time_constant="0.1 ms", max_torque="300 N m", max_speed="12000 rpm")
    springs = [coupling(name, 20e3, damping="2 N m s/rad") for name in ("c1", "c2")]
    return describe(
        {
            "duration": "0.2 s",
            "supply": {"voltage": "600 V"},
            "line": [drive, springs[0], load | keys, springs[1], disc("wheel", 2.0)],
            "loop": [speed_loop("drive", 0.5, 0.0, clamp="250 N m", rate="1 kHz")],
            "sequence": [step("speed", "6000 rpm")],
            "fault": [
                {"name": "snap", "on": "c2", "kind": "broken", "at": "20 ms"},
                {"name": "short", "on": "load", "kind": "shorted", "at": "150 ms"},
            ],
            "limit": list(limits),
            "record": {"rate": "10 kHz"},
        }
    )


def off(found: Simulation, true: Simulation) -> float:
    """Return the largest error of the torque of the machine that runs away [N m]."""
    return float(np.max(np.abs(found.traces["load_torque"] - true.traces["load_torque"])))


def test_a_runaway_keeps_its_accuracy_which_steps_for_the_largest_speed_would_lose(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Measured: 1.4 N m of 89 N m with the steps for the largest speed, 2.2 mN m with those that follow."""
    true, found = simulate(rig(), factor=16), simulate(rig())
    assert np.max(np.abs(true.traces["load_torque"])) == pytest.approx(89.4, abs=0.1)
    assert off(found, true) < 5e-3
    assert found.energies.residual < 1e-5
    assert found.step == pytest.approx(1e-4)  # the longest one, before it ran away
    monkeypatch.setattr(engine, "FASTEST", 1)
    coarse = simulate(rig())
    assert off(coarse, true) > 1.0
    inside = found.time <= LEFT
    for name, trace in found.traces.items():
        assert np.array_equal(trace[inside], coarse.traces[name][inside]), name


def test_a_run_beyond_max_speed_says_so_first() -> None:
    answer = find_run(replace(read_scenario("reference-bench"), description=rig()))
    event = next(event for event in answer.simulation.events if event.kind == "beyond_max_speed")
    assert (event.name, event.time) == ("load", pytest.approx(LEFT))
    speed = answer.simulation.traces["load_speed"] * 30.0 / math.pi
    after = int(np.searchsorted(answer.simulation.time, LEFT - 1e-9))
    assert speed[after - 1] <= MOST < speed[after]
    words = (
        "load is beyond its max_speed from 0.0419 s on: steps are refined from there, "
        "at the end for 8 times that speed"
    )
    assert finding(answer).startswith(f"c2 breaks at 0.02 s. load is shorted at 0.15 s. {words}. ")
    assert answer.notes[0] == words


def test_speeds_beyond_what_steps_are_refined_for_are_not_to_be_trusted() -> None:
    found = simulate(rig(max_speed="200 rpm"))
    assert runaway(found) == (
        f"load is beyond its max_speed from {found.events[1].time:.4g} s on: steps are refined from there, "
        "but not for more than 16 times that speed: do not trust what is faster"
    )


def test_a_bench_that_runs_away_beside_others_in_lanes_has_the_bits_of_a_single_run() -> None:
    """Without faults, so that all could share lanes; the second one goes beyond what its machine may."""
    descriptions = [
        describe(
            {
                "duration": "60 ms",
                "line": [servo("drive", 0.05), coupling("c", 2e4), servo("load", 0.1, max_speed="450 rpm")],
                "loop": [speed_loop("drive", 20.0, 0.0)],
                "sequence": [step("speed", f"{speed} rpm")],
            }
        )
        for speed in (300, -600, 330)
    ]
    outcomes = list(simulate_many(descriptions))
    assert [outcome.in_lanes for outcome in outcomes] == [True, False, True]
    for outcome, description in zip(outcomes, descriptions, strict=True):
        single = simulate(description)
        assert outcome.simulation is not None
        assert [event.kind for event in outcome.simulation.events] == [event.kind for event in single.events]
        for name, trace in single.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name
    assert [event.name for event in outcomes[1].simulation.events] == ["load"]  # type: ignore[union-attr]
    assert not outcomes[0].simulation.events  # type: ignore[union-attr]


def test_going_back_takes_the_steps_of_that_time_again() -> None:
    """Also between instants, where the gap that leads on belongs to the steps."""
    run = start(build_bench(replace(rig(), fault=(), line=rig().line[:3])))
    ticks = run.clock.ticks_per_second
    run.advance(20 * ticks // 1000 + 7, exact=True)
    saved = run.save()
    ends = []
    for _ in range(2):
        run.advance(150 * ticks // 1000)
        ends.append((engine.stretch_of(run.model, run.state), run.state.copy()))
        run.restore(saved)
        assert engine.stretch_of(run.model, run.state) == 1
    assert ends[0][0] == ends[1][0] == 8
    assert np.array_equal(ends[0][1], ends[1][1])


def test_an_interlock_at_max_speed_trips_at_its_tick_all_the_same() -> None:
    """Guard and stretch change in one gap; the tick is that of a machine that may be as fast."""
    limit = {
        "name": "over",
        "watches": "load",
        "quantity": "speed",
        "above": f"{MOST} rpm",
        "reaction": "1 s",
    }
    ticks = [
        [event.tick for event in simulate(rig(limit, max_speed=most)).events if event.kind == "tripped"]
        for most in (f"{MOST} rpm", f"{1.01 * MOST} rpm")
    ]
    assert ticks[0] == ticks[1] and len(ticks[0]) == 1
