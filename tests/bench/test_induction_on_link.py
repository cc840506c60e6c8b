"""Induction machines on a link whose voltage is a state: what they draw, and how their voltage follows it."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.test_induction_bench import ORIENTED, alone, driven
from rigs import RECTIFIER, describe, hold, ramp, step
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.scenario.description import Description

NOMINAL = 3.0 * math.sqrt(2.0) / math.pi * 400.0
"""[V]"""
LOST = [{"do": "grid", "to": 0}, hold("0.3 s"), {"do": "grid", "to": 1}, hold("0.4 s")]
BRAKE = {"name": "brake", "resistance": "20 ohm", "on_level": "600 V", "off_level": "580 V"}


def oriented(supply: dict[str, Any], *moves: dict[str, Any], speed: str = "1500 rpm", **changes: Any) -> Any:
    """Return the keys of a machine with field orientation at 20 N m, and what comes then."""
    up = [ramp(speed, "0.3 s"), hold("0.3 s"), step("torque", "20 N m"), hold("0.4 s")]
    control = ORIENTED | changes.pop("control", {})
    document = driven(control, *up, *moves, **changes) | {"supply": supply}
    document["line"][0] |= {"efficiency": 0.8, "max_torque": "150 N m"}
    return document


def scalar(supply: dict[str, Any], *moves: dict[str, Any], **control: Any) -> dict[str, Any]:
    """Return the keys of a machine on volts per hertz that turns a fan, and what comes then."""
    document = alone(control={"ramp": "100 Hz/s"} | control)
    document.pop("duration")
    return document | {"supply": supply, "sequence": [hold("1 s"), *moves]}


def watched(run: Simulation, limit: str) -> tuple[float, ...]:
    """Return ticks at a limit of the machine, first and last of them, and its largest value."""
    return run.watched[next(w.slot for w in run.bench.watches if (w.owner, w.limit) == ("load", limit))]


@pytest.mark.parametrize("method", ["etd4", "rk4"])
@pytest.mark.parametrize("rig", [oriented, scalar])
def test_energy_closes_while_the_grid_goes_and_comes(rig: Any, method: str) -> None:
    run = simulate(describe(rig(RECTIFIER, *LOST) | {"brake_resistor": [BRAKE]}), method=method)
    assert run.energies.residual < 1e-5
    circulated = run.energies.circulated
    assert {b.element for b in run.energies.balances} >= {"link", "supply", "load.windings"}
    assert all(b.residual < 1e-5 for b in run.energies.balances if b.element != "hub"), circulated


@pytest.mark.parametrize("rig", [oriented, scalar])
def test_on_a_link_that_holds_its_voltage_it_is_as_on_a_stiff_one(rig: Any) -> None:
    """The drop of the bridge makes the difference, below a percent of the voltage."""
    live, stiff = (
        simulate(describe(rig(supply) | {"duration": "1 s"})).traces
        for supply in (RECTIFIER | {"source_inductance": "1 uH"}, {"voltage": f"{NOMINAL} V"})
    )
    for name in ("load_torque", "load_speed"):
        assert live[name][-1] == pytest.approx(stiff[name][-1], rel=2e-3)
    drawn = [(t["load_energy"][-1] - t["load_energy"][-1000]) / 0.0999 for t in (live, stiff)]
    assert drawn[0] == pytest.approx(drawn[1], rel=2e-3) and abs(drawn[0]) > 800.0


def test_the_link_gives_what_the_machine_draws_as_power_over_voltage() -> None:
    run = simulate(describe(scalar(RECTIFIER)))
    power = (run.traces["load_energy"][-1] - run.traces["load_energy"][-1000]) / 0.0999
    current = float(np.mean(run.traces["supply_current"][-1000:]))
    assert current * float(np.mean(run.traces["link_voltage"][-1000:])) == pytest.approx(power, rel=1e-3)


def test_volts_per_hertz_gives_no_more_than_the_link_has() -> None:
    sag = [{"do": "grid", "to": 0.8}, hold("0.5 s")]
    run = simulate(describe(scalar(RECTIFIER, *sag, rated_voltage="310 V")))
    most = run.traces["link_voltage"][-1] / math.sqrt(3.0)
    first, second = (run.bench.machines["load"].terminals, run.run.state)
    assert math.hypot(*(float(second[slot]) for slot in first)) == pytest.approx(most, rel=1e-3)
    assert most < 260.0 and watched(run, "voltage")[0] > 4000.0
    free = simulate(describe(scalar(RECTIFIER, rated_voltage="310 V")))
    assert watched(free, "voltage")[0] < 0.05 * watched(run, "voltage")[0]


def test_boost_is_held_in_volts_while_the_link_sags() -> None:
    low = {"frequency": "8 Hz", "boost": "12 V"}
    sag = [{"do": "grid", "to": 0.7}, hold("0.5 s")]
    speeds = [
        simulate(describe(scalar(RECTIFIER, *moves, **low))).traces["load_speed"][-1] for moves in (sag, [])
    ]
    assert speeds[0] == pytest.approx(speeds[1], rel=1e-3)


def test_the_field_is_weakened_by_the_voltage_that_is_there() -> None:
    """At 3000 rpm; a stiff link at the voltage that is left weakens the field to the same flux."""
    sag = [{"do": "grid", "to": 0.7}, hold("1 s")]
    run = simulate(describe(oriented(RECTIFIER, *sag, speed="2000 rpm") | {"record": {"rate": "1 kHz"}}))
    left = float(np.mean(run.traces["link_voltage"][-100:]))
    lower = simulate(describe(oriented({"voltage": f"{left} V"}, hold("1 s"), speed="2000 rpm")))
    before = simulate(describe(oriented({"voltage": f"{NOMINAL} V"}, hold("1 s"), speed="2000 rpm")))
    flux = [r.run.state[r.bench.model.layout.number("load.believed_flux")] for r in (run, lower, before)]
    assert flux[0] == pytest.approx(flux[1], rel=0.01) and flux[0] < 0.85 * flux[2]


@pytest.mark.parametrize("rig", [oriented, scalar])
def test_below_its_undervoltage_it_draws_nothing_and_goes_on_where_the_rotor_is(rig: Any) -> None:
    lost = [{"do": "grid", "to": 0}, hold("0.6 s"), {"do": "grid", "to": 1}, hold("1 s")]
    run = simulate(describe(rig(RECTIFIER | {"capacitance": "0.4 mF", "undervoltage": "350 V"}, *lost)))
    off = next(event.time for event in run.events if event.kind == "blocked_by_undervoltage")
    begin, back = (round(1e4 * time) for time in (off + 0.05, run.events[-1].time - 1e-3))
    assert abs(run.traces["load_energy"][back] - run.traces["load_energy"][begin]) < 1.0
    assert np.max(np.abs(run.traces["load_torque"][begin:back])) < 0.5
    assert watched(run, "undervoltage")[0] > 3000.0
    assert run.traces["load_torque"][-1] == pytest.approx(run.traces["load_torque"][9_000], rel=0.1)
    assert run.energies.residual < 1e-5


def test_an_empty_link_without_field_weakening_is_charged_like_any_other() -> None:
    charge = {"initial_voltage": "0 V", "precharge_resistance": "100 ohm", "undervoltage": "500 V"}
    wait = [hold("0.9 s"), step("torque", "20 N m"), hold("0.3 s")]
    document = oriented(RECTIFIER | charge, control={"field_weakening": False})
    document["sequence"] = wait
    document["line"][0] |= {"drag": {"viscous": "0.5 N m s/rad"}}
    run = simulate(describe(document))
    assert run.traces["load_torque"][-1] == pytest.approx(-20.0, rel=0.02)


@pytest.mark.parametrize("rig", [oriented, scalar])
def test_lanes_have_the_bits_of_single_runs(rig: Any) -> None:
    document = rig(RECTIFIER | {"undervoltage": "400 V"}, *LOST[:3], hold("0.1 s"))
    first: Description = describe(document)
    supply: Any = first.supply
    benches = [replace(first, supply=replace(supply, capacitance=c)) for c in (0.3e-3, 1e-3, 2e-3)]
    for outcome, bench in zip(simulate_many(benches), benches, strict=True):
        single = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in single.traces.items():
            np.testing.assert_array_equal(outcome.simulation.traces[name], trace)
        assert outcome.simulation.energies == single.energies


@pytest.mark.parametrize(("inductance", "capacitance", "stable"), [(8.0, 0.012, False), (0.5, 2.0, True)])
@pytest.mark.parametrize("rig", [oriented, scalar])
def test_the_map_holds_the_link(rig: Any, inductance: float, capacitance: float, stable: bool) -> None:
    """Closed form as for other machines: constant power is stable where R/L > P/(C·V²)."""
    keys = {"source_inductance": f"{inductance} mH", "capacitance": f"{capacitance} mF"}
    document = rig(RECTIFIER | keys, **({"rated_voltage": "290 V"} if rig is scalar else {}))
    bench = HyperMap(describe(document))
    state = held_state(bench, operating_point(bench.bench))
    link = bench.bench.link
    volts, current = float(state[link.ports.voltage.index]), float(state[link.source.current.index])
    supply: Any = bench.bench.description.supply
    size, drop = 2.0 * supply.source_inductance, 2.0 * supply.source_resistance + supply.commutation()
    rate = current / (supply.capacitance * volts)
    assert (drop / size > rate) is stable
    exact = np.linalg.eigvals([[rate, 1.0 / supply.capacitance], [-1.0 / size, -drop / size]])
    found = np.linalg.eigvals(bench.dynamics(state))
    poles = np.log(found[np.abs(found) > 1e-6].astype(complex)) / bench.hyperperiod
    for pole in exact:
        assert np.min(np.abs(poles - pole)) < 1e-3 * abs(pole)
    assert bool(np.max(np.abs(found)) < 1.0) is stable
