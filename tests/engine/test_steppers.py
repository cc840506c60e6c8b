"""The steppers: order as claimed, agreement with each other, and the step rule."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from rigs import SHIPPED, shipped, smooth_bench, start, ticks
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import at
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop_models.network import TermKind

Array = NDArray[np.float64]

HARD = ("sequence.0.over=20 ms", "sequence.1.rise=1 ms")
"""A hard start, so that the errors of the steppers stand out of the rounding."""


def final_state(run: Run, seconds: float) -> Array:
    run.advance(ticks(run, seconds), exact=True)
    return run.state[: run.tables.it[at.N]].copy()


@pytest.fixture(scope="module")
def errors() -> dict[str, list[float]]:
    """Error of the smooth reference bench after 20 ms for 1, 2 and 4 equal substeps per gap, as torque.

    Rounding adds up to 1e-10 to 6e-10 N m over the many steps of the finer runs, whatever makes the matrices.
    """
    bench = smooth_bench("reference-bench", *HARD)
    names = [name for name, _ in bench.model.plant.network.states]
    scale = np.where(np.char.find(names, "twist") >= 0, 6e4, 1.0)
    known = final_state(start(bench, fixed=64), 0.02)
    return {
        method: [
            float(np.abs(scale * (final_state(start(bench, method=method, fixed=count), 0.02) - known)).max())
            for count in counts
        ]
        for method, counts in (("etd4", (1, 2, 4)), ("rk4", (2, 4, 8, 16)))
    }


@pytest.mark.compiled
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_order_is_four(errors: dict[str, list[float]], method: str) -> None:
    order = np.log2(np.array(errors[method][:-1]) / errors[method][1:])
    assert np.all((order > 3.7) & (order < 4.6))


@pytest.mark.compiled
def test_exponential_stepper_is_far_ahead_of_the_reference_stepper(errors: dict[str, list[float]]) -> None:
    assert errors["etd4"][1] < 0.1 * errors["rk4"][0]


@pytest.mark.compiled
@pytest.mark.parametrize("name", SHIPPED)
def test_steppers_agree(name: str) -> None:
    """Smooth benches, both with their own step rule, the reference stepper four times finer."""
    bench = smooth_bench(name)
    runs = start(bench), start(bench, method="rk4", factor=4)
    one, other = (final_state(run, 0.05) for run in runs)
    size = np.maximum(np.abs(one), 1e-3 * np.abs(one).max())
    assert np.all(np.abs(one - other) <= 2e-6 * size)
    meters = slice(bench.model.meter_slot, bench.model.meter_slot + len(bench.model.plant.network.meters))
    energies = [run.state[meters] for run in runs]
    assert np.allclose(*energies, rtol=0, atol=1e-5 * np.abs(energies[0]).max())


def test_steppers_agree_over_a_millisecond() -> None:
    bench = smooth_bench("reference-bench", *HARD)
    one = final_state(start(bench), 1e-3)
    other = final_state(start(bench, method="rk4", factor=2), 1e-3)
    assert np.abs(one).max() > 1.0
    assert np.allclose(one, other, rtol=0, atol=1e-4 * np.abs(one).max())


def test_electrical_angle_bounds_the_step() -> None:
    """Spindle: at top speed the rotor turns at most a quarter of an electrical radian per substep."""
    bench = build_bench(shipped("micro-spindle"))
    couplings = [t for t in bench.model.plant.network.terms if t.kind == TermKind.DQ_COUPLING]
    machines = [machine.parameters for machine in bench.machines.values()]
    speeds = [machine.pole_pairs * machine.max_speed for machine in machines]
    assert sorted(term.slope for term in couplings) == pytest.approx(sorted(speeds))
    longest = longest_step(bench.model.plant, at.ETD4)
    assert longest == pytest.approx(0.25 / max(speeds))
    steps = start(bench).steps().values()
    assert max(steps) <= longest < 2.0 * max(steps)


def test_fastest_eigenvalue_bounds_the_reference_stepper() -> None:
    bench = build_bench(shipped("truck-axle"))
    fastest = np.abs(np.linalg.eigvals(bench.model.plant.a)).max()
    assert longest_step(bench.model.plant, at.RK4) == pytest.approx(1.0 / fastest)
    assert longest_step(bench.model.plant, at.RK4) < longest_step(bench.model.plant, at.ETD4)
    assert max(start(bench, method="rk4").steps().values()) * fastest <= 1.0


def test_stiff_drag_bounds_the_step() -> None:
    """Coulomb drag of 5 N m over 1e-4 rad/s on 0.02 kg m²: slope over inertia 2.5e6 1/s."""
    bench = build_bench(
        shipped("reference-bench", "line.drive.drag.coulomb=5 N m", "line.drive.drag.smoothing=1e-4 rad/s")
    )
    assert longest_step(bench.model.plant, at.ETD4) == pytest.approx(0.5 / 2.5e6)


def test_substeps() -> None:
    rule = Stepping(at.ETD4, 1e-4)
    assert [rule.substeps(gap) for gap in (1e-5, 1e-4, 1.01e-4, 5e-4)] == [1, 1, 2, 5]
    assert Stepping(at.ETD4, 1e-4, factor=2).substeps(1.5e-4) == 4
    assert Stepping(at.ETD4, 1e-4, factor=2, fixed=3).substeps(1.0) == 3
    assert Stepping(at.RK4, math.inf).substeps(1.0) == 1
