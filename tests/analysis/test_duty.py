"""A duty against the whole run, and what ends or forbids one."""

import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from heatbench import bench, document, hold
from rigs import RECTIFIER, describe, ramp, step
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import strained
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.errors import BenchError, ScenarioError, SimulationError
from shaftloop.scenario.description import Fault
from shaftloop.studies.faults import run_faults

WARM = {
    "resistance_coefficient": "0.0039 1/K",
    "flux_coefficient": "-0.001 1/K",
    "winding_limit": "120 degC",
}
PRICE = "supply.price=0.30 EUR/kWh"
CYCLE = [step("torque", "60 N m"), hold(1.0), step("torque", "-25 N m"), hold(1.5)]
CYCLE += [step("torque", "0 N m"), hold(0.5)]


@pytest.fixture(scope="module")
def duty() -> Simulation:
    return simulate(bench(WARM, CYCLE, "duty=149 s", PRICE))


@pytest.mark.compiled
def test_a_duty_is_what_the_whole_run_comes_to(duty: Simulation) -> None:
    found, whole = duty.duty, simulate(bench(WARM, 50 * CYCLE, PRICE))
    assert found is not None and whole.heat is not None
    assert found.cycles == 50 and found.run < 22 and duty.duration == pytest.approx(3.0 * found.run)
    full = np.array([np.interp(found.trace.time, whole.heat.time, warm) for warm in whole.heat.temperature.T])
    assert full.max() > 120.0
    apart = float(np.max(np.abs(full.T - found.trace.temperature)))
    assert apart < 0.03 and 0.3 * apart < found.error < 0.1
    assert duty.energies.residual < 1e-5 and max(body.residual for body in duty.energies.heat) < 1e-10
    of_duty, of_whole = metrics(duty), metrics(whole)
    for name in ("rms_current.m", "time_to_limit.m.winding", "peak_temperature.m.winding"):
        one, other = of_duty[name].value, of_whole[name].value
        assert one is not None and one == pytest.approx(other, rel=1e-3), name
    energy = sum(found.meters[f"{name}.link"] for name in ("m", "d"))
    assert energy == pytest.approx(whole.energies.grid, rel=2e-3)
    for name in ("energy_bill", "energy_bill_without_return"):
        assert of_duty[name].value == pytest.approx(of_whole[name].value, rel=2e-3), name


@pytest.mark.compiled
def test_a_duty_judges_a_brake_resistor_by_its_mean_power() -> None:
    brake = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}
    brake |= {"continuous_power": "400 W", "time_constant": "600 s"}
    moves = [ramp("20 rad/s", "0.5 s"), hold(0.5), ramp("50 rad/s", "0.5 s"), hold(1.0)]
    scenario = document(WARM, moves) | {"supply": RECTIFIER, "brake_resistor": [brake]}
    run = simulate(describe(scenario, "duty=300 s"))
    assert run.duty is not None and run.duty.run < 20
    after_first = run.traces["brake_power"][250:]  # 100 records a second, 2.5 s a cycle
    mean = metrics(run)["load.brake.mean_power"].value
    assert mean == pytest.approx(after_first.mean(), rel=0.1) and mean > 400.0
    assert f"the mean power of brake reaches {mean:.4g} W, above its rating of 400 W" in strained(run)[0]


@pytest.mark.compiled
def test_the_steady_state_is_where_a_cycle_ends_as_it_began(duty: Simulation) -> None:
    found = duty.duty
    assert found is not None and found.steady is not None
    assert found.steady[-1] == pytest.approx(found.steady[0], abs=0.05)
    start = {"start": f"{found.steady[0, 0]:.6g} degC", "winding_limit": "200 degC"}
    # A long duty gets there.
    long = simulate(bench(WARM | start, CYCLE, "duty=800 s")).duty
    assert long is not None
    ticks = len(found.steady)
    assert long.trace.temperature[-ticks:] == pytest.approx(found.steady, abs=0.1)
    value = metrics(duty)["steady_temperature.m.winding"].value
    assert value == pytest.approx(found.steady[:, 0].max())


