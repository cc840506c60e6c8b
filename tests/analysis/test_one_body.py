"""A line of one body: a machine with its drag, against closed forms."""

import math
from pathlib import Path

import numpy as np
import pytest

from rigs import SPEED_LOOP, describe, one_machine_text, servo, speed_loop, step
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.answers.modes import find_line_modes
from shaftloop.scenario.reading import read_scenario

INERTIA, DRAG, KP = 0.05, 0.4, 2.0


def bench(**keys: object) -> dict[str, object]:
    line = [servo("drive", INERTIA, time_constant="0.2 ms", drag={"viscous": f"{DRAG} N m s/rad"})]
    return {"line": line, "loop": [speed_loop("drive", KP, 0.0)], **keys}


def test_it_runs_up_as_a_first_order_lag() -> None:
    run = simulate(describe(bench(duration="0.1 s", sequence=[step("speed", "10 rad/s")])))
    whole, rate = DRAG + KP, (DRAG + KP) / INERTIA
    expected = 10.0 * KP / whole * (1.0 - np.exp(-rate * run.time))
    # Two periods of the drive, 0.1 ms each, and its lag come before the torque.
    assert np.max(np.abs(run.traces["drive_speed"] - expected)) < 10.0 * rate * 5e-4
    assert run.energies.residual < 1e-6 and not [n for n in run.traces if n.endswith("twist")]


def test_it_has_margins_and_no_mode() -> None:
    description = describe(bench(sequence=[step("speed", "10 rad/s")]))
    margins = analyse_loops(description, ["speed"])["speed"].margins
    assert margins.stable
    # |L| = kp/|jωJ + d| is 1 where (ωJ)² = kp² − d².
    assert margins.crossover == pytest.approx(
        math.sqrt(KP**2 - DRAG**2) / INERTIA / (2.0 * math.pi), rel=0.01
    )


def test_modes_need_no_length_of_a_run(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(one_machine_text("1 s").replace('duration = "1 s"', "") + SPEED_LOOP, encoding="utf-8")
    assert len(find_line_modes(read_scenario(path)).modes) == 1
