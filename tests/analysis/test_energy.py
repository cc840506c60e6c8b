"""Energy closes for every part of every shipped scenario, and a forgotten loss shows."""

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import (
    SHIPPED,
    coupling,
    describe,
    disc,
    servo,
    shipped,
    smooth_bench,
    speed_loop,
    start,
    step,
    ticks,
)
from shaftloop.analysis import simulation
from shaftloop.analysis.energy import ElementBalance, Energies, energies
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.verify import check_energy
from shaftloop.bench import assemble
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.handles import Bench
from shaftloop.engine.run import Run
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop_models.network import Network

BOUND = 1e-5


def run_to_its_end(description: Description, factor: int = 1) -> tuple[Simulation, NDArray[np.float64]]:
    """Return a finished run and its last state."""
    states = []

    def kept(bench: Bench, run: Run) -> Energies:
        states.append(run.state.copy())
        return energies(bench, run)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulation, "energies", kept)
        result = simulate(description, factor=factor)
    return result, states[-1]


@pytest.fixture(scope="module", params=SHIPPED)
def ended(request: pytest.FixtureRequest) -> tuple[Simulation, NDArray[np.float64]]:
    return run_to_its_end(shipped(request.param))


@pytest.fixture(scope="module")
def finished(ended: tuple[Simulation, NDArray[np.float64]]) -> Simulation:
    return ended[0]


@pytest.mark.compiled
def test_energy_of_the_whole_bench_closes(finished: Simulation) -> None:
    assert finished.energies.circulated > 10.0
    assert finished.energies.residual < BOUND


@pytest.mark.compiled
def test_energy_of_every_element_closes(finished: Simulation) -> None:
    open_ones = {b.element: b.residual for b in finished.energies.balances if b.residual >= BOUND}
    assert open_ones == {}
    assert all(balance.throughput > 0.0 for balance in finished.energies.balances)


@pytest.mark.compiled
@pytest.mark.parametrize("scale", [0.0, 2.0])
def test_a_meter_that_reads_nothing_or_twice_is_noticed(
    ended: tuple[Simulation, NDArray[np.float64]], scale: float
) -> None:
    """Every meter of every shipped scenario.

    Of a run only the readings of power meters depend on its meters, so scaling what they hold at the end is
    the same as a run with a wrong one. Where what a neighbour lacks happens to be what is missing, half the
    step shows it (`ts.damping` of `micro-spindle`, 1.86e-8 J beside 1.86e-8 J).
    """
    missed = unnoticed(ended, scale)
    if missed:
        missed &= unnoticed(run_to_its_end(ended[0].bench.description, 2), scale)
    assert missed == set()


def unnoticed(ended: tuple[Simulation, NDArray[np.float64]], scale: float) -> set[str]:
    """Return the meters whose scaling no warning tells of."""
    finished, last = ended
    assert check_energy(finished) == []
    bench, found = finished.bench, set()
    network = bench.model.plant.network
    for number, meter in enumerate(network.meters):
        state = last.copy()
        for first in (bench.model.meter_slot, bench.model.meter_slot + len(network.meters)):
            state[first + number] *= scale
        left: Any = SimpleNamespace(state=state, model=bench.model, heating=None)
        try:
            warnings = check_energy(dataclasses.replace(finished, energies=energies(bench, left)))
        except SimulationError:
            continue
        if not warnings:
            found.add(meter.name)
    return found


@pytest.mark.compiled
def test_totals_are_sums_of_the_parts(finished: Simulation) -> None:
    found, bench = finished.energies, finished.bench
    assert found.grid == pytest.approx(sum(found.links.values()), rel=1e-14)
    assert found.loss == pytest.approx(sum(found.losses.values()), rel=1e-14)
    assert found.loss == pytest.approx(sum(b.loss for b in found.balances), rel=1e-12)
    assert found.stored == pytest.approx(sum(b.stored for b in found.balances), rel=1e-12)
    assert all(loss >= 0.0 for loss in found.losses.values())
    assert set(found.links) == set(bench.machines)
    assert found.worst.residual == max(b.residual for b in found.balances)
    drawn = [finished.traces[f"{name}_energy"] for name in bench.machines]
    assert np.allclose(finished.traces["grid_energy"], np.sum(drawn, axis=0), rtol=1e-12, atol=1e-12)


@pytest.mark.compiled
def test_stored_energy_is_that_of_the_speeds(finished: Simulation) -> None:
    """All benches end turning; springs and currents hold little."""
    bench = finished.bench
    last = finished.traces["drive_speed"][-1]
    inertia = sum(node.inertia for node in bench.line.nodes)
    assert finished.energies.stored == pytest.approx(0.5 * inertia * last**2, rel=0.03)


