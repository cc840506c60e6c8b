"""A supply that feeds and returns, in runs and in its loop, against closed forms."""

import math

import numpy as np
import pytest

from rigs import fed_bench, hold, ramp, sensor, servo, shipped, speed_loop, step, torque_loop, two_way
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.ratings import held
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.worstcase import analyse_loops

KEPT = 650.0
"""[V]"""
UP = [ramp("1500 rpm", "0.3 s"), step("torque", "80 N m"), hold("0.5 s")]
DOWN = [*UP, step("torque", "0 N m"), ramp("0 rpm", "0.1 s"), hold("0.1 s")]


def bench(sequence, *, inertia=0.05, efficiency=(0.95, 0.95), reach="150 N m", speed=(5.0, 100.0), **keys):
    """Return two machines on a two-way supply; keys are those of the supply."""
    plain = {"time_constant": "1 ms", "max_torque": "600 N m", "max_speed": "4000 rpm", "rate": "8 kHz"}
    line = [
        servo("drive", inertia, **plain, efficiency=efficiency[0]),
        sensor("ts", 6e4, damping="2 N m s/rad", sampling="8 kHz"),
        servo("load", inertia, **plain, efficiency=efficiency[1]),
    ]
    supply, loop = two_way(**keys)
    loops = [
        speed_loop("drive", *speed, clamp=reach, rate="8 kHz"),
        torque_loop("load", "ts", clamp=reach, rate="8 kHz"),
        loop,
    ]
    return fed_bench(supply, sequence, line=line, loop=loops)


def power(run: Simulation, name: str, begin: float, end: float) -> float:
    """Return the mean power between two times from an energy [W]."""
    first, last = np.searchsorted(run.time, [begin - 1e-9, end - 1e-9])
    energy = run.traces[name]
    return float((energy[last] - energy[first]) / (run.time[last] - run.time[first]))


LOSSES = {"idle_loss": "100 W", "linear_loss": 0.01, "quadratic_loss": "2e-3 1/kW"}


@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_energy_closes_while_power_goes_either_way(method: str) -> None:
    run = simulate(bench(DOWN, source_resistance="20 mohm", **LOSSES), method=method)
    assert run.energies.residual < 1e-5
    assert all(balance.residual < 1e-5 for balance in run.energies.balances)
    assert run.traces["supply_current"].min() < -10.0 < 10.0 < run.traces["supply_current"].max()
    assert run.energies.losses["supply.switches"] > 0.8 * 100.0


def test_the_mains_draws_the_losses_only() -> None:
    """Check E10.4: 50 kW at the shaft, chains of 92 and 90 %: 54.348 kW taken, 45 kW back, 9.348 kW drawn."""
    moves = [ramp("1500 rpm", "0.3 s"), step("torque", "318.30989 N m"), hold("0.6 s")]
    run = simulate(bench(moves, efficiency=(0.92, 0.9), reach="1 kN m"))
    found = {name: power(run, f"{name}_energy", 0.8, 0.85) for name in ("drive", "load", "grid")}
    assert found["drive"] == pytest.approx(54347.8, rel=1e-5)
    assert found["load"] == pytest.approx(-45000.0, rel=1e-5)
    assert found["grid"] == pytest.approx(9347.8, rel=1e-4)
    with_losses = simulate(bench(moves, efficiency=(0.92, 0.9), reach="1 kN m", **LOSSES))
    drawn = power(with_losses, "grid_energy", 0.8, 0.85) - 100.0
    # What is left of p behind the loss: p - 0.01 p - 2e-6 p^2 = 9347.8 W.
    assert drawn - 0.01 * drawn - 2e-6 * drawn**2 == pytest.approx(9347.8, rel=1e-4)


def test_what_brakes_goes_back_to_the_line_but_for_the_losses() -> None:
    """The whole kinetic energy of the line, but for the machines' 5 %: check E10.4 in the other direction."""
    run = simulate(bench(DOWN))
    first, last = np.searchsorted(run.time, [0.8 - 1e-9, 0.99])
    change = {
        n: run.traces[n][last] - run.traces[n][first] for n in ("grid_energy", "drive_energy", "load_energy")
    }
    stored = 0.5 * 2e-3 * (run.traces["link_voltage"][last] ** 2 - run.traces["link_voltage"][first] ** 2)
    lag = 0.5e-3 * abs(power(run, "grid_energy", 0.8, 0.99))
    assert change["grid_energy"] == pytest.approx(
        change["drive_energy"] + change["load_energy"] + stored, abs=max(lag, 0.5)
    )
    kinetic = 0.5 * 0.1 * (1500.0 * math.pi / 30.0) ** 2
    assert -1.0 * kinetic < change["grid_energy"] < -0.85 * kinetic


