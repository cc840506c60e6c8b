"""Bodies that warm up: bits, energy, and that only stated keys change anything."""

from dataclasses import replace

import numpy as np
import pytest

from heatbench import bench, hold, loss
from rigs import start, step, ticks
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import at
from shaftloop.engine.heat import Thermal, assemble_heat
from shaftloop.engine.layout import Layout
from shaftloop.errors import SimulationError

WARM = {"resistance_coefficient": "0.0039 1/K", "flux_coefficient": "-0.001 1/K", "start": "60 degC"}
MOVES = [step("torque", "150 N m"), hold(2.0), step("torque", "-80 N m"), hold(1.03)]


@pytest.fixture(scope="module")
def warm() -> Simulation:
    return simulate(bench(WARM, MOVES))


def same(one: Simulation, other: Simulation) -> bool:
    assert one.heat is not None and other.heat is not None
    traces = all(np.array_equal(one.traces[name], other.traces[name]) for name in one.traces)
    heat = all(
        np.array_equal(getattr(one.heat, key), getattr(other.heat, key))
        for key in ("time", "temperature", "spent", "squared")
    )
    return traces and heat and one.energies == other.energies


@pytest.mark.compiled
def test_stretches_and_lanes_give_the_same_bits(warm: Simulation) -> None:
    description = bench(WARM, MOVES)
    assert same(simulate(description, plain=True), warm)
    assert same(simulate(description, progress=lambda share: None), warm)
    hotter = bench(WARM, MOVES, "line.m.heat.start=90 degC")
    stiffer = bench(WARM, MOVES, "line.m.heat.winding_capacity=45 J/K")
    found = list(simulate_many([hotter, description, stiffer]))
    assert all(outcome.in_lanes for outcome in found)
    for outcome, alone in zip(found, (hotter, description, stiffer), strict=True):
        assert outcome.simulation is not None and same(outcome.simulation, simulate(alone))


@pytest.mark.compiled
def test_energy_closes_with_heat_as_a_store(warm: Simulation) -> None:
    energies = warm.energies
    assert energies.residual < 1e-5
    assert [body.element for body in energies.heat] == ["m.winding", "m.housing"]
    for body in energies.heat:
        assert body.residual < 1e-12 and body.throughput > 100.0
    taken = energies.heat[0].incoming
    assert taken == pytest.approx(energies.losses["m.copper"], rel=1e-12)
    # A body that loses heat on its way does not close.
    winding = energies.heat[0]
    assert replace(winding, outgoing=0.9 * winding.outgoing).residual > 1e-3


@pytest.mark.compiled
def test_temperatures_change_nothing_without_coefficients() -> None:
    cold, heated = simulate(bench(None, MOVES)), simulate(bench({"start": "90 degC"}, MOVES))
    assert cold.heat is None and heated.heat is not None
    for name in cold.traces:
        assert np.array_equal(cold.traces[name], heated.traces[name]), name


@pytest.mark.compiled
def test_resistance_and_flux_follow_the_temperatures(warm: Simulation) -> None:
    """Torque per ampere and loss per squared current, at the temperatures of the middle of the run."""
    heat = warm.heat
    assert heat is not None
    at = int(np.searchsorted(heat.time, 1.0))
    winding, housing = heat.temperature[at]
    record = int(np.searchsorted(warm.time, heat.time[at]))
    flux = 1.0 - 0.001 * (housing - 20.0)
    assert warm.traces["m_torque"][record] == pytest.approx(150.0 * flux, rel=1e-4)
    copper = heat.heat.bodies[0]
    passed = (winding - housing) / copper.resistance
    (before, _, after), times = heat.temperature[at - 1 : at + 2, 0], heat.time[at - 1 : at + 2]
    slope = (after - before) / (times[2] - times[0])
    power = copper.capacity * slope + passed
    # At 80 K/s every tick moves the resistance by 1 %; the current takes 10 ms to be back where it was.
    assert power == pytest.approx(loss(150.0) * (1.0 + 0.0039 * (winding - 20.0)), rel=2e-3)


@pytest.mark.compiled
def test_a_restored_run_goes_on_as_it_would_have() -> None:
    built = build_bench(bench(WARM, MOVES))
    run, other = start(built), start(build_bench(bench(WARM, MOVES)))
    for one in (run, other):
        one.advance(ticks(one, 1.0))
        one.warm()
    saved = run.save()
    run.advance(ticks(run, 2.0))
    run.warm()
    run.restore(saved)
    assert np.array_equal(run.tables.ft, other.tables.ft) and np.array_equal(run.state, other.state)
    assert run.heating is not None and other.heating is not None
    assert [tick for tick, _ in run.heating.rows] == [tick for tick, _ in other.heating.rows]


@pytest.mark.compiled
def test_a_new_gap_keeps_the_numbers_of_the_temperatures() -> None:
    run = start(build_bench(bench(WARM, MOVES)))
    run.advance(ticks(run, 1.0))
    run.warm()
    before = run.tables.ft.copy()
    run.advance(ticks(run, 1.00013), exact=True)
    assert run.tables.it[at.GAPS] > 1
    assert run.heating is not None
    first, *_ = run.heating.heat.warmths
    assert first[0].at(float(run.state[run.heating.heat.slice(3)][0])) in run.tables.ft
    assert before[before != 0.0].size


def test_nothing_that_warms_up_needs_no_slot() -> None:
    layout = Layout()
    assert assemble_heat(Thermal(), layout, 0) is None and layout.slots == []


@pytest.mark.compiled
def test_what_melts_ends_the_run() -> None:
    tiny = {"winding_capacity": "0.2 J/K", "winding_resistance": "100 K/W"}
    with pytest.raises(SimulationError, match=r"m\.winding passes 1500 degC") as caught:
        simulate(bench(tiny, MOVES))
    assert "thermal resistances" in caught.value.advice


@pytest.mark.compiled
def test_a_spent_budget_takes_the_current_back() -> None:
    """100 A for good and 200 A for 2 s: at 150 N m, 167 A, the budget lasts 30,000/17,778 of a second."""
    inverter = {"continuous_current": "100 A", "overload_time": "1 s"}
    moves = [step("torque", "150 N m"), hold(4.0)]
    run = simulate(bench(None, moves, inverter=inverter, current_limit="200 A"))
    heat = run.heat
    assert heat is not None and heat.heat.bodies == ()
    current = run.traces["m_torque"] / 0.9
    late = float(run.time[np.flatnonzero(current < 120.0)[-1]])
    lasts = 30_000.0 / ((150.0 / 0.9) ** 2 - 100.0**2)
    falls = float(run.time[(run.time > 0.5) & (current < 120.0)][0])
    assert lasts <= falls <= lasts + float(heat.heat.period) + 0.02
    assert current[run.time > falls + 0.1] == pytest.approx(100.0, rel=1e-3)
    assert late == pytest.approx(run.time[-1])
    assert heat.spent.max() == pytest.approx(1.0, abs=float(heat.heat.period))
