"""Limits that prevent an operating point, each named with its value."""

import math

import numpy as np
import pytest

from rigs import Table, describe, sensor, servo, shipped, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import at_voltage_limit, held_state, violations, violations_ahead
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import simulate
from shaftloop.errors import SimulationError

pytestmark = pytest.mark.compiled
RPM = math.pi / 30.0


def refusal(bench: HyperMap, speed: float, torque: float) -> str:
    with pytest.raises(SimulationError) as raised:
        held_state(bench, operating_point(bench.bench, speed * RPM, torque))
    return str(raised.value)


def shipped_bench(name: str, *settings: str) -> HyperMap:
    return HyperMap(shipped(name, *settings))


def test_a_point_inside_all_limits_is_held() -> None:
    bench = shipped_bench("reference-bench")
    point = operating_point(bench.bench)
    state = held_state(bench, point)
    assert violations_ahead(bench.bench, point) == [] == violations(bench, state)


REFERENCE, HUB, AXLE = "reference-bench", "wheel-hub", "truck-axle"
STRONGER = ("loop.torque.clamp=9 kN m", "limit.overtorque.above=9 kN m", "line.ts.range=9 kN m")


@pytest.mark.parametrize(
    ("scenario", "settings", "speed", "torque", "said", "advice"),
    [
        (REFERENCE, (), 1500, 240, "clamp of loop torque: needs 23", "raise loop.torque.clamp"),
        (REFERENCE, (), 3500, 50, "largest speed of drive: needs 3500 rpm, allowed 3000 rpm", "`speed`"),
        (REFERENCE, (), -3500, 50, "largest speed of drive: needs 3500 rpm, allowed 3000 rpm", "`speed`"),
        (REFERENCE, ("line.ts.range=60 N m",), 1500, 80, "range of sensor ts: needs 80 N m", "line.ts.range"),
        (
            REFERENCE,
            ("line.load.current_limit=90 A",),
            1500,
            80,
            "current limit of load: needs 1",
            "`torque`",
        ),
        (
            REFERENCE,
            ("supply.voltage=150 V",),
            1500,
            80,
            "voltage limit of drive: needs",
            "voltage of the supply",
        ),
        (HUB, (), 1500, 20, "speed limiter overspeed: needs 1500 rpm, allowed 1400 rpm", "`speed`"),
        (HUB, (), 800, 190, "interlock overtorque: needs 190 N m, allowed 180 N m", "`torque`"),
        (HUB, (), 800, -190, "interlock overtorque: needs 190 N m, allowed 180 N m", "`torque`"),
        (AXLE, STRONGER, 300, 4100, "largest torque of load: needs", "`torque`"),
        (AXLE, ("line.load.max_power=50 kW",), 300, 2500, "largest power of load at 300 rpm", "`torque`"),
    ],
)
def test_the_limit_is_named_with_its_value(
    scenario: str, settings: tuple[str, ...], speed: float, torque: float, said: str, advice: str
) -> None:
    text = refusal(shipped_bench(scenario, *settings), speed, torque)
    assert f"the bench cannot hold {speed} rpm and {torque} N m; " in text
    assert said in text and advice in text


def test_a_point_that_the_run_holds_at_the_voltage_limit_is_held() -> None:
    """The reserve is less than the drop at the resistance; the loop asks for more until the speed is met."""
    settings = ("supply.voltage=150 V", "sequence.0.to=1300 rpm", "duration=1.5 s")
    run = simulate(shipped(HUB, *settings))
    hub = HyperMap(shipped(HUB, *settings))
    point = operating_point(hub.bench)
    state = held_state(hub, point)
    assert (point.speed, point.torque) == (pytest.approx(1300 * RPM), 90.0)
    assert at_voltage_limit(hub, state) == ["drive"]
    asked = hub.walk(state, np.array([hub.ticks]))[0][hub.bench.loops["speed"].break_slot]
    end = run.time > 1.4
    # More by a quarter than the machine would need with all the voltage that it wants.
    assert asked == pytest.approx(np.mean(run.traces["speed_command"][end]), rel=2e-3)
    assert asked > 1.2 * np.mean(run.traces["drive_torque"][end])

    at_ease = operating_point(hub.bench, 300 * RPM, 90.0)
    assert at_voltage_limit(hub, held_state(hub, at_ease)) == []


def test_a_machine_whose_field_weakening_cannot_make_the_torque() -> None:
    bench = shipped_bench(
        "wheel-hub", "supply.voltage=60 V", "line.load.current_control.field_weakening=false"
    )
    text = refusal(bench, 1300, 90)
    assert "torque of drive inside 170 A and 34.641 V: needs 90 N m, allowed" in text


def test_a_point_without_steady_state_stays_an_error_of_its_own() -> None:
    """Nothing holds the speed and nothing brakes: the torque accelerates the line for ever."""
    line = [servo("drive", 0.1), sensor("ts", 2e4, damping="1 N m s/rad"), servo("load", 0.1)]
    document: Table = {
        "line": line,
        "loop": [torque_loop("load", "ts")],
        "sequence": [{"do": "hold", "time": "0.1 s"}],
    }
    bench = HyperMap(describe(document))
    with pytest.raises(SimulationError, match=r"no steady state at 95\.493 rpm and 5 N m"):
        held_state(bench, operating_point(bench.bench, 10.0, 5.0))