def test_a_step_of_power_moves_the_voltage_as_its_control_says() -> None:
    """Closed form: C·V·e'' + kp·e' + ki·e = P', critically damped at ω: the largest e is P/(C·V·ω·e)."""
    moves = [ramp("1500 rpm", "1 s"), hold("3 s"), step("torque", "20 N m"), hold("0.1 s")]
    keys = {"rate": "32 kHz", "time_constant": "50 us", "omega": 2.0 * math.pi * 20.0, "damping": 1.0}
    run = simulate(bench(moves, inertia=1.0, reach="1 kN m", speed=(5.0, 5.0), **keys))
    first = int(np.searchsorted(run.time, 4.0 - 1e-9))
    volts = run.traces["link_voltage"][first:] - run.traces["link_voltage"][first]
    fed = 0.95 * 20.0 * run.traces["load_speed"][first]
    largest = fed / (2e-3 * KEPT * keys["omega"] * math.e)
    assert volts.max() == pytest.approx(largest, rel=0.03)
    assert run.time[first + int(np.argmax(volts))] - 4.0 == pytest.approx(
        1.0 / keys["omega"] + 1e-3, rel=0.08
    )


def test_the_voltage_loop_is_a_loop_of_the_map() -> None:
    """Closed form: L = (kp + ki/s)/(C·V·s)·e^(-1.5 T s)/(1 + τ s), while the link carries next to nothing."""
    keys = {"omega": 2.0 * math.pi * 30.0, "damping": 1.5, "time_constant": "0.2 ms"}
    description = bench(UP, **keys)
    loop = next(loop for loop in description.loop if loop.name == "voltage")
    margins = analyse_loops(description, ["voltage"], 50.0, 0.0)["voltage"].margins
    near = (margins.frequency > 5.0) & (margins.frequency < 200.0)
    s = 2j * math.pi * margins.frequency[near]
    period = float(1 / loop.rate)
    exact = (loop.kp.value + loop.ki.value / s) / (2e-3 * KEPT * s)
    exact *= np.exp(-1.5 * period * s) / (1.0 + 0.2e-3 * s)
    np.testing.assert_allclose(margins.response[near], exact, rtol=0.02)
    assert margins.quantity == "voltage" and margins.stable


def test_torque_loops_feel_an_unstable_voltage_loop() -> None:
    wild = bench(UP, omega=2.0 * math.pi * 900.0, damping=1.0)
    found = analyse_loops(wild, ["torque", "voltage"])
    assert not found["torque"].margins.stable and not found["voltage"].margins.stable
    calm = simulate(bench(UP)).traces["link_voltage"]
    assert np.ptp(simulate(wild).traces["link_voltage"][-800:]) > 20.0 > 1.0 > np.ptp(calm[-800:])


def test_it_charges_the_link_by_its_diodes_and_then_takes_it_up() -> None:
    run = simulate(
        bench(
            [hold("1.2 s"), *UP],
            initial_voltage="0 V",
            precharge_resistance="50 ohm",
            discharge_resistance="47 kohm",
        )
    )
    volts, ideal = run.traces["link_voltage"], 3.0 * math.sqrt(2.0) / math.pi * 400.0
    begin = int(np.searchsorted(run.time, 0.1))
    # An RC with 50 ohm and 2 mF, in series with line and commutation.
    assert volts[begin] == pytest.approx(ideal * -math.expm1(-0.1 / (2e-3 * 50.19)), rel=0.01)
    assert volts[int(np.searchsorted(run.time, 1.1))] == pytest.approx(KEPT, abs=0.5)
    assert run.energies.residual < 1e-5


def test_without_grid_its_switches_are_off_and_come_back() -> None:
    moves = [*UP, {"do": "grid", "to": 0}, hold("0.05 s"), {"do": "grid", "to": 1}, hold("0.3 s")]
    run = simulate(bench(moves, undervoltage="400 V"))
    first, last = np.searchsorted(run.time, [0.81, 0.85 - 1e-9])
    assert abs(run.traces["grid_energy"][last] - run.traces["grid_energy"][first]) < 1e-6
    volts = run.traces["link_voltage"]
    drawn = power(run, "drive_energy", 0.81, 0.84) + power(run, "load_energy", 0.81, 0.84)
    fallen = 0.5 * 2e-3 * (volts[first] ** 2 - volts[int(np.searchsorted(run.time, 0.84))] ** 2)
    assert fallen == pytest.approx(0.03 * drawn, rel=0.02)
    assert volts[-1] == pytest.approx(KEPT, abs=1.0)


def test_its_power_limits_hold_in_either_direction_and_are_told() -> None:
    run = simulate(bench(DOWN, power_limit="12 kW", return_limit="4 kW"))
    p = np.diff(run.traces["grid_energy"]) * 8000.0
    assert p.max() < 12.05e3 and p.min() > -4.02e3
    told = {entry.limit for entry in held(run) if entry.owner == "the supply"}
    assert "returned_power" in told
    assert run.traces["link_voltage"].max() > KEPT + 50.0


def test_lanes_and_single_runs_are_equal_bit_for_bit() -> None:
    benches = [bench(DOWN, capacitance=f"{size} mF", **LOSSES) for size in (1.5, 2, 3)]
    for outcome, description in zip(simulate_many(benches), benches, strict=True):
        alone = simulate(description)
        assert outcome.in_lanes
        for name, values in alone.traces.items():
            np.testing.assert_array_equal(outcome.simulation.traces[name], values)


def test_the_shipped_bench_keeps_its_link() -> None:
    run = simulate(shipped("two-way-hub"))
    assert run.energies.residual < 1e-5 and run.peaks["link.voltage"][1] < 510.0
