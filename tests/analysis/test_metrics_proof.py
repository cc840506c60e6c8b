"""Energy that must close, figures that must stay when the steps become finer, and the way of the energy."""

import dataclasses

import pytest

from shaftloop.analysis.flow import energy_flow
from shaftloop.analysis.metrics import METRICS
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.verify import check_energy, verify
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario


@pytest.fixture(scope="module")
def description() -> Description:
    return read_scenario("reference-bench", ["duration=0.3 s"]).description


@pytest.fixture(scope="module")
def run(description: Description) -> Simulation:
    return simulate(description)


def with_gap(run: Simulation, share: float) -> Simulation:
    gap = share * run.energies.circulated
    return dataclasses.replace(run, energies=dataclasses.replace(run.energies, grid=run.energies.grid + gap))


def with_element_gap(run: Simulation, element: str, share: float) -> Simulation:
    balances = tuple(
        dataclasses.replace(entry, loss=entry.loss + share * entry.throughput)
        if entry.element == element
        else entry
        for entry in run.energies.balances
    )
    return dataclasses.replace(run, energies=dataclasses.replace(run.energies, balances=balances))


def test_a_sound_run_has_no_warning(run: Simulation) -> None:
    assert check_energy(run) == []


def test_a_gap_is_warned_about(run: Simulation) -> None:
    assert check_energy(with_gap(run, 1e-3)) == [
        "the energy of the bench closes to 0.001 only, above 0.0001; try `verify`"
    ]
    assert check_energy(with_element_gap(run, "c1", 5e-4)) == [
        "the energy of c1 closes to 0.0005 only, above 0.0001; try `verify`"
    ]


@pytest.mark.parametrize("share", [0.05, float("nan")])
def test_a_large_gap_fails_the_run(run: Simulation, share: float) -> None:
    with pytest.raises(SimulationError, match="the energy of the bench does not close") as caught:
        check_energy(with_gap(run, share))
    assert "`method` rk4" in caught.value.advice
    with pytest.raises(SimulationError, match=r"the energy of drive\.windings does not close"):
        check_energy(with_element_gap(run, "drive.windings", share))


def test_rounding_in_an_element_that_passes_nothing_is_no_gap(run: Simulation) -> None:
    idle = tuple(
        dataclasses.replace(entry, incoming=1e-14, outgoing=0.0, loss=0.0, stored=0.0, throughput=1e-14)
        for entry in run.energies.balances
    )
    assert (
        check_energy(dataclasses.replace(run, energies=dataclasses.replace(run.energies, balances=idle)))
        == []
    )


def test_finer_steps_change_little(description: Description, run: Simulation) -> None:
    found = verify(description, run)
    assert found.step == pytest.approx(run.step / 2.0)
    assert {entry.name for entry in METRICS} - set(found.changes) == {"step", "energy_residual"}
    assert found.largest is not None and 0.0 < found.largest[1] < 1e-3
    assert not found.changes["peak_true_torque"].reason
    assert "loss_energy.ts.damping" in found.small and "loss_energy.drive.copper" not in found.small


def test_a_metric_that_appears_in_one_run_only_is_named(description: Description, run: Simulation) -> None:
    silent = dataclasses.replace(run, traces={**run.traces, "torque_setpoint": 0.0 * run.time})
    change = verify(description, silent).changes["torque_rise_time"]
    assert change.change is None and change.reason == "the metric exists in one of the two runs only"


def test_a_metric_without_meaning_keeps_its_reason(run: Simulation) -> None:
    short = read_scenario("reference-bench", ["duration=5 ms"]).description
    change = verify(short, simulate(short)).changes["torque_rise_time"]
    assert change.relative is None and change.reason == "the torque set-point makes no step"


def test_the_flow_closes_along_the_line(run: Simulation) -> None:
    flow = energy_flow(run)
    assert [(station.name, station.machine) for station in flow.stations] == [
        ("drive", True),
        ("shaft line", False),
        ("load", True),
    ]
    meters = run.energies.meters
    assert flow.passed == ((0, 1, meters["c1.in"]), (1, 2, meters["c2.out"]))
    first, line, last = (station.link - station.loss - station.stored for station in flow.stations)
    assert first == pytest.approx(meters["c1.in"], rel=1e-5)
    assert first + line == pytest.approx(meters["c2.out"], rel=1e-5)
    assert first + line + last == pytest.approx(0.0, abs=1e-5 * run.energies.circulated)
    assert sum(station.loss for station in flow.stations) == pytest.approx(run.energies.loss)
    assert sum(station.stored for station in flow.stations) == pytest.approx(flow.stored)
    assert flow.losses[0][2] == max(run.energies.losses.values())
