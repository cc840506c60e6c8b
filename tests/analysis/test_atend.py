"""What is left in a bench at the end of a run, against a run that coasts and against closed forms."""

import math
from typing import Any

import pytest

from rigs import coupling, describe, servo, shipped, speed_loop
from shaftloop.analysis.atend import at_end
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.studies.responses import evaluate, known

DRAG = {
    "viscous": "0.05 N m s/rad",
    "coulomb": "2 N m",
    "smoothing": "0.5 rad/s",
    "windage": "0.002 N m s^2/rad^2",
}
INERTIA = 0.15


def coasting(time: float, *, speed: float = 100.0, **drag: str) -> Simulation:
    """A line of two bodies that is let go at a speed and coasts for a time."""
    line = [servo("drive", 0.05, drag=drag), coupling("c", 3e4, damping="2 N m s/rad"), servo("load", 0.1)]
    moves: list[dict[str, Any]] = [
        {"do": "ramp", "loop": "speed", "to": f"{speed} rad/s", "over": "50 ms"},
        {"do": "hold", "time": "50 ms"},
        {"do": "trip"},
        {"do": "hold", "time": f"{round(time, 6)} s"},
    ]
    return simulate(describe({"line": line, "loop": [speed_loop("drive", 5.0, 20.0)], "sequence": moves}))


@pytest.mark.parametrize("speed", [100.0, -100.0])
def test_a_run_coasts_as_long_as_was_said(speed: float) -> None:
    begin = at_end(coasting(0.01, speed=speed, **DRAG))
    assert begin.coasting is not None and begin.turns
    after = at_end(coasting(0.01 + begin.coasting, speed=speed, **DRAG))
    assert after.speed == pytest.approx(0.01 * begin.speed, rel=2e-3)
    # 2e-3 of the last hundredth of the speed are less than 2e-3 of the time constant there.
    assert begin.coasting > 1.0


def test_viscous_drag_alone_is_an_exponential_decay() -> None:
    found = at_end(coasting(0.01, viscous="0.05 N m s/rad"))
    assert found.coasting == pytest.approx(INERTIA / 0.05 * math.log(100.0), rel=1e-12)
    assert found.kinetic == pytest.approx(0.5 * INERTIA * found.speed**2, rel=1e-6)
    assert (found.windings, found.currents, found.voltages) == (0.0, {}, {})


def test_without_drag_nothing_brakes_it_and_the_figure_says_so() -> None:
    run = coasting(0.01)
    assert at_end(run).coasting is None
    figure = metrics(run)["at_end.coasting_time"]
    assert figure.value is None and figure.reason == "no drag brakes the line: it would turn on"


def test_energy_and_voltage_of_machines_with_magnets() -> None:
    run = simulate(shipped("reference-bench", "duration=0.3 s"))
    found, machine = at_end(run), run.bench.machines["drive"].parameters
    assert set(found.currents) == set(found.voltages) == {"drive", "load"}
    turning = machine.pole_pairs * machine.flux_linkage * found.speed  # type: ignore[attr-defined]
    assert found.voltages["drive"] == pytest.approx(math.sqrt(3.0) * turning)
    # All energy that the balances count as stored, for everything was at rest in the beginning.
    assert found.kinetic + found.elastic + found.windings == pytest.approx(run.energies.stored, rel=1e-9)
    assert found.elastic > 0.1 and found.windings > 1.0


def test_what_is_left_can_be_expected() -> None:
    description = shipped("reference-bench", "duration=50 ms")
    names = [f"simulate.at_end.{name}" for name in ("speed", "kinetic_energy", "current.drive")]
    assert set(names) <= set(known(description, ["simulate.x"]))
    found = evaluate(description, names)
    assert all(figure.value is not None and figure.value > 0.0 for figure in found.values())
    assert {f"simulate.{name}" for name in metrics(simulate(description))} <= set(known(description))