@pytest.mark.compiled
def test_a_duty_ends_where_the_current_over_time_is_spent() -> None:
    """At 60 N m in 3 s of 6 s: 2,222 A² on average, 222 above 2,000 for good, until 20,000 A²s are spent."""
    inverter = {"continuous_current": f"{2000**0.5} A", "overload_time": f"{20_000 / 60_500} s"}
    cycle = [step("torque", "60 N m"), hold(3.0), step("torque", "0 N m"), hold(3.0)]
    run = simulate(bench(WARM, cycle, "duty=900 s", inverter=inverter, current_limit="250 A"))
    found = run.duty
    assert found is not None and found.ended.startswith("the current over time of m is spent")
    rows = found.trace.spent[:, 0]
    assert rows.max() == pytest.approx(1.0, abs=0.01)
    # It gains 7,333 A²s while loaded and loses 6,000 at rest: 13,333 before the last one.
    assert found.cycles == 11 and metrics(run)["duty_cycles"].value == 11.0


@pytest.mark.compiled
def test_a_cycle_that_does_not_repeat_itself_is_refused() -> None:
    iron = {"hysteresis": "2 N m", "eddy": "0.5 N m s/rad"}
    slow = ["loop.speed.kp=0.4 N m s/rad", "loop.speed.ki=0 N m/rad", "loop.speed.clamp=3 N m"]
    with pytest.raises(SimulationError, match=r"not periodic: m\.housing takes in .* in cycle 5") as caught:
        simulate(bench({}, [step("torque", "0 N m"), hold(0.5)], "duty=60 s", *slow, iron_loss=iron))
    assert "let the sequence end as it begins" in caught.value.advice


@pytest.mark.compiled
def test_a_duty_needs_something_that_warms_up() -> None:
    with pytest.raises(BenchError, match=r"^duty: nothing of this bench warms up"):
        simulate(bench(None, CYCLE, "duty=60 s"))


@pytest.mark.parametrize(
    ("moves", "settings", "words"),
    [
        (CYCLE, ["duration=10 s"], "a duty repeats its sequence for 60 s; leave duration out"),
        (CYCLE, ["duty=2 s"], "2 s is shorter than the cycle of 3 s"),
        (CYCLE[:1], [], "the sequence takes no time, so there is no cycle to repeat"),
        ([*CYCLE, {"do": "end"}], [], "this step is not periodic"),
        (
            [
                {"do": "settle", "loop": "speed", "within": "1 rpm", "dwell": "0.1 s", "timeout": "1 s"},
                *CYCLE,
            ],
            [],
            "this step is not periodic; use steps of a stated time, e.g. a hold instead of a settle",
        ),
        (
            [
                {
                    "do": "sine",
                    "loop": "torque",
                    "mean": "5 N m",
                    "amplitude": "5 N m",
                    "frequency": "1 Hz",
                }
            ],
            [],
            "this step has no end of its own",
        ),
        (CYCLE, ["duty=-1 s"], "allowed: above 0"),
    ],
)
def test_a_sequence_that_is_no_cycle_is_refused(
    moves: list[dict[str, str]], settings: list[str], words: str
) -> None:
    with pytest.raises(ScenarioError, match=re.escape(words)):
        bench(WARM, moves, "duty=60 s", *settings)


@pytest.mark.compiled
def test_faults_of_a_duty_are_those_of_its_first_cycle() -> None:
    """Machines that warm up go on doing so when their windings are shorted."""
    short = [step("torque", "60 N m"), hold(0.3)]
    fault = Fault("m.shorted", "m", "shorted", Fraction(0))
    (found,) = run_faults(bench(WARM, short, "duty=60 s"), [fault])
    assert found.error is None and 0.0 <= float(found.fault.at) <= 0.31
    description = bench(WARM, [*short, hold(0.5)])
    run = simulate(replace(description, fault=(Fault("short", "m", "shorted", Fraction(1, 5)),)))
    assert run.heat is not None and run.heat.temperature[-1, 0] > 30.0
    assert run.energies.residual < 1e-5
