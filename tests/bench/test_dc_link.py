"""A link whose voltage is a state, in runs against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from rigs import (
    RECTIFIER,
    channel,
    coupling,
    describe,
    disc,
    fed_bench,
    hold,
    ramp,
    sensor,
    servo,
    shipped,
    speed_loop,
    start,
    step,
    torque_loop,
)
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.ratings import held, loads
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.verify import check_energy
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop_models.supply import Rectifier

NOMINAL = 3.0 * math.sqrt(2.0) / math.pi * 400.0
"""[V]"""
BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "700 V", "off_level": "680 V"}
UP = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.5 s")]
DOWN = [*UP, step("torque", "0 N m"), ramp("0 rpm", "0.1 s"), hold("0.05 s")]


def at(run: Simulation, name: str, time: float) -> float:
    """Return a channel at a time."""
    return float(run.traces[name][np.searchsorted(run.time, time - 1e-9)])


@pytest.fixture(scope="module")
def braked() -> Simulation:
    return simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE]))


@pytest.mark.parametrize("method", ["etd4", "rk4"])
@pytest.mark.parametrize("resistors", [[BRAKE], []])
def test_energy_closes_while_the_bridge_feeds_blocks_and_the_resistor_chops(method, resistors) -> None:
    run = simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=resistors), method=method)
    assert run.energies.residual < 1e-5
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)
    stored = 0.5 * 2e-3 * (run.traces["link_voltage"][-1] ** 2 - NOMINAL**2)
    assert stored == pytest.approx(
        next(b.stored for b in run.energies.balances if b.element == "link"), rel=0.02
    )
    assert run.traces["supply_current"].min() >= 0.0
    assert run.peaks["supply.current"][0] > -1e-3  # a parabola across the instant at which the diodes block


def test_a_resistor_that_never_conducted_is_no_doubt_of_the_energies() -> None:
    moves = [*UP, {"do": "grid", "to": 0.6}, hold("0.1 s"), {"do": "grid", "to": 1}, hold("0.1 s")]
    run = simulate(fed_bench(RECTIFIER, moves, brake_resistor=[BRAKE]))
    assert run.energies.losses["brake.heat"] == 0.0 and check_energy(run) == []


@pytest.mark.parametrize("size", ["200 uF", "60 uF", "20 uF"])
def test_energy_closes_on_a_small_capacitor_too(size: str) -> None:
    """The step follows P/(C·V²): machines that draw constant power are a negative resistance."""
    run = simulate(shipped("rectifier-hub", f"supply.capacitance={size}"))
    assert run.energies.residual < 1e-5
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)


@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_energy_closes_while_the_current_of_blocked_diodes_fades(method: str) -> None:
    """The grid goes while the machines speed up: little more circulates than what is left in the choke."""
    moves = [step("torque", "20 N m"), step("speed", "30 rad/s"), hold("3 ms"), {"do": "grid", "to": 0}]
    run = simulate(fed_bench(RECTIFIER | {"capacitance": "1 mF"}, [*moves, hold("7 ms")]), method=method)
    link = next(balance for balance in run.energies.balances if balance.element == "link")
    assert run.energies.residual < 5e-7
    assert link.residual < 3e-6
    assert run.peaks["supply.current"][1] > 0.5 and run.traces["supply_current"][-1] < 1e-3


def test_a_capacitor_that_is_too_small_for_the_control_is_named() -> None:
    run = simulate(shipped("rectifier-hub", "supply.capacitance=1 uF"))
    words = "the capacitance of the link, 1 uF, is too small"
    with pytest.raises(SimulationError, match=words) as caught:
        check_energy(run)
    first, advice = str(caught.value), caught.value.advice
    assert first.startswith(words) and "of the bench does not close" in advice and "report" not in advice
    draws = max(abs(peak) for name in ("drive", "load") for peak in run.peaks[f"{name}.link_current"])
    least = draws * 100e-6 / (0.1 * run.bench.description.supply.nominal()) * 1e6
    assert float(first.split("capacitance to ")[1].split(" uF")[0]) == pytest.approx(least, rel=0.06)


def test_both_steppers_and_half_the_step_agree(braked: Simulation) -> None:
    for other in ({"method": "rk4"}, {"factor": 2}):
        run = simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE]), **other)
        difference = np.abs(run.traces["link_voltage"] - braked.traces["link_voltage"])
        assert np.percentile(difference, 99) < 0.5 and difference[: int(0.75 * 8000)].max() < 0.01


def test_a_loaded_bridge_has_its_mean_voltage_and_the_grid_delivers_without_commutation_heat(braked) -> None:
    current, commutation = at(braked, "supply_current", 0.79), 6.0 * 50.0 * 0.5e-3
    assert current > 2.0
    fallen = (commutation + 0.04) * current
    assert at(braked, "link_voltage", 0.79) == pytest.approx(NOMINAL - fallen, abs=0.02 * fallen)
    power = (at(braked, "grid_energy", 0.79) - at(braked, "grid_energy", 0.78)) / 0.01
    mean = float(np.mean(braked.traces["supply_current"][int(0.78 * 8000) : int(0.79 * 8000) + 1]))
    assert power == pytest.approx((NOMINAL - commutation * mean) * mean, rel=2e-4)


def test_the_grid_supplies_nothing_but_losses_at_rest_of_all_else(braked: Simulation) -> None:
    taken = {
        name: at(braked, name, 0.79) - at(braked, name, 0.69) for name in ("drive_energy", "load_energy")
    }
    grid = at(braked, "grid_energy", 0.79) - at(braked, "grid_energy", 0.69)
    shaft = 80.0 * 1500.0 * math.pi / 30.0 * 0.1
    assert taken["drive_energy"] == pytest.approx(shaft / 0.95 + 5.0, rel=2e-3)
    assert taken["load_energy"] == pytest.approx(-shaft * 0.95 + 5.0, rel=2e-3)
    heat = 0.04 * at(braked, "supply_current", 0.79) ** 2 * 0.1
    assert grid == pytest.approx(sum(taken.values()) + heat, rel=5e-3)


def test_a_small_rectifier_feeds_a_bench_that_circulates_ten_times_as_much() -> None:
    """Check E10.4 on diodes: 50 kW at the shaft, chains of 96 and 95 %: 52.083 kW taken, 47.5 kW back."""
    machine = {"time_constant": "1 ms", "max_torque": "1 kN m", "max_speed": "4000 rpm", "rate": "8 kHz"}
    line = [
        servo("drive", 0.05, efficiency=0.96, **machine),
        sensor("ts", 6e4, damping="2 N m s/rad", sampling="8 kHz"),
        servo("load", 0.05, efficiency=0.95, **machine),
    ]
    loops = [
        speed_loop("drive", 5.0, 100.0, clamp="1 kN m", rate="8 kHz"),
        torque_loop("load", "ts", clamp="1 kN m", rate="8 kHz"),
    ]
    moves = [ramp("1500 rpm", "1 s"), step("torque", "318.30989 N m"), hold("0.6 s")]
    run = simulate(fed_bench(RECTIFIER, moves, line=line, loop=loops))
    begin, end = 1.5, 1.59
    names = ("drive_energy", "load_energy", "grid_energy")
    drive, load, grid = ((at(run, name, end) - at(run, name, begin)) / (end - begin) for name in names)
    assert drive == pytest.approx(50000.0 / 0.96, rel=1e-4)
    assert load == pytest.approx(-50000.0 * 0.95, rel=1e-4)
    amperes = at(run, "supply_current", end)
    assert grid == pytest.approx(50000.0 * (1.0 / 0.96 - 0.95) + 0.04 * amperes**2, rel=1e-4)
    assert amperes < 0.1 * at(run, "link_voltage", end) and drive / grid > 11.0
    assert run.energies.residual < 1e-5


def test_the_resistor_takes_what_the_capacitor_does_not_hold(braked: Simulation) -> None:
    volts, power = braked.traces["link_voltage"], braked.traces["brake_power"]
    on = power > 0.0
    np.testing.assert_allclose(power[on], volts[on] ** 2 / 20.0, rtol=1e-3)
    assert 677.0 < volts[on].min() and volts.max() < 704.0
    found = metrics(braked)
    fed = -found["drive_energy"].value - found["load_energy"].value
    assert found["brake_energy"].value == pytest.approx(
        braked.energies.grid - braked.energies.losses["supply.source"] + fed
        - 0.5 * 2e-3 * (volts[-1] ** 2 - NOMINAL**2), rel=0.02,
    )  # fmt: skip
    assert found["brake_pulse_energy"].value == pytest.approx(found["brake_energy"].value)


def test_the_heat_load_of_a_resistor_is_the_mean_over_its_time_constant_and_has_its_ratings() -> None:
    thermal = {"continuous_power": "1 kW", "time_constant": "0.4 s", "pulse_energy": "900 J"}
    run = simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE | thermal]))
    power, period = run.traces["brake_power"], 1.0 / 8000.0
    mean, pulse, most = 0.0, 0.0, [0.0, 0.0]
    for value in power:
        mean += (value - mean) * -math.expm1(-period / 0.4)
        pulse = max(pulse + (value - 1000.0) * period, 0.0)
        most = [max(most[0], mean), max(most[1], pulse)]
    found = metrics(run)
    assert found["load.brake.mean_power"].value == pytest.approx(most[0], rel=0.01)
    assert found["brake_pulse_energy"].value == pytest.approx(most[1], rel=0.01)
    assert found["load_of_limit.brake.pulse_energy"].value == pytest.approx(most[1] / 900.0, rel=0.01)


def test_a_link_without_grid_rides_through_for_the_time_of_its_capacitor() -> None:
    moves = [*UP, {"do": "grid", "to": 0}, hold("0.3 s")]
    run = simulate(fed_bench({**RECTIFIER, "undervoltage": "400 V", "overvoltage": "800 V"}, moves))
    power = (at(run, "drive_energy", 0.82) + at(run, "load_energy", 0.82)) - (
        at(run, "drive_energy", 0.8) + at(run, "load_energy", 0.8)
    )
    first = at(run, "link_voltage", 0.8)
    rides = 2e-3 * (first**2 - 400.0**2) / (2.0 * power / 0.02)
    watch = next(w for w in run.bench.watches if w.limit == "undervoltage" and w.owner == "drive")
    assert [(e.name, e.kind, e.count) for e in run.events[:2]] == [
        ("grid", "lost", 1),
        ("inverters", "blocked_by_undervoltage", 1),
    ]
    assert run.events[1].time == run.watched[watch.slot][1]
    assert [entry.part for entry in loads(run) if entry.unit == "V"] == ["link"]
    row = next(entry for entry in held(run) if entry.limit == "undervoltage")
    assert row.below and row.peak == run.peaks["link.voltage"][0] < 400.0
    assert run.watched[watch.slot][1] - 0.8 == pytest.approx(rides, rel=5e-3)
    assert at(run, "grid_energy", 0.9) == pytest.approx(at(run, "grid_energy", 0.85), abs=1e-9)


def test_a_machine_that_brakes_keeps_the_link_up_when_the_grid_is_lost() -> None:
    lost = [*UP, {"do": "grid", "to": 0}]
    held = simulate(fed_bench(RECTIFIER, [*lost, hold("0.25 s")]))
    buffered = simulate(fed_bench(RECTIFIER, [*lost, ramp("1000 rpm", "0.25 s")]))
    assert held.peaks["link.voltage"][0] < 300.0
    assert buffered.peaks["link.voltage"][0] > 500.0
    assert held.energies.residual < 1e-5 and buffered.energies.residual < 1e-5


def test_an_empty_link_is_charged_through_its_resistor_and_machines_wait_for_it() -> None:
    charge = {"initial_voltage": "0 V", "precharge_resistance": "100 ohm", "undervoltage": "535 V"}
    moves = [step("speed", "100 rpm"), hold("0.9 s")]
    run = simulate(fed_bench(RECTIFIER | charge, moves))
    volts, speed = run.traces["link_voltage"], run.traces["drive_speed"]
    tau = (100.0 + 0.04 + 0.15) * 2e-3
    before = volts < 350.0
    shape = NOMINAL * -np.expm1(-np.maximum(run.time - 0.25e-3, 0.0) / tau)
    np.testing.assert_allclose(volts[before], shape[before], atol=1.5)
    assert np.abs(speed[volts < 530.0]).max() == 0.0
    assert speed[-1] == pytest.approx(100.0 * math.pi / 30.0, rel=0.02)
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)
    energies = run.energies
    assert energies.circulated < 70.0 and energies.exchanged > 500.0
    assert energies.exchanged == pytest.approx(energies.grid)
    assert energies.residual < 1e-5, "of what the grid gives; hardly anything circulates"
    assert run.energies.losses["supply.precharge"] == pytest.approx(
        2e-3 * 0.9 * (1.0 - 0.45) * NOMINAL**2, rel=0.01
    )


def test_a_stopped_flywheel_charges_the_capacitor_of_a_link_that_nothing_else_relieves() -> None:
    # Check E10.5 b: 986.96 J, 85 % of it recovered, 4.7 mF from 565 V, 822.32 V.
    machine = servo("drive", 0.02, efficiency=0.85, max_speed="4000 rpm", max_torque="50 N m")
    supply = RECTIFIER | {
        "line_voltage": f"{565.0 * math.pi / 3.0 / math.sqrt(2.0)} V",
        "capacitance": "4.7 mF",
    }
    moves = [ramp("3000 rpm", "0.3 s"), hold("0.2 s"), ramp("0 rpm", "0.2 s"), hold("0.05 s")]
    loop = speed_loop("drive", 5.0, 100.0, clamp="40 N m")
    run = simulate(
        describe(
            {
                "line": [machine, coupling("c", 1e6, damping="5 N m s/rad"), disc("end", 1e-6)],
                "loop": [loop],
                "sequence": moves,
                "supply": supply,
            }
        )
    )
    before, after = at(run, "link_voltage", 0.5), run.traces["link_voltage"][-1]
    assert 565.0 < before < 580.0, "the current of the choke charges it a little on its way"
    assert math.sqrt(565.0**2 + after**2 - before**2) == pytest.approx(822.32, rel=1e-3)


def test_the_voltage_limit_of_a_machine_follows_what_it_measures() -> None:
    low = Rectifier(
        kind="rectifier", line_voltage=400.0, line_frequency=50.0, source_inductance=5e-4, capacitance=2e-3
    )
    from dataclasses import replace

    bench = build_bench(replace(shipped("reference-bench"), supply=low))
    run = start(bench)
    run.advance(run.clock.ticks_per_second // 4)
    volts = channel(bench, run, "link_voltage")
    for machine in bench.machines.values():
        most = np.hypot(*(run.state[slot] for slot in machine.terminals))
        assert most <= volts.max() / math.sqrt(3.0) * (1.0 + 1e-9)
    watch = next(w for w in bench.watches if w.limit == "voltage")
    assert math.sqrt(run.state[watch.slot + 3]) <= volts.max() / math.sqrt(3.0) * (1.0 + 1e-9)


def test_lanes_have_the_bits_of_single_runs() -> None:
    moves = [*UP, {"do": "grid", "to": 0.8}, hold("0.1 s")]
    benches = [
        fed_bench(
            {**RECTIFIER, "capacitance": f"{c} mF", "initial_voltage": "500 V"}, moves, brake_resistor=[BRAKE]
        )
        for c in (1.0, 2.0, 3.5)
    ]
    for outcome, bench in zip(simulate_many(benches), benches, strict=True):
        single = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in single.traces.items():
            np.testing.assert_array_equal(outcome.simulation.traces[name], trace)
        assert outcome.simulation.energies == single.energies


def test_a_resistor_that_does_not_hold_the_link_is_named() -> None:
    from shaftloop.analysis.ratings import strained

    weak = {**BRAKE, "resistance": "200 ohm"}
    (said,) = [
        w for w in strained(simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[weak]))) if "resistor" in w
    ]
    assert said.startswith("brake resistor brake does not hold the link: ") and "lower its resistance" in said
    assert not [
        w for w in strained(simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE]))) if "hold" in w
    ]


def test_a_link_charged_without_resistor_is_named_and_not_the_brake_resistor() -> None:
    """The swing of source and capacitor as scipy integrates it, to 2 %: the diodes of the model fade."""
    from scipy.integrate import solve_ivp

    from shaftloop.analysis.ratings import strained

    bare = shipped("rectifier-hub", "supply.initial_voltage=0 V")
    run = simulate(bare)
    said = strained(run)
    assert said[0].startswith("the link is charged from 0 V on without a resistor and would swing to 685.5 V")
    assert not [words for words in said if "brake resistor" in words]
    swing = solve_ivp(
        lambda t, x: [(0.75 * NOMINAL - x[1] - 0.19 * x[0]) / 1e-3, x[0] / 1.5e-3],
        (0.0, 4e-3),
        [0.0, 0.0],
        rtol=1e-9,
        atol=1e-9,
        max_step=1e-5,
    )
    assert bare.supply.surge() == pytest.approx(swing.y[1].max(), rel=1e-5)
    free = simulate(replace(bare, brake_resistor=()))
    assert free.traces["link_voltage"][:200].max() == pytest.approx(bare.supply.surge(), rel=0.02)
    advised = said[0].split("precharge_resistance, ")[1].split(" or so")[0]
    charged = simulate(
        shipped("rectifier-hub", "supply.initial_voltage=0 V", f"supply.precharge_resistance={advised}")
    )
    assert not [words for words in strained(charged) if "charged" in words or "brake" in words]
    early = shipped(
        "rectifier-hub",
        "supply.initial_voltage=0 V",
        f"supply.precharge_resistance={advised}",
        "supply.precharge_until=100 V",
    )
    assert strained(simulate(early))[0].endswith("raise supply.precharge_until")


def test_a_capacitor_takes_the_energy_between_two_voltages() -> None:
    """Check E10.5 a: 2.35 mF from 600 to 750 V take 237.9 J; measured at the machines while they brake."""
    run = simulate(fed_bench({**RECTIFIER, "capacitance": "2.35 mF"}, DOWN))
    first = int(np.searchsorted(run.time, 0.8))
    last = first + int(np.argmax(run.traces["link_voltage"][first:]))
    volts = run.traces["link_voltage"][first:last]
    fed = -(run.traces["drive_energy"] + run.traces["load_energy"])[first:last]
    begin = int(np.flatnonzero(volts < 590.0)[-1])
    low, high = np.interp([600.0, 750.0], volts[begin:], fed[begin:])
    assert np.all(np.diff(volts[begin:]) > 0.0)
    assert high - low == pytest.approx(237.9, rel=1e-3)


def test_the_grid_as_a_fault_ends_and_returns_as_the_step_of_a_sequence_does() -> None:
    """Same ticks, same bits: lost while 80 N m circulate, back before the inverters are off."""
    moves = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.2 s")]
    lost, back = {"do": "grid", "to": 0}, {"do": "grid", "to": 1}
    as_steps = simulate(fed_bench(RECTIFIER, [*moves, lost, hold("20 ms"), back, hold("80 ms")]))
    fault = {"name": "dip", "on": "supply", "kind": "grid_lost", "at": "0.5 s", "until": "0.52 s"}
    as_fault = simulate(fed_bench(RECTIFIER, [*moves, hold("20 ms"), hold("80 ms")], fault=[fault]))
    assert [event.kind for event in as_fault.events] == ["failed", "restored"]
    assert as_steps.traces["link_voltage"].min() < NOMINAL - 20.0
    for name in ("link_voltage", "drive_torque", "ts_torque"):
        assert np.array_equal(as_steps.traces[name], as_fault.traces[name])


def test_a_resistor_that_does_not_conduct_leaves_the_energy_in_the_link() -> None:
    """What it would have burnt: ½·C·V² of the run without one."""
    fault = {"name": "burnt", "on": "brake", "kind": "open", "at": "0.1 s"}
    run = simulate(fed_bench(RECTIFIER, DOWN, brake_resistor=[BRAKE], fault=[fault]))
    bare = simulate(fed_bench(RECTIFIER, DOWN))
    assert run.energies.losses["brake.heat"] == 0.0
    assert run.peaks["link.voltage"][1] == pytest.approx(bare.peaks["link.voltage"][1], rel=1e-9)
    assert run.peaks["link.voltage"][1] > 1.2 * 700.0
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)
