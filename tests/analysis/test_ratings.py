"""What a run asks of the parts against what they stand, and how long limits held machines and loops back."""

from pathlib import Path

import numpy as np
import pytest

from rigs import coupling, describe, servo, speed_loop, step
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import held, loads, overloads, strained
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.responses import known

BOUNCE = Path(__file__).with_name("speed-limit-switches-torque.toml")


@pytest.fixture(scope="module")
def run() -> Simulation:
    settings = [
        "duration=3.2 s",
        "line.c1.limit=105 N m",
        "line.c1.rated=100 N m",
        "line.c2.max_speed=300 rpm",
    ]
    return simulate(read_scenario(BOUNCE, settings).description)


def test_loads_are_the_peaks_of_the_run(run: Simulation) -> None:
    found = {(load.part, load.quantity): load for load in loads(run)}
    assert set(found) == {
        *((part, "torque") for part in ("c1", "ts", "c2")),
        *((part, "speed") for part in ("drive", "c2", "load")),
    }
    speed, torque = run.traces["drive_speed"], run.traces["c1_torque"]
    # From inside the steps, so at least what was recorded, and hardly more at this rate of recording.
    for load, trace in ((found["drive", "speed"], speed), (found["c1", "torque"], torque)):
        assert np.max(np.abs(trace)) <= load.peak * (1.0 + 1e-12)
        assert load.peak < 1.02 * np.max(np.abs(trace))
    assert found["drive", "speed"].beyond_limit and not found["load", "speed"].beyond_limit
    assert found["ts", "torque"].beyond_rating and not found["ts", "torque"].beyond_limit
    assert not found["c2", "torque"].beyond_rating and found["c2", "torque"].limit is None


def test_what_is_damaged_is_told_apart_from_what_is_strained(run: Simulation) -> None:
    damaged, others = overloads(run), strained(run)
    assert [text.split()[0] for text in damaged] == ["drive", "c1"]
    assert "drive sees 195.5 rpm, beyond its limit of 160 rpm" in damaged
    assert any(text.startswith("ts sees ") and "above its rating of 100 N m" in text for text in others)
    assert any(
        text.startswith("loop torque spends ") and "limit of command, 85 N m" in text for text in others
    )
    assert not any(text.startswith("c1 sees") for text in others)


def test_time_at_a_limit_is_counted_by_the_ticks_of_its_task(run: Simulation) -> None:
    found = {(entry.owner, entry.limit): entry for entry in held(run)}
    clamp = found["loop torque", "command"]
    assert clamp.peak == clamp.allowed == 85.0
    assert clamp.first is not None and clamp.last is not None and clamp.first < clamp.last <= run.duration
    # The command is recorded behind the loop: how often it stands at the clamp is seen there too.
    command = np.abs(run.traces["torque_command"])
    assert clamp.share == pytest.approx(np.mean(command >= 85.0 * (1.0 - 1e-9)), abs=0.005)
    speed = found["drive", "speed"]
    assert speed.allowed == pytest.approx(160.0 * np.pi / 30.0) and speed.share > 0.01
    never = found["drive", "torque"]
    assert (never.share, never.first, never.last) == (0.0, None, None) and never.peak > 0.0
    current = found["load", "current"]
    assert current.share == 0.0 and 0.0 < current.peak < current.allowed


def test_after_a_trip_nothing_is_held_back_by_the_clamp() -> None:
    """The integral of a loop runs away once no machine listens; that is no limit of the bench."""
    line = [servo("drive", 0.05), coupling("c", 3e4, damping="2 N m s/rad"), servo("load", 0.1)]
    moves = [step("speed", "50 rad/s"), {"do": "hold", "time": "0.2 s"}]
    after = [{"do": "trip"}, {"do": "hold", "time": "0.3 s"}]
    loop = speed_loop("drive", 5.0, 60.0, clamp="50 N m")
    before, tripped = (
        simulate(
            describe({"line": line, "loop": [loop], "sequence": [*moves, step("speed", "90 rad/s"), *more]})
        )
        for more in ([{"do": "hold", "time": "1 ms"}], after)
    )
    found, whole = held(before)[-1], held(tripped)[-1]
    assert np.abs(tripped.traces["speed_command"][-1]) == 50.0
    assert whole.last is not None and found.last is not None and whole.last <= 0.2
    assert whole.share * tripped.duration == pytest.approx(found.share * before.duration, abs=2e-3)


def test_ratings_are_metrics_that_checks_and_studies_know(run: Simulation) -> None:
    found = metrics(run)
    names = known(run.bench.description, ["simulate.x"])
    assert {f"simulate.{name}" for name in found} <= set(names)
    peak = {(load.part, load.quantity): load.peak for load in loads(run)}
    assert found["load.drive.speed"].value == peak["drive", "speed"]
    assert found["load_of_limit.c1.torque"].value == pytest.approx(peak["c1", "torque"] / 105.0)
    assert found["load_of_rated.ts.torque"].value == pytest.approx(peak["ts", "torque"] / 100.0)
    share = found["limited.torque.command"]
    assert share.unit == "1" and share.at is not None and share.value is not None


@pytest.mark.parametrize(("ki", "at_it"), [(1, False), (300, True)])
def test_a_loop_is_at_its_clamp_only_where_it_reaches_it(ki: int, at_it: bool) -> None:
    settings = [
        "loop.torque.kp=0.03",
        f"loop.torque.ki={ki} 1/s",
        "loop.torque.clamp=20 N m",
        "duration=30 ms",
    ]
    plain = simulate(read_scenario("reference-bench", settings).description)
    entry = next(entry for entry in held(plain) if entry.owner == "loop torque")
    assert (entry.share > 0.0) is at_it
    assert entry.peak <= 20.0