@pytest.mark.parametrize("name", SHIPPED)
def test_energy_closes_from_the_first_milliseconds_on(name: str) -> None:
    result = simulate(shipped(name, "duration=4 ms"))
    assert result.energies.circulated > 0.0
    assert result.energies.residual < 1e-4 and result.energies.worst.residual < 1e-3


def test_reference_stepper_closes_as_well() -> None:
    result = simulate(shipped("reference-bench", "duration=4 ms"), method="rk4")
    assert result.energies.residual < 1e-3


def without(monkeypatch: pytest.MonkeyPatch, suffix: str) -> None:
    """Let no part declare the powers of meters with this end of their names."""
    original = Network.meter

    def meter(self: Network, name: str, meaning: str, powers: object = ()) -> int:
        kept = () if name.endswith(suffix) else powers
        return original(self, name, meaning, kept)  # type: ignore[arg-type]

    monkeypatch.setattr(Network, "meter", meter)
    monkeypatch.setattr(assemble, "_physics", assemble._physics.__wrapped__)  # equations made anew


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("suffix", "elements"),
    [
        (".damping", {"c1", "ts", "c2"}),
        (".drag", {"drive", "load"}),
        (".copper", {"drive.windings", "load.windings"}),
        ("ts.out", {"ts", "ts.3"}),
        ("load.airgap", {"load", "load.windings"}),
    ],
)
def test_forgotten_meter_leaves_its_elements_open(
    monkeypatch: pytest.MonkeyPatch, suffix: str, elements: set[str]
) -> None:
    """Only the balances of the parts beside it notice, each by far more than it is open otherwise."""
    whole = simulate(shipped("reference-bench", "duration=0.6 s")).energies
    without(monkeypatch, suffix)
    found = simulate(shipped("reference-bench", "duration=0.6 s")).energies
    pairs = zip(whole.balances, found.balances, strict=True)
    assert {b.element for a, b in pairs if b.residual > 5.0 * a.residual} == elements
    assert found.worst.residual > BOUND and found.worst.element in elements


@pytest.mark.compiled
def test_forgotten_damping_hides_in_the_balance_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.3 J of 12 kJ: as small for the whole as the allowed error, ten times that for the couplings."""
    without(monkeypatch, ".damping")
    found = simulate(shipped("reference-bench")).energies
    assert found.residual < 10.0 * BOUND
    assert {b.element for b in found.balances if b.residual > BOUND} >= {"c1", "c2"}


def test_meters_integrate_their_powers() -> None:
    """A constant speed: drag of 0.02·ω + 0.5 + 1e-4·ω² at 50 rad/s for 3 ms."""
    drag = {
        "viscous": "0.02 N m s/rad",
        "coulomb": "0.5 N m",
        "windage": "1e-4 N m s^2/rad^2",
        "smoothing": "1 rad/s",
    }
    line = [servo("drive", 1e3, drag=drag), coupling("c", 2e4), servo("load", 1e3)]
    bench = build_bench(
        describe(
            {
                "duration": "1 s",
                "line": line,
                "loop": [speed_loop("drive", 1.0, 0.0)],
                "sequence": [step("speed", "50 rad/s")],
            }
        )
    )
    run = start(bench)
    for name in ("drive.speed", "load.speed"):
        run.state[bench.model.layout.number(name)] = 50.0
    run.advance(ticks(run, 3e-3), exact=True)
    found = energies(bench, run)
    assert found.losses["drive.drag"] == pytest.approx(50.0 * (1.0 + 0.5 + 0.25) * 3e-3, rel=1e-5)


def test_energy_closes_without_any_loss() -> None:
    """A line that only swings: all that the machine gives is stored."""
    line = [
        servo("drive", 0.05, time_constant="1 ms"),
        coupling("c", 2e4),
        disc("d", 0.02),
        coupling("e", 1e4),
        servo("load", 0.1),
    ]
    moves = [step("speed", "10 rad/s")]
    result = simulate(
        describe(
            {"duration": "20 ms", "line": line, "loop": [speed_loop("drive", 2.0, 9.0)], "sequence": moves}
        )
    )
    found = result.energies
    assert set(found.losses.values()) == {0.0} and found.stored > 0.1
    assert found.grid == pytest.approx(found.stored, rel=1e-6)
    assert found.residual < 1e-6


def test_balance_of_an_element_through_which_nothing_passes() -> None:
    assert ElementBalance("idle", 0.0, 0.0, 0.0, 0.0, 0.0).residual == 0.0
    assert ElementBalance("odd", 0.0, 0.0, 0.25, 0.0, 0.0).residual == 0.25
    assert ElementBalance("open", 10.0, 6.0, 1.0, 2.0, 8.0).residual == pytest.approx(0.125)


def test_bench_at_rest_has_no_energy() -> None:
    bench = smooth_bench("reference-bench")
    found = energies(bench, start(bench))
    assert found.circulated == found.residual == found.stored == found.loss == 0.0
