"""A machine type with a controller and a nonlinear term of its own: every analysis takes it."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

import shaftloop
from dc_machine import known
from rigs import coupling, servo, speed_loop, step, torque_loop
from shaftloop.analysis.drags import Drags
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.simulation import simulate
from shaftloop.bench.wiring import Wiring
from shaftloop.engine import at
from shaftloop.engine.layout import Layout
from shaftloop.engine.model import Model
from shaftloop.engine.plant import Plant
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping
from shaftloop.interface import TestBench as Rig
from shaftloop.kernels.own import ROOM
from shaftloop_models.network import Network, OwnKind
from shaftloop_models.parameters import Clock

DC = {
    "part": "machine",
    "model": "brushed_dc",
    "name": "load",
    "inertia": "0.08 kg m^2",
    "max_speed": "300 rad/s",
    "resistance": "0.4 ohm",
    "inductance": "4 mH",
    "constant": "1.2 N m/A",
    "current_limit": "100 A",
    "rate": "10 kHz",
    "bandwidth": "600 Hz",
    "eddy": "0.02 N m s/rad",
    "critical": "150 rad/s",
}
SPEED = 100.0
DRAG = 0.02 * SPEED / (1.0 + (SPEED / 150.0) ** 2)


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    ts = {
        "part": "torque_sensor",
        "name": "ts",
        "rated": "100 N m",
        "stiffness": "50 kN m/rad",
        "inertia_left": "0.001 kg m^2",
        "inertia_right": "0.001 kg m^2",
        "sampling": "10 kHz",
        "gain_error": "0.1 %",
        "filter": {"kind": "bessel", "order": 2, "cutoff": "1 kHz"},
    }
    torque = torque_loop(
        "load", "ts", rate="5 kHz", kp=0.05, ki="40 1/s", feedforward=0.0, output_latency="1 sample"
    )
    document = {
        "title": "Bench with a DC machine",
        "unit": "load",
        "line": [
            servo("drive", 0.05, time_constant="1 ms"),
            coupling("c", 2e4, damping="2 N m s/rad"),
            ts,
            DC,
        ],
        "loop": [speed_loop("drive", 3.0, 20.0), torque],
        "sequence": [
            {"do": "ramp", "loop": "speed", "to": f"{SPEED} rad/s", "over": "0.1 s"},
            step("torque", "20 N m"),
            {"do": "hold", "time": "0.6 s"},
        ],
    }
    path: Path = tmp_path_factory.mktemp("dc") / "dc.toml"
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    with known():
        yield shaftloop.read(path)


def test_it_runs_and_its_energy_closes(rig: Rig) -> None:
    run = simulate(rig.scenario.description)
    assert max(entry.residual for entry in run.energies.balances) < 1e-6
    assert run.traces["true_torque"][-1] == pytest.approx(20.0, abs=0.5)
    assert {"load.copper", "load.eddy"} <= set(run.energies.losses)


def test_lanes_give_the_bits_of_single_runs(rig: Rig) -> None:
    """Gains differ, and so do numbers of the machine's own task and term."""
    benches = [rig.scenario.description]
    for kp, change in ((0.1, {"current_limit": 15.0}), (0.3, {"eddy": 0.1})):
        machine = replace(benches[0].line[-1], **change)  # type: ignore[type-var]
        loop = replace(benches[0].loop[1], kp=replace(benches[0].loop[1].kp, value=kp))
        changed = replace(benches[0], line=(*benches[0].line[:-1], machine), loop=(benches[0].loop[0], loop))
        benches.append(changed)
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        single = simulate(bench)
        assert outcome.simulation is not None and outcome.in_lanes
        for name, trace in outcome.simulation.traces.items():
            assert np.array_equal(trace, single.traces[name]), name


def test_every_analysis_takes_it(rig: Rig) -> None:
    description = rig.scenario.description
    bench = HyperMap(description)
    drags = Drags(bench.bench, bench.run, [2])
    assert drags.torques(SPEED) == {"load.eddy": pytest.approx(DRAG, rel=1e-12)}
    fidelity = rig.fidelity()
    assert fidelity.correction.drag == pytest.approx(DRAG, rel=1e-6)
    assert len(rig.modes().modes) >= 2
    margins = rig.margins("torque").figures
    assert 1.0 < (margins["torque.ms"].value or 0.0) < 3.0
    (budget, _), *_ = rig.uncertainty().points
    assert budget is not None
    tuned = rig.tune("torque")
    assert tuned.tuning.feasible, tuned.verdict


def test_an_equation_that_takes_too_much_is_refused() -> None:
    wiring = Wiring(None, None, False)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="task t has 20 slots and 0 numbers; allowed: 17 slots and 24"):
        wiring.own_task("t", 1, Clock(Fraction(1), Fraction(0)), _nothing, (-1, range(20), ()), ())
    net = Network()
    speed = net.state("speed", "rad/s")
    net.term(OwnKind("too much", _nothing), [speed], [1.0] * (ROOM + 1), ["out"], 0.0)
    model = Model(Plant.assemble(net, []), Layout(), [], 0, [], [])
    with pytest.raises(ValueError, match="too much reads, takes or writes more than 24 values"):
        Run(model, Stepping(at.ETD4, 1.0), 1)


def _nothing(x: Any, p: Any, y: Any) -> None:
    """Do nothing."""
